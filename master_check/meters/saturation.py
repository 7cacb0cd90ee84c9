"""Saturation of each side, from one file alone, as the THD that the same curve gives a sine of the side's peak level.

A curve that bends a wave multiplies the treble that rides on it by its slope: 5 % THD takes 1.6 dB off the highest
peak, but 5 dB off the treble there. So of every half-cycle of the bass (below 1.25 kHz, 20 to 333 Hz long) the power
of the treble at its crest is held against that at its feet, which takes out how loud both are; half-cycles of other
heights show what music does by itself. The slope 1 - c y^2 is fitted to that, which is tanh's in terms of its output y
(y in peaks), for each of four bands and each polarity on its own. A curve does the same to all bands, and a symmetrical
one to both polarities. What comes from the music, such as overtones that are locked to the bass, does not: so the
lower bound is as far below the mean as the bands differ, besides what chance makes of it (95 %, by leaving out a tenth
of the time in turn). Where the polarities differ by more than that, the curve is an asymmetrical one, of slope
1 - b y - c y^2.

Only the loudest seconds of each side are looked at, `SECONDS` of them: a curve bends what is loud. The peak level is
the one that a sample in 10,000 is above, as in the comparison with a premaster. No standard defines such a figure.

What it cannot tell: music whose overtones grow with its bass in all bands alike reads wrongly either way, steady
synthetic sounds most; a compressor so fast that it follows the half-cycles of bass is a curve, and reads as one; an
encode at a low rate blurs the treble over several milliseconds and hides a curve.
"""

import heapq
from dataclasses import dataclass
from functools import cache
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from master_check.meters import Reading
from master_check.meters.saturation_kernels import (
    LONGEST,
    NOTHING,
    OWN,
    PER_BAND,
    SHORTEST,
    add_up,
    energies,
    half_cycles,
)
from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat

Floats = NDArray[np.float64]

SECONDS: Final = 16
"""Seconds of each side that are looked at: the loudest ones."""

FEWEST: Final = 3
"""Seconds with sound below which there is no telling."""

PEAK: Final = 1e-4
"""Share of a side's samples above its peak level."""

FEW: Final = 50

LOW_HZ: Final = 1250
BANDS: Final = ((2500, 4500), (5000, 8000), (8000, 12_000), (12_000, 16_000))
EDGE_HZ: Final = 250
"""Filters fall from 1 to 0 over so many Hz (raised cosine): a steeper one rings from the crest into the feet."""

UPPERMOST: Final = 0.46
"""Of the sample rate: what is above belongs to filters of converters."""

POINTS: Final = 4000
"""Samples of a second of the bass, and of the power in each band."""

LEAST: Final = 0.05
"""Height of a half-cycle, in peaks, below which it is left out."""

ENOUGH: Final = 60
"""Half-cycles of a polarity below which its bands say nothing."""

UNEVEN: Final = 6.0 * np.log(10.0) / 10.0
"""Half-cycles before and after which the power differs by more than this (6 dB) are at an attack, and left out."""

SPREAD: Final = 0.5
"""Variance of the logarithm of power, beside that of chance, by which music differs between half-cycles."""

GROUPS: Final = 10
"""Parts of the time, each left out in turn."""

HEIGHTS: Final = 32
"""Steps of height, up to 1.6 peaks."""

CURVES: Final = np.concatenate([-np.linspace(1.0, 0.05, 20), np.linspace(0.0, 0.98, 50)])
"""Values of c that are tried."""

BLURRED: Final = 0.85
"""Share of c that is left: the filters carry treble from the feet to the crest and back (measured on tanh of 3 and 5 %,
the same on synthesised and on recorded music)."""

SPREAD_OF_MUSIC: Final = 0.1
"""Standard deviation of c that each band and polarity has at least."""

DEVIATIONS: Final = 1.645
"""One-sided 95 %."""

SKEW: Final = 0.4
"""Share of the difference in c between polarities that b is (measured on an asymmetrical tanh of 5 %)."""

