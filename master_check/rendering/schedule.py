"""When which gains hold: the blocks of a channel's metadata as spans of samples (ITU-R BS.2127-0, section 6)."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.adm.items import RenderingItem
from master_check.sound.adm.model import Block, DirectSpeakersBlock

BLOCKS: Final = 64
"""Blocks of a channel whose gains are found at a time: enough to make it fast, few enough to be small."""

FOREVER: Final = 2**62

Calculate = Callable[[Sequence[Any]], NDArray[np.float64]]
"""Gains (blocks, rows) of blocks."""


@dataclass(frozen=True, slots=True)
class Spans:
    """Some consecutive spans of a channel, as `mixing_kernels.mix` takes them.

    Attributes
    ----------
    samples : (n, 4) int64
        From and to which sample, and between which gains.
    ramps : (n, 2) float64
        At which sample the first gains are, and how much of the way to the others a sample is.
    gains : (blocks + 1, rows) float32
        The first are those before the first block.
    """

    samples: NDArray[np.int64]
    ramps: NDArray[np.float64]
    gains: NDArray[np.float32]

    @property
    def end(self) -> int:
        """Up to which sample."""
        return int(self.samples[-1, 1]) if len(self.samples) else 0


@dataclass(frozen=True, slots=True)
class _Timed:
    """A block in samples from the start of the file, exactly; `end` None: to the end of the file.

    Until `reached` the gains come from those of the block before; at its start where they are not interpolated.
    """

    block: Block
    start: Fraction
    reached: Fraction
    end: Fraction | None


def spans(item: RenderingItem, rate: int, calculate: Calculate) -> Iterator[Spans]:
    """All spans of a channel, some at a time."""
    timed = _timed(item, rate)
    last: NDArray[np.float32] | None = None
    while chunk := list(islice(timed, BLOCKS)):
        found = (calculate([one.block for one in chunk]) * item.gain).astype(np.float32)
        first = np.zeros_like(found[:1]) if last is None else last
        last = found[-1:]
        yield _spans(chunk, np.concatenate((first, found)))


def _spans(chunk: Sequence[_Timed], gains: NDArray[np.float32]) -> Spans:
    samples: list[tuple[int, int, int, int]] = []
    ramps: list[tuple[float, float]] = []
    for number, one in enumerate(chunk, 1):
        if one.reached > one.start:
            samples.append((_sample(one.start), _sample(one.reached), number - 1, number))
            ramps.append((float(one.start), float(1 / (one.reached - one.start))))
        samples.append((_sample(one.reached), _sample(one.end), number, number))
        ramps.append((0.0, 0.0))
    return Spans(np.array(samples, np.int64), np.array(ramps), gains)


def _sample(time: Fraction | None) -> int:
    """The first sample that is not before a time."""
    return FOREVER if time is None else min(math.ceil(time), FOREVER)


def _timed(item: RenderingItem, rate: int) -> Iterator[_Timed]:
    """The blocks of a channel one after the other, all inside its object.

    Faulty metadata is cut: a block that overlaps the next ends there, interpolation ends with its block.
    """
    begin = item.start * rate
    finish = None if item.duration is None else begin + item.duration * rate
    blocks = item.channel.blocks
    previous_end: Fraction | None = None
    for number, block in enumerate(blocks):
        start = begin + (block.rtime or 0) * rate
        following = begin + (blocks[number + 1].rtime or 0) * rate if number + 1 < len(blocks) else None
        own = None if block.duration is None else start + block.duration * rate
        end = min((time for time in (own, following, finish) if time is not None), default=None)
        if end is not None and end <= start:
            continue
        reached = start
        if previous_end == start:
            reached = _reached(block, start, end, rate)
        yield _Timed(block, start, reached, end)
        previous_end = end


def _reached(block: Block, start: Fraction, end: Fraction | None, rate: int) -> Fraction:
    """When a block's own gains hold that follows another at once."""
    if isinstance(block, DirectSpeakersBlock):
        return start
    jump = block.jump_position
    if not jump.flag:
        return start if end is None else end
    reached = start + (jump.interpolation_length or 0) * rate
    return reached if end is None else min(reached, end)
