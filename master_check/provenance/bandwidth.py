"""Where a spectrum ends, and whether it ends where a lower sample rate would have ended it.

A conversion to a higher rate puts nothing above half the lower one: the level falls there within a twentieth of the
frequency, and stays down. Music fades far more slowly. Material that is dark already has nothing to fall from: then
nothing can be said.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.provenance.passages import LENGTH, Passage

WINDOW: Final = np.asarray(np.kaiser(LENGTH, 20.0), np.float32)
"""Its side lobes are 150 dB down, below the floor of 24 bits."""

SMOOTHED: Final = 15
"""Bins whose mean power is one level."""

LOWEST_HZ: Final = 2000.0

WITHIN: Final = 0.06
"""The level has to fall within this share of the frequency, from the median of as much below."""

FALL_DB: Final = 20.0
"""A fall by so much is an end."""

RATES: Final = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
"""Rates that files are converted from. Lower ones end where a low-pass or an encode may too."""

UNDER: Final = (0.9, 0.945)
"""Shares of half the lower rate between which converters still keep something."""

LAST: Final = (0.945, 0.955)
LAST_DB: Final = 6.0
"""Shares of it between which the level is still above what is over: an MP3's own low-pass, at 20 kHz and a little more,
would have ended it."""

OVER: Final = 1.005
BLURRED: Final = 14
TOP: Final = 1.08
"""Shares of it between which they keep nothing; the first bins are blurred by the window."""

STEP_DB: Final = 15.0
"""Least step from under to over: no music and no gentle filter falls so fast."""

NEAR: Final = 0.85
NEAR_STEP_DB: Final = 40.0
EARLY: Final = 0.985
EARLY_STEP_DB: Final = 20.0
"""Where the lower rate is so near, the file's own filter may begin to fall there: the step has to be larger, or over
already at a lower frequency."""

FLAT_DB: Final = 6.0
FLAT: Final = 1.025
"""What is over has to be flat, its beginning no higher than the rest: the file's own filter would still be falling."""

SOME_DB: Final = 6.0
"""A step that may be half the lower rate's, but is too small to be told."""


@dataclass(frozen=True, slots=True)
class SpectrumEnd:
    """Where the level falls and stays down.

    Attributes
    ----------
    hz : float
        Where half the fall is done, in decibels.
    drop_db : float
        From the level just below to the highest level above.
    """

    hz: float
    drop_db: float


def spectrum(passages: Sequence[Passage], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies in Hz and levels in dB (any reference) of the mean power of passages, all channels together."""
    powers = np.zeros(LENGTH // 2 + 1)
    for passage in passages:
        powers += np.square(np.abs(np.fft.rfft(passage.samples * WINDOW))).sum(axis=0)
    powers = np.convolve(powers, np.full(SMOOTHED, 1.0 / SMOOTHED), "same")
    levels = 10.0 * np.log10(np.maximum(powers / max(1, len(passages)), 1e-20))
    return np.arange(len(levels)) * rate / LENGTH, levels


def spectrum_end(hz: NDArray[np.float64], levels: NDArray[np.float64]) -> SpectrumEnd | None:
    """Where a spectrum falls by `FALL_DB` or more and stays down; the largest such fall. None where there is none."""
    above = np.maximum.accumulate(levels[::-1])[::-1]
    best = None
    for at in range(int(np.searchsorted(hz, LOWEST_HZ)), len(hz) - SMOOTHED, SMOOTHED // 3):
        below = levels[round(at * (1.0 - 2.0 * WITHIN)) : round(at * (1.0 - WITHIN))]
        drop = float(np.median(below)) - float(above[at])
        if drop >= FALL_DB and (best is None or drop > best[1]):
            best = at, drop
    if best is None:
        return None
    at, drop = best
    half_way = float(above[at]) + drop / 2.0
    while levels[at] < half_way:
        at -= 1
    return SpectrumEnd(float(hz[at]), drop)


@dataclass(frozen=True, slots=True)
class RateStep:
    """What the spectrum says about a lower sample rate.

    Attributes
    ----------
    rate : int or None
        The rate that the file was converted from; None where nothing is found.
    step_db : float
        How much less there is above half that rate than below.
    dark : bool
        For one of the lower rates there is too little below its half to tell.
    """

    rate: int | None
    step_db: float
    dark: bool


def converted_from(hz: NDArray[np.float64], levels: NDArray[np.float64], rate: int, floor_db: float) -> RateStep:
    """Whether a file of this rate was converted from a lower one.

    floor_db is the level of the dither, in the levels' reference: what is close to it leaves nothing to be told.
    """
    best, dark = RateStep(None, 0.0, False), False
    for lower in (lower for lower in RATES if lower < 0.97 * rate):
        half = lower / 2.0
        under = float(np.median(levels[(hz >= UNDER[0] * half) & (hz < UNDER[1] * half)]))
        step, flat = _step(hz, levels, under, max(OVER * half, half + BLURRED * float(hz[1])), half, rate)
        enough = STEP_DB
        if lower > NEAR * rate:
            early, early_flat = _step(hz, levels, under, EARLY * half, half, rate)
            enough = NEAR_STEP_DB
            if early_flat and early >= EARLY_STEP_DB:
                step, flat, enough = early, True, EARLY_STEP_DB
        last = float(np.median(levels[(hz >= LAST[0] * half) & (hz < LAST[1] * half)]))
        if flat and step >= enough and last - (under - step) >= LAST_DB:
            if step > best.step_db:
                best = RateStep(lower, step, False)
        elif under - floor_db < enough or (flat and step >= SOME_DB):
            dark = True
    return best if best.rate else RateStep(None, 0.0, dark)


def _step(
    hz: NDArray[np.float64], levels: NDArray[np.float64], under: float, start: float, half: float, rate: int
) -> tuple[float, bool]:
    """How far the level falls from under half a rate to what is over a frequency, and whether that is flat."""
    end = min(TOP * half, 0.495 * rate)
    over = levels[(hz >= start) & (hz < end)]
    beginning = levels[(hz >= start) & (hz < min(start * FLAT, end))]
    return under - float(over.max()), float(beginning.max() - np.median(over)) <= FLAT_DB


def dither_level(bits: int, channels: int) -> float:
    """The level in a spectrum of TPDF dither of words of so many bits, in all channels together."""
    power = 4.0 ** (1 - bits) / 4.0  # of words whose step is 2^(1 - bits)
    return float(10.0 * np.log10(channels * power * np.square(WINDOW).sum()))