SAME: Final = 0.6
"""The lower bound of c lies so many times the standard deviation between bands and polarities below the mean, ..."""

OTHER: Final = 1.0
"""... that of b, the difference between polarities, so many times the one between bands, ..."""

DEAD_ZONE: Final = 0.05
"""... and so much in b."""


@dataclass(frozen=True, slots=True)
class Saturation:
    """THD of a side at its own peak level, and its lower bound (95 %), in percent."""

    percent: float
    low_percent: float


class SaturationMeter:
    """Saturation of left, right, middle and sides of stereo, and of mono; other layouts have none."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._bands = tuple(band for band in BANDS if band[0] + 1000 <= UPPERMOST * format.rate)
        self._sides = ("left", "right", "mid", "side") if format.stereo else ("mid",) if format.channels == 1 else ()
        self._second = np.zeros((2 if format.stereo else 1, format.rate), np.float32)
        self._filled = 0
        self._seconds = 0
        self._energy = np.zeros(4)
        # Of each side the loudest seconds: energy, minus the second's number (of equal ones the first), its samples.
        self._loudest: list[list[tuple[float, int, NDArray[np.float32]]]] = [[] for _ in self._sides]

    def feed(self, block: Block) -> None:
        if not self._sides:
            return
        taken = 0
        while taken < block.length:
            share = min(block.length - taken, self._rate - self._filled)
            rows = block.frames[: len(self._second), taken : taken + share]
            self._second[:, self._filled : self._filled + share] = rows
            taken += share
            self._filled += share
            if self._filled == self._rate:
                self._keep()
                self._filled = 0

    def _keep(self) -> None:
        """Keep this second for the sides that it is among the loudest of."""
        energies(self._second[0], self._second[-1], self._energy)
        kept: NDArray[np.float32] | None = None
        for loudest, energy in zip(self._loudest, self._energy.tolist(), strict=False):
            if energy == 0.0 or (len(loudest) == SECONDS and energy <= loudest[0][0]):
                continue
            if kept is None:
                kept = self._second.copy()
            (heapq.heappushpop if len(loudest) == SECONDS else heapq.heappush)(loudest, (energy, -self._seconds, kept))
        self._seconds += 1

    def result(self) -> Reading:
        parts = self._parts()
        values: dict[str, float | int | None] = {}
        for side in self._sides:
            found = _saturation(parts[side], self._bands) if side in parts else None
            values[f"saturation_{side}_percent"] = found.percent if found else None
            values[f"saturation_{side}_low_percent"] = found.low_percent if found else None
        return Reading(values)

    def _parts(self) -> dict[str, list[Floats]]:
        """The half-cycles of each side's loudest seconds, in the order of time. Sides share seconds and transforms."""
        wanted: dict[int, list[tuple[str, float]]] = {}
        frames_of: dict[int, NDArray[np.float32]] = {}
        for side, loudest in zip(self._sides, self._loudest, strict=True):
            if len(loudest) < FEWEST or len(self._bands) < 2:
                continue
            peak = self._peak([_side(frames, side) for _, _, frames in loudest])
            for _, number, frames in loudest if peak > 0.0 else []:
                frames_of[-number] = frames
                wanted.setdefault(-number, []).append((side, peak))
        parts: dict[str, list[Floats]] = {}
        for number in sorted(wanted):
            lines = spectra(frames_of[number])
            for side, peak in wanted[number]:
                parts.setdefault(side, []).append(half_cycles_of(_side(lines, side), peak, self._rate, self._bands))
        return parts

    def _peak(self, seconds: list[NDArray[np.float32]]) -> float:
        """The level that one sample in 10,000 of all of the side exceeds."""
        samples = np.abs(np.concatenate(seconds))
        rank = min(max(round(PEAK * self._rate * self._seconds), 1), samples.size)
        # No lower than that of the highest of every few samples, which are soon sorted.
        highest = samples[: len(samples) // FEW * FEW].reshape(-1, FEW).max(axis=1)
        if rank < len(highest):
            samples = samples[samples >= np.partition(highest, -rank)[-rank]]
        return float(np.partition(samples, -rank)[-rank])


Samples = TypeVar("Samples", np.float32, np.complex64)


def _side(frames: NDArray[Samples], side: str) -> NDArray[Samples]:
    """The samples or the lines of a side, of those of all channels."""
    left, right = frames[0], frames[-1]
    if side in ("left", "right"):
        return np.asarray(left if side == "left" else right)
    return np.asarray(np.float32(0.5) * (left + right if side == "mid" else left - right))


def spectra(second: NDArray[np.float32]) -> NDArray[np.complex64]:
    """The lines of a second of every channel, one every Hz: (channels, samples) to (channels, lines)."""
    return np.asarray(np.fft.rfft(second))


def _saturation(parts: list[Floats], bands: tuple[tuple[int, int], ...]) -> Saturation | None:
    """Saturation of a side, of the half-cycles of its seconds; None where too little goes through its peaks."""
    group = np.repeat(np.arange(len(parts)) * GROUPS // len(parts), [len(part) for part in parts])
    found = np.concatenate(parts)
    fits: list[list[tuple[float, float]]] = [[], []]
    for polarity, sign in enumerate((1.0, -1.0)):
        own = found[:, 0] * sign > 0.0
        for band in range(len(bands)):
            fit = _fit(found[own], band, bands[band], group[own])
            if fit is not None:
                fits[polarity].append(fit)
    return _decided(np.array(fits[0]).reshape(-1, 2), np.array(fits[1]).reshape(-1, 2))


def half_cycles_of(lines: NDArray[np.complex64], peak: float, rate: int, bands: tuple[tuple[int, int], ...]) -> Floats:
    """Every half-cycle of a second, of its lines: a row each, as the kernel gives them. `peak` counts as 1."""
    scale = np.float32(POINTS / rate / peak)
    low = np.zeros(POINTS // 2 + 1, np.complex64)
    reach = LOW_HZ + EDGE_HZ // 2
    low[1:reach] = scale * lines[1:reach] * _fade(1, reach, 0, LOW_HZ)
    wave = np.asarray(np.fft.irfft(low), np.float32)
    moved = np.zeros((len(bands), POINTS), np.complex64)
    for row, (bottom, top) in zip(moved, bands, strict=True):
        upper = min(top, int(UPPERMOST * rate))
        first, last = bottom - EDGE_HZ // 2, min(upper + EDGE_HZ // 2, rate // 2)
        band = scale * lines[first:last] * _fade(first, last, bottom, upper)
        # Moved down to 0 Hz, which changes no power. Lines beyond `POINTS` fold onto the first: far down, both of them.
        row[: len(band)] = band[:POINTS]
        row[: max(len(band) - POINTS, 0)] += band[POINTS:]
    envelopes = np.asarray(np.fft.ifft(moved), np.complex64)
    sums = np.empty((1 + len(bands), 1 + POINTS))
    add_up(wave, envelopes.view(np.float32), sums)
    found = np.empty((POINTS // SHORTEST, OWN + PER_BAND * len(bands)))
    return found[: half_cycles(wave, sums, LEAST, found)]


@cache
def _fade(first: int, last: int, bottom: int, top: int) -> NDArray[np.float32]:
    """A filter's response from `first` to `last` Hz: 1 from `bottom` to `top`, half the power at both."""
    hz = np.arange(first, last)
    rise = np.clip((hz - bottom) / EDGE_HZ + 0.5, 0.0, 1.0) if bottom else np.ones(len(hz))
    fall = np.clip((top - hz) / EDGE_HZ + 0.5, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2, np.float32)


@cache
def _chance(width: int) -> tuple[Floats, Floats]:
    """What the logarithm of the mean of n samples of noise's power is off, and its variance; n from 0 on.

    The power of noise in a band has two degrees of freedom for every Hz and second: the logarithm of its mean is off by
    digamma(k) - log(k), with variance trigamma(k), k half the degrees of freedom.
    """
    half = np.maximum(np.arange(4 * LONGEST) * width / POINTS, 0.25)
    steps = half[:, None] + np.arange(6)
    far = half + 6.0
    off = np.log(far) - 0.5 / far - 1.0 / (12.0 * far**2) - (1.0 / steps).sum(axis=1) - np.log(half)
    variance = 1.0 / far + 0.5 / far**2 + 1.0 / (6.0 * far**3) + (1.0 / steps**2).sum(axis=1)
    return off, variance


def _fit(found: Floats, band: int, edges: tuple[int, int], group: NDArray[np.int64]) -> tuple[float, float] | None:
    """The c of one band and polarity, and its standard deviation by chance; None where there is too little."""
    off, variance = _chance(edges[1] - edges[0])
    samples = found[:, 3:6].astype(np.int64)
    own = found[:, OWN + PER_BAND * band :][:, :PER_BAND]
    # Where little follows much, their sums differ by nothing: power counts as no less than the kernel says.
    logs = np.log(np.maximum(own, NOTHING))
    crest, before, after = (logs[:, :3] - off[samples]).T
    even = (np.abs(before - after) < UNEVEN) & (np.abs(logs[:, 3] - logs[:, 4]) < UNEVEN)
    if np.count_nonzero(even) < ENOUGH:
        return None
    contrast = (crest - 0.5 * (before + after))[even]
    of = variance[samples[even]]
    spread = of[:, 0] + 0.25 * (of[:, 1] + of[:, 2]) + SPREAD
    middle = np.partition(contrast, len(contrast) // 2)[len(contrast) // 2]
    away = np.abs(contrast - middle) / np.sqrt(spread)
    weight = np.minimum(1.0, 2.0 / np.maximum(away, 1e-9)) / spread
    height = np.minimum((np.abs(found[even, 0]) * 20.0).astype(np.int64), HEIGHTS - 1)
    place = group[even] * HEIGHTS + height
    size = GROUPS * HEIGHTS
    sums = np.stack([np.bincount(place, weight * x, size) for x in (np.ones(len(place)), contrast)])
    sums = sums.reshape(2, GROUPS, HEIGHTS)
    squares = np.stack([np.bincount(height, weight * found[even, k], HEIGHTS) for k in (1, 2)])
    total = np.maximum(sums[0].sum(axis=0), 1e-12)
    used = np.flatnonzero(sums[0].any(axis=1))
    # All of the time first, then all but each part of it.
    without = np.concatenate([sums.sum(axis=1, keepdims=True), sums.sum(axis=1, keepdims=True) - sums[:, used]], axis=1)
    c = _least_squares(without[0], without[1], squares / total) / BLURRED
    left_out = c[1:]
    return float(c[0]), float(np.sqrt(max(len(used) - 1, 1) * left_out.var())) if len(used) > 1 else 1.0


def _least_squares(weight: Floats, weighted: Floats, squares: Floats) -> Floats:
    """The c under which contrasts by height are explained best, a row each.

    Parameters
    ----------
    weight, weighted : (rows, heights) float
        Weights, and contrasts times weights, added up.
    squares : (2, heights) float
        Mean squares of the bass at crest and feet.
    """
    slope = np.log(np.maximum(1.0 - CURVES[:, None, None] * squares, 0.02))
    shape = 2.0 * (slope[:, 0] - slope[:, 1])  # (curves, heights)
    all_weights = np.maximum(weight.sum(axis=1), 1e-12)[:, None]
    mean = weight @ shape.T / all_weights
    square = weight @ (shape**2).T - mean**2 * all_weights
    product = weighted @ shape.T - mean * weighted.sum(axis=1)[:, None]
    misfit = square - 2.0 * product
    best = np.clip(misfit.argmin(axis=1), 1, len(CURVES) - 2)
    rows = np.arange(len(best))
    x = CURVES[best[:, None] + np.arange(-1, 2)]
    y = misfit[rows[:, None], best[:, None] + np.arange(-1, 2)]
    # The lowest point of the parabola through the best three.
    left, right = (y[:, 1] - y[:, 0]) / (x[:, 1] - x[:, 0]), (y[:, 2] - y[:, 1]) / (x[:, 2] - x[:, 1])
    bend = np.maximum((right - left) / (x[:, 2] - x[:, 0]), 1e-12)
    lowest = 0.5 * (x[:, 0] + x[:, 1]) - left / (2.0 * bend)
    return np.asarray(np.clip(lowest, x[:, 0], x[:, 2]))


def _decided(up: Floats, down: Floats) -> Saturation | None:
    """From c and its deviation of every band, positive and negative half-cycles apart."""
    both = np.concatenate([up, down])
    if min(len(up), len(down)) < 1 or len(both) < 3:
        return None
    both = both[np.lexsort(both.T)]  # the same sums to the last bit with the polarity turned round
    mean, spread, chance = _mean(both)
    low = mean - SAME * spread - DEVIATIONS * chance
    (mean_up, spread_up, chance_up), (mean_down, spread_down, chance_down) = _mean(up), _mean(down)
    doubt = OTHER * np.hypot(spread_up, spread_down) + DEVIATIONS * np.hypot(chance_up, chance_down)
    skew = SKEW * abs(mean_up - mean_down)
    low_skew = skew - SKEW * float(doubt) - DEAD_ZONE
    low_percent = max(distortion_percent(low, 0.0), distortion_percent(0.0, low_skew))
    if low_percent == 0.0:
        return Saturation(0.0, 0.0)
    return Saturation(max(distortion_percent(mean, skew if low_skew > 0.0 else 0.0), low_percent), low_percent)


def _mean(fits: Floats) -> tuple[float, float, float]:
    """Mean of c, its standard deviation between fits, and that of the mean by chance."""
    weight = 1.0 / (fits[:, 1] ** 2 + SPREAD_OF_MUSIC**2)
    mean = float(weight @ fits[:, 0] / weight.sum())
    freedom = max(len(fits) - 1, 1) / len(fits)
    spread = float(np.sqrt(weight @ (fits[:, 0] - mean) ** 2 / (weight.sum() * freedom)))
    return mean, spread, float(1.0 / np.sqrt(weight.sum()))


def distortion_percent(even: float, odd: float) -> float:
    """THD of a sine through the curve of slope 1 - odd y - even y^2 in terms of its output y, the highest at 1.

    `even` is the part of the slope that is alike on both sides of zero, `odd` the other; below 0 they count as 0.

    Examples
    --------
    >>> x = np.tanh(np.arctanh(0.5) * np.sin(2.0 * np.pi * np.arange(64) / 64.0))  # slope 1 - y^2, peak at 0.5
    >>> lines = np.abs(np.fft.rfft(x))
    >>> round(float(100.0 * np.linalg.norm(lines[2:]) / lines[1]), 3) == round(distortion_percent(0.25, 0.0), 3)
    True
    """
    even, odd = max(0.0, even), max(0.0, odd)
    if even == 0.0 and odd == 0.0:
        return 0.0
    y = np.linspace(-1.0, 1.0, 2001)
    steepness = 1.0 / np.maximum(1.0 - odd * y - even * y * y, 0.01)
    x = np.concatenate([[0.0], np.cumsum(0.5 * (steepness[1:] + steepness[:-1]) * np.diff(y))])
    x -= x[1000]
    # The lower of the two ends of the input reaches its end of the output first.
    wave = np.interp(min(x[-1], -x[0]) * np.sin(2.0 * np.pi * np.arange(1024) / 1024.0), x, y)
    lines = np.abs(np.fft.rfft(wave))
    return float(100.0 * np.sqrt(np.sum(lines[2:] ** 2)) / lines[1])
