"""The second look at premaster and master: what the chain's gain did every 10 ms, and where each side is highest.

The premaster goes through the filter that the first look found, so that equalising counts for nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.pair.averages import Averages
from master_check.pair.matched import passage_length
from master_check.pair.overlap import Block, Overlap
from master_check.pair.sides import Side, sides_of, taken
from master_check.sound.kept import Frames

STEP_S: Final = 0.01

HIGHEST: Final = 2048
"""So many of the highest samples of every side are kept of every passage."""

TRUSTED: Final = 1e-3
"""Power of 10 ms against that of its passage from which on it tells the gain."""


@dataclass(frozen=True, slots=True)
class Followed:
    """What was seen of both over time.

    Attributes
    ----------
    energy : (2, steps) float64
        Sums of squares of the equalised premaster and of the master, every `STEP_S` of the master; 0 where nothing is
        in common.
    passages : tuple of Block
        Side by side over the whole overlap.
    highest : (sides, passages, HIGHEST) float32
        The largest magnitudes that went into the chain's last stage, as far as a filter and a gain every 10 ms tell.
    """

    energy: NDArray[np.float64]
    passages: tuple[Block, ...]
    highest: NDArray[np.float32]


def follow(overlap: Overlap, averages: Averages) -> Followed:
    """Read both through once more."""
    step = round(STEP_S * overlap.rate)
    taps = averages.filter()
    means = averages.means.astype(np.float32)
    sides = sides_of(overlap.channels)
    length = passage_length(overlap.frames, overlap.rate)

    def look(block: Block) -> tuple[int, NDArray[np.float64], NDArray[np.float32]]:
        half = len(taps) // 2
        wide = overlap.premaster.read(block.start - half, block.stop + half - 1) - means[0]
        before = scipy.signal.oaconvolve(wide, taps[:, None], "valid", axes=0)
        after = overlap.master.read(block.start, block.stop) - means[1]
        first = block.start // step
        edges = np.maximum(np.arange(first, -(-block.stop // step)) * step - block.start, 0)
        energy = np.stack(
            [np.add.reduceat(np.square(each).sum(axis=1, dtype=np.float64), edges) for each in (before, after)]
        )
        gain = np.repeat(_gain(energy), np.diff([*edges, len(before)]))
        return first, energy, _highest(before, gain, sides)

    passages = overlap.blocks(length)
    total = np.zeros((2, -(-passages[-1].stop // step)))
    highest = np.zeros((len(sides), len(passages), HIGHEST), np.float32)
    for n, (first, energy, own) in enumerate(overlap.each(look, length)):
        total[:, first : first + energy.shape[1]] += energy
        highest[:, n] = own
    return Followed(total, tuple(passages), highest)


def _gain(energy: NDArray[np.float64]) -> NDArray[np.float32]:
    """Of every step, from itself and its neighbours; where hardly anything plays, that of the whole passage."""
    before, after = (np.convolve(each, np.ones(5), "same")[: len(each)] for each in energy)
    overall = float(after.sum() / max(before.sum(), 1e-30))
    heard = before > TRUSTED * before.mean()
    return np.sqrt(np.where(heard, after / np.maximum(before, 1e-30), overall)).astype(np.float32)


def _highest(before: Frames, gain: NDArray[np.float32], sides: Sequence[Side]) -> NDArray[np.float32]:
    found = np.zeros((len(sides), HIGHEST), np.float32)
    for row, side in zip(found, sides, strict=True):
        level = np.abs(taken(before, side) * gain)
        kept = min(HIGHEST, len(level))
        row[:kept] = np.partition(level, len(level) - kept)[-kept:]
    return found
