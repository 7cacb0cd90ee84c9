"""True peak: the highest point of the waveform between the samples, and the places where it passes full scale.

ITU-R BS.1770-5, Annex 2: four-times oversampling, then the absolute value. The standard's example filter has 12
taps a phase and reads low near the top of the band; here a short interpolator (48 taps a phase) finds every
candidate, a medium one (256) finds its top and a long one (4096) reads it, all windowed sincs, so that what is read
is that of ideal four-times interpolation within thousandths of a decibel on music and a twentieth on white noise.
Spans that provably cannot matter are skipped.
"""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels
from master_check.meters import MOST_PLACES, Reading, places
from master_check.meters.true_peak_kernels import SPAN, scan
from master_check.sound.blocks import PAST, Block, blocks_of
from master_check.sound.format import AudioFormat

PHASES: Final = 4
SHORT: Final = 48
MEDIUM: Final = 256
LONG: Final = 4096
"""Taps a phase."""

APART_S: Final = 0.001
"""An over ends where no point above full scale follows for so long."""

_LAG: Final = LONG // 2
"""Samples after a point that the long interpolator needs: points are read that much later."""


def interpolator(taps: int, beta: float) -> NDArray[np.float32]:
    """Kaiser-windowed sinc for the three points between two samples.

    Returns
    -------
    (3, taps) float32
        Row p holds the weights of samples -taps/2 + 1 to taps/2 for the point (p + 1) / 4 after sample 0.
    """
    distance = (np.arange(1, PHASES)[:, None] / PHASES) - (np.arange(taps) - taps // 2 + 1)[None, :]
    window = np.i0(beta * np.sqrt(np.maximum(0.0, 1.0 - (2.0 * distance / taps) ** 2))) / np.i0(beta)
    return (np.sinc(distance) * window).astype(np.float32)


@cache
def _tables() -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], float, float]:
    short, medium, long = interpolator(SHORT, 4.0), interpolator(MEDIUM, 3.0), interpolator(LONG, 2.0)
    return short, medium, long, *bounds(short)


def bounds(taps: NDArray[np.float32]) -> tuple[float, float]:
    """What limits an interpolator's output.

    Returns
    -------
    gain : float
        Largest sum of |taps|: output <= gain x largest sample in reach.
    bend : float
        Output <= largest sample x (1 + the taps' sum's error) + bend x largest second difference in reach. Taps
        minus straight-line interpolation, summed up twice, are the weights on second differences.
    """
    table = taps.astype(np.float64)
    width = table.shape[1]
    bend = 0.0
    for phase, row in enumerate(table, start=1):
        rest = row / row.sum()
        rest[width // 2 - 1] -= 1.0 - phase / PHASES
        rest[width // 2] -= phase / PHASES
        bend = max(bend, float(np.abs(np.cumsum(np.cumsum(rest))).sum()))
    return float(np.abs(table).sum(axis=1).max()), bend


class TruePeakMeter:
    """True peak and overs of every channel."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        # Peak, its sample number, first over's, last sample of the last over, overs: what `scan` keeps for a channel.
        self._states = np.zeros((format.channels, 5))
        self._states[:, 3] = -np.inf
        self._places = np.zeros((format.channels, MOST_PLACES))
        self._tail = np.zeros((format.channels, PAST + _LAG + 2 * SPAN), np.float32)
        self._next = -_LAG  # sample number of the first point not yet read
        self._end = 0

    def feed(self, block: Block) -> None:
        # Whole spans, counted from the file's start: what is found depends on where they lie, and must not on blocks.
        self._end = block.start + block.length
        last = (self._end - _LAG) // SPAN * SPAN
        for row, state, places_ in zip(block.buffer, self._states, self._places, strict=True):
            self._scan(row, PAST - block.start, last, state, places_)
        self._tail[:, :PAST] = block.buffer[:, block.length : block.length + PAST]
        self._next = last

    def _scan(
        self, row: NDArray[np.float32], zero: int, last: int, state: NDArray[np.float64], places_: NDArray[np.float64]
    ) -> None:
        """Read the points from the next one up to sample number `last`; `row[zero]` is the file's first sample."""
        short, medium, long, gain, bend = _tables()
        first, apart = self._next, APART_S * self._rate
        reach = np.empty((2, -(-(last - first) // SPAN) + 2), np.float32)
        work = np.zeros((4, SPAN + 2), np.float32)
        scan(
            row, row.view(np.int32), zero + first, zero + last, first, short, medium, long, gain, bend, apart,
            reach, reach.view(np.int32), work, work.view(np.int32), state, places_,
        )  # fmt: skip

    def peaks(self) -> NDArray[np.float64]:
        """True peak of every channel so far, linear."""
        # The last points wait for samples that do not come; zeros stand for them.
        states = self._states.copy()
        found = self._places.copy()
        for row, state, places_ in zip(self._tail, states, found, strict=True):
            self._scan(row, PAST - self._end, self._end, state, places_)
        self._final, self._final_places = states, found
        return np.asarray(states[:, 0])

    def result(self) -> Reading:
        peaks = self.peaks()
        overs = self._final[:, 4].astype(int)
        at_s: dict[str, float] = {}
        if peaks.max() > 0.0:
            at_s["true_peak_dbtp"] = max(0.0, float(self._final[int(np.argmax(peaks)), 1])) / self._rate
        if overs.any():
            at_s["true_peak_over_runs"] = max(0.0, float(self._final[overs > 0, 2].min())) / self._rate
        return Reading(
            {"true_peak_dbtp": decibels(float(peaks.max())), "true_peak_over_runs": int(overs.sum())},
            at_s,
            tuple(
                {"true_peak_dbtp": decibels(float(peak)), "true_peak_over_runs": int(count)}
                for peak, count in zip(peaks, overs, strict=True)
            ),
            {"true_peak_over_runs": places(zip(np.maximum(self._final_places, 0.0), overs, strict=True), self._rate)},
        )


def true_peak(frames: NDArray[np.float32], rate: int = 48_000) -> NDArray[np.float64]:
    """True peak of samples in memory.

    Parameters
    ----------
    frames : (n, channels) float32
        Full scale is 1.0.
    rate : int
        Hz; moves no peak.

    Returns
    -------
    (channels,) float64
        Linear, 1.0 is 0 dBTP.
    """
    meter = TruePeakMeter(AudioFormat("", "", rate, frames.shape[1]))
    for block in blocks_of(frames, rate):
        meter.feed(block)
    return meter.peaks()
