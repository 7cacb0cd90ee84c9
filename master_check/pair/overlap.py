"""A premaster and its master where both have the same sound, read block by block: length takes no memory."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.lines import Line
from master_check.sound.kept import ArraySignal, Signal

Result = TypeVar("Result")

THREADS: Final = 2
"""Blocks worked on at once; more would take memory."""


@dataclass(frozen=True, slots=True)
class Span:
    """Samples of the master, `start` to `stop`."""

    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Block(Span):
    """A part of a span, and where that ends: what comes after the block may be read as well, up to there."""

    end: int


@dataclass(frozen=True, slots=True)
class Overlap:
    """What premaster and master have in common.

    Attributes
    ----------
    premaster : Signal
        Where the master has the same sound (`alignment.views.Placed`), alike in rate and channels.
    master : Signal
    spans : tuple of Span
        The samples of both that go together, in their order.
    """

    premaster: Signal
    master: Signal
    spans: tuple[Span, ...]

    @classmethod
    def along(cls, lines: Sequence[Line], premaster: Signal, master: Signal) -> "Overlap":
        return cls(premaster, master, tuple(Span(line.start, line.stop) for line in lines))

    @classmethod
    def of_arrays(cls, premaster: NDArray[Any], master: NDArray[Any], rate: int) -> "Overlap":
        """Samples in memory, (n, channels) each, that lie over each other already."""
        return cls(ArraySignal(premaster, rate), ArraySignal(master, rate), (Span(0, len(master)),))

    @property
    def rate(self) -> int:
        return self.master.rate

    @property
    def channels(self) -> int:
        return self.master.channels

    @property
    def frames(self) -> int:
        return sum(span.stop - span.start for span in self.spans)

    def blocks(self, size: int) -> list[Block]:
        """All spans in blocks of so many samples; the last of each span may be shorter."""
        return [
            Block(start, min(start + size, span.stop), span.stop)
            for span in self.spans
            for start in range(span.start, span.stop, size)
        ]

    def spread(self, seconds: float, parts: int) -> "Overlap":
        """So much of it, in equal parts spread over the whole; all of it where it is no longer than that."""
        size = round(seconds / parts * self.rate)
        blocks = self.blocks(size)
        if len(blocks) <= parts:
            return self
        chosen = {round(n) for n in np.linspace(0, len(blocks) - 1, parts)}
        return replace(self, spans=tuple(Span(blocks[n].start, blocks[n].stop) for n in sorted(chosen)))

    def each(self, work: Callable[[Block], Result], size: int) -> Iterator[Result]:
        """What `work` makes of every block, in their order; some at a time."""
        with ThreadPoolExecutor(THREADS) as pool:
            yield from pool.map(work, self.blocks(size))
