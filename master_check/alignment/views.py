"""A signal at another sample rate, and a signal moved to where another one has the same sound."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import floor, gcd
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.alignment.kernels import interpolate
from master_check.alignment.lines import Line
from master_check.sound.kept import Frames, Signal

TAPS: Final = 64
PHASES: Final = 512
"""Of the interpolator: on music some 110 dB between its errors and the signal."""

ZEROS: Final = 32
"""Zero crossings of the rate converter's filter to either side: flat to 0.92 of half the lower rate."""


class Converted:
    """A signal at another sample rate, by scipy's polyphase filter.

    Parameters
    ----------
    signal : Signal
    rate : int
        Hz.
    zeros : int
        Zero crossings of the filter to either side: how sharp it is, and how slow.
    """

    def __init__(self, signal: Signal, rate: int, zeros: int = ZEROS) -> None:
        self.rate = rate
        self.channels = signal.channels
        self._signal = signal
        common = gcd(rate, signal.rate)
        self._up, self._down = rate // common, signal.rate // common
        longest = max(self._up, self._down)
        self._reach = -(-zeros * longest // self._up)
        taps = scipy.signal.firwin(2 * zeros * longest + 1, 1.0 / longest, window=("kaiser", 8.0))
        self._taps = taps.astype(np.float32)

    @property
    def frames(self) -> int:
        return -(-self._signal.frames * self._up // self._down)

    def read(self, start: int, stop: int) -> Frames:
        """As `Signal.read`. A stretch takes some memory for every frame of it; it is the same in one piece or many."""
        # Whole turns of the filter's phases, so that the first sample falls on one of the new ones.
        first = (start * self._down // self._up - self._reach) // self._down * self._down
        last = -(-stop * self._down // self._up) + self._reach + 1
        found = scipy.signal.resample_poly(self._signal.read(first, last), self._up, self._down, window=self._taps)
        before = first // self._down * self._up
        return np.ascontiguousarray(found[start - before : stop - before])


def at_rate(signal: Signal, rate: int) -> Signal:
    """The signal itself where it has that rate already."""
    return signal if signal.rate == rate else Converted(signal, rate)


class Folded:
    """All channels of a signal as so many equal ones: their mean."""

    def __init__(self, signal: Signal, channels: int) -> None:
        self.rate, self.channels, self.frames = signal.rate, channels, signal.frames
        self._signal = signal

    def read(self, start: int, stop: int) -> Frames:
        """As `Signal.read`."""
        mean = self._signal.read(start, stop).mean(axis=1, keepdims=True)
        return np.repeat(mean, self.channels, axis=1)


@dataclass(frozen=True, slots=True)
class Feed:
    """What a channel of the other signal came from: which channel, how much later than the line says, which sign."""

    channel: int
    later: float = 0.0
    sign: float = 1.0


class Placed:
    """A signal moved to where another one has the same sound.

    Parameters
    ----------
    signal : Signal
        At the other's sample rate.
    lines : sequence of Line
        By their place in the other signal, without overlap; zeros between them.
    feeds : sequence of Feed
        One for every channel of the result.
    frames : int
        Length of the other signal.
    """

    def __init__(self, signal: Signal, lines: Sequence[Line], feeds: Sequence[Feed], frames: int) -> None:
        self.rate = signal.rate
        self.channels = len(feeds)
        self.frames = frames
        self.lines = tuple(lines)
        self.feeds = tuple(feeds)
        self._signal = signal

    def read(self, start: int, stop: int) -> Frames:
        """As `Signal.read`."""
        found = np.zeros((stop - start, self.channels), np.float32)
        for line in self.lines:
            first, last = max(start, line.start), min(stop, line.stop)
            if first < last:
                self._fill(found[first - start : last - start], line, first)
        return found

    def moved(self, lines: Sequence[Line]) -> "Placed":
        """The same signal along other lines."""
        return Placed(self._signal, lines, self.feeds, self.frames)

    def _fill(self, out: Frames, line: Line, first: int) -> None:
        places = [line.place(first - feed.later) for feed in self.feeds]
        whole = floor(min(places)) - TAPS // 2
        reach = floor(max(places) + len(out) / line.stretch) + TAPS // 2 + 2
        rows = np.ascontiguousarray(self._signal.read(whole, reach).T)
        for channel, (feed, place) in enumerate(zip(self.feeds, places, strict=True)):
            row = np.empty(len(out), np.float32)
            if line.stretch == 1.0 and place == floor(place):
                row[:] = rows[feed.channel, int(place) - whole :][: len(out)]
            else:
                interpolate(rows[feed.channel], place - whole, 1.0 / line.stretch, _table(), row)
            np.multiply(row, np.float32(feed.sign), out=out[:, channel])


@cache
def _table() -> NDArray[np.float32]:
    """A Kaiser-windowed sinc for every place between two samples, (PHASES + 1, TAPS); each keeps a constant."""
    distance = np.arange(PHASES + 1)[:, None] / PHASES - (np.arange(TAPS) - TAPS // 2 + 1)[None, :]
    window = np.i0(8.0 * np.sqrt(np.maximum(0.0, 1.0 - (2.0 * distance / TAPS) ** 2))) / np.i0(8.0)
    table = np.sinc(distance) * window
    return np.asarray(table / table.sum(axis=1, keepdims=True), np.float32)
