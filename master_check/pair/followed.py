"""The second look at premaster and master: what the chain's gain did every 10 ms, and where each side is highest.

The premaster goes through the filter that the first look found, so that equalising counts for nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from master_check.pair.matched import passage_length
from master_check.pair.overlap import Block, Overlap
from master_check.pair.sides import Side, sides_of, taken
from master_check.sound.kept import Frames

STEP_S: Final = 0.01

BAND_EDGES_HZ: Final = (
    *(0.0, 75.0, 125.0, 175.0, 225.0, 275.0, 325.0, 375.0, 450.0, 550.0, 650.0, 800.0, 1_000.0, 1_250.0, 1_600.0),
    *(2_000.0, 2_500.0, 3_150.0, 4_000.0, 5_000.0, 6_300.0, 8_000.0, 10_000.0, 12_500.0),
)
"""Where the bands begin in which the gain is followed; the last one is open."""

HIGHEST: Final = 2048
"""So many of the highest samples of every side are kept of every passage."""

TRUSTED: Final = 1e-3
"""Power of 10 ms against that of its passage from which on it tells the gain."""


@dataclass(frozen=True, slots=True)
class Followed:
    """What was seen of both over time.

    Attributes
    ----------
    energy : (2, bands, steps) float64
        Of the equalised premaster and of the master, in bands (`BAND_EDGES_HZ`), every `STEP_S` of the master; 0 where
        nothing is in common.
    passages : tuple of Block
        Side by side over the whole overlap.
    highest : (sides, passages, HIGHEST) float32
        The largest magnitudes that went into the chain's last stage, as far as a filter and a gain every 10 ms tell.
    """

    energy: NDArray[np.float64]
    passages: tuple[Block, ...]
    highest: NDArray[np.float32]


def follow(overlap: Overlap, taps: NDArray[np.float32], offsets: NDArray[np.float64]) -> Followed:
    """Read both through once more.

    Parameters
    ----------
    overlap : Overlap
    taps : (taps,) float32
        The filter that the premaster goes through, zero-phase at its middle.
    offsets : (2, channels) float64
        Of premaster and master.
    """
    step = round(STEP_S * overlap.rate)
    means = offsets.astype(np.float32)
    sides = sides_of(overlap.channels)
    length = passage_length(overlap.frames, overlap.rate)

    def look(block: Block) -> tuple[int, NDArray[np.float64], NDArray[np.float32]]:
        half = len(taps) // 2
        wide = overlap.premaster.read(block.start - half, block.stop + half - 1) - means[0]
        before = scipy.signal.oaconvolve(wide, taps[:, None], "valid", axes=0)
        after = overlap.master.read(block.start, block.stop) - means[1]
        first, last = block.start // step, -(-block.stop // step)
        energy = np.stack(
            [_band_energy(each, block.start - first * step, last - first, step) for each in (before, after)]
        )
        edges = np.maximum(np.arange(first, last) * step - block.start, 0)
        gain = np.repeat(_gain(energy.sum(axis=1)), np.diff([*edges, len(before)]))
        return first, energy, _highest(before, gain, sides)

    passages = overlap.blocks(length)
    total = np.zeros((2, len(BAND_EDGES_HZ), -(-passages[-1].stop // step)))
    highest = np.zeros((len(sides), len(passages), HIGHEST), np.float32)
    for n, (first, energy, own) in enumerate(overlap.each(look, length)):
        total[..., first : first + energy.shape[2]] += energy
        highest[:, n] = own
    return Followed(total, tuple(passages), highest)


def _band_energy(frames: Frames, start: int, steps: int, step: int) -> NDArray[np.float64]:
    """Energy of all channels in every band and step, (bands, steps), through windows that add up to one.

    Parameters
    ----------
    frames : (n, channels) float32
        The first of them is sample `start` of the first step.
    """
    size, half = 2 * step, step // 2
    rows = np.zeros((frames.shape[1], (steps + 1) * step), np.float32)
    rows[:, half + start : half + start + len(frames)] = frames.T
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)
    cut = np.lib.stride_tricks.sliding_window_view(rows, size, axis=1)[:, ::step]
    power = np.square(np.abs(scipy.fft.rfft(cut * window, axis=2))).sum(axis=0, dtype=np.float64)
    power[:, 1:-1] *= 2.0  # for the negative frequencies
    edges = np.minimum(np.round(np.array(BAND_EDGES_HZ) * STEP_S * 2.0).astype(int), power.shape[1] - 1)
    return np.asarray(np.add.reduceat(power, edges, axis=1).T / size)


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
