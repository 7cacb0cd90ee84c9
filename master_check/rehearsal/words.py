"""Conversion to shorter words, what it adds, and whether the last bit of a master is noisy already."""

from collections.abc import Iterator
from typing import Final, Literal

import numpy as np

from master_check.decibels import power_decibels
from master_check.measurement.measurement import Measurement
from master_check.rehearsal.feed import Feed, Stream, format_of
from master_check.sound.blocks import hop_edges
from master_check.sound.kept import Frames, Signal
from master_check.tables.rehearsals import Dither

SEED: Final = 1
"""The same file has the same dither every time, and so the same figures."""

QUIET_STEPS: Final = 3.0
"""A passage is quiet where its peak is no more of the word's steps."""

HOPS: Final = 400
FEWEST: Final = 10
"""So many quiet passages of 10 ms are looked at; of fewer nothing can be said."""

ALIKE: Final = 0.7
"""Share of neighbouring samples that are equal in the quietest passages: with TPDF dither about 0.59 at most (a
constant falls on its own step with 3/4 and beside it with 1/8 each: 0.75^2 + 2 x 0.125^2), without it more."""


class Shortened:
    """A feed in shorter words, and the noise that was added once all of it went by."""

    def __init__(self, name: str, feed: Feed, bits: int, dither: Dither) -> None:
        self._feed = feed
        self._bits = bits
        self._dither = dither
        self._error = 0.0
        self.source = Stream(name, format_of(feed, "", f"PCM_{bits}", bits), feed.frames, self._pieces)

    @property
    def noise_dbfs(self) -> float | None:
        """RMS of what was added, over all channels; None where nothing was."""
        return power_decibels(self._error / max(self._feed.frames * self._feed.channels, 1))

    def _pieces(self) -> Iterator[Frames]:
        """TPDF dither of 2 steps peak to peak, then rounding; a word holds no more than full scale."""
        random = np.random.default_rng(SEED)
        steps = 2.0 ** (self._bits - 1)
        self._error = 0.0
        for chunk in self._feed.chunks():
            exact = chunk.astype(np.float64) * steps
            noisy = exact
            if self._dither == "tpdf":
                noisy = exact + random.random(exact.shape) - random.random(exact.shape)
            words = np.clip(np.rint(noisy), -steps, steps - 1.0)
            self._error += float(np.square((words - exact) / steps).sum())
            yield (words / steps).astype(np.float32)


def fits(measurement: Measurement, bits: int) -> bool:
    """Whether a master's words are that short already, so that nothing is lost."""
    used = measurement.values["bits_used"]
    return isinstance(used, int) and used <= bits


def dither_of(signal: Signal, measurement: Measurement) -> Literal["found", "not found"] | None:
    """Whether the last bit in use is noisy in the quietest passages; None where there are none, or no words.

    Dither, or noise of the music's own, keeps neighbouring samples from being equal. Only passages a few steps high
    tell: above them the music itself does.
    """
    bits = measurement.values["bits_used"]
    if not isinstance(bits, int) or bits > 24:  # float32 holds no longer words
        return None
    step = 2.0 ** (1 - bits)
    tops = measurement.series.tops[: measurement.series.channels]
    shares = []
    for channel, row in enumerate(tops):
        quiet = np.flatnonzero((row > 0.0) & (row <= QUIET_STEPS * step))
        for hop in quiet[np.argsort(row[quiet], kind="stable")][:HOPS]:
            start, stop = hop_edges(signal.rate, int(hop), 1)
            words = np.rint(signal.read(int(start), int(stop))[:, channel] / step)
            shares.append(float(np.mean(words[1:] == words[:-1])))
    if len(shares) < FEWEST:
        return None
    return "found" if float(np.median(shares)) <= ALIKE else "not found"
