"""What goes into an encoder or a converter, a stretch of a signal at some gain; and what comes out, as a source."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from master_check.decibels import amplitude_of
from master_check.sound.blocks import Block, Blocks
from master_check.sound.format import AudioFormat
from master_check.sound.kept import Frames, Signal
from master_check.tables.layouts import Layout

CHUNK: Final = 65_536
"""Frames handed on at a time."""


@dataclass(frozen=True, slots=True)
class Feed:
    """A stretch of a signal, turned up or down.

    Attributes
    ----------
    signal : Signal
    layout : Layout or None
        What its channels are.
    start, stop : int
        Frames; past the signal's end there are zeros.
    gain_db : float
    """

    signal: Signal
    layout: Layout | None
    start: int
    stop: int
    gain_db: float = 0.0

    @property
    def rate(self) -> int:
        return self.signal.rate

    @property
    def channels(self) -> int:
        return self.signal.channels

    @property
    def frames(self) -> int:
        return self.stop - self.start

    def chunks(self, more: int = 0) -> Iterator[Frames]:
        """The samples, (n, channels), `CHUNK` frames at a time, and `more` frames of silence behind them."""
        gain = np.float32(amplitude_of(self.gain_db))
        for at in range(self.start, self.stop, CHUNK):
            yield self.signal.read(at, min(at + CHUNK, self.stop)) * gain
        if more:
            yield np.zeros((more, self.channels), np.float32)


class Stream:
    """Samples that come in pieces of any size, as a source.

    Parameters
    ----------
    name : str
    format : AudioFormat
    frames : int
        How many there are; pieces that go on longer are cut off there.
    pieces : callable
        Gives the samples from the first to the last, (n, channels) float32; called whenever they are asked for.
    """

    def __init__(self, name: str, format: AudioFormat, frames: int, pieces: Callable[[], Iterable[Frames]]) -> None:
        self.name = name
        self.format = format
        self.frames = frames
        self.notes: list[str] = []
        self._pieces = pieces

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last; `ahead` makes no difference."""
        blocks = Blocks(self.format.rate, self.format.channels, hops)
        left = self.frames
        waiting: list[Frames] = []
        sizes = blocks.sizes()
        size = min(next(sizes), left)
        for piece in self._pieces():
            waiting.append(piece)
            while size and sum(map(len, waiting)) >= size:
                whole = np.concatenate(waiting) if len(waiting) > 1 else waiting[0]
                waiting = [whole[size:]]
                yield blocks.lay(np.ascontiguousarray(whole[:size], np.float32))
                left -= size
                size = min(next(sizes), left)
        rest = np.concatenate(waiting)[:left] if waiting else np.zeros((0, self.format.channels), np.float32)
        if len(rest):
            yield blocks.lay(np.ascontiguousarray(rest, np.float32))


def format_of(feed: Feed, container: str = "", encoding: str = "FLOAT", bits: int | None = 32) -> AudioFormat:
    """What comes out of a conversion of a feed."""
    return AudioFormat(container, encoding, feed.rate, feed.channels, feed.layout, bits, encoding == "FLOAT")
