"""The noise floor of a stem, from those of its gaps that are steady.

A gap is where no gating block of BS.1770 passes. What is in it may be noise, but also a note that dies away, another
instrument through the same microphone, or a quiet passage. It counts as noise where it keeps its level for 1.2 s, and
is neither as loud as what is played nor made of notes. Common practice; no standard defines it.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels, power_decibels_each
from master_check.meters.loudness import GATING_STEP, MOMENTARY
from master_check.stem.heard import Heard

Gaps = Literal["steady", "not steady", "digital silence", "none"]

SHORTEST: Final = 9
"""Gating blocks of a steady gap: 1.2 s."""

STEADY_DB: Final = 2.0
"""What lies above `LOW_HZ` keeps its level within this. A reverb of 10 s falls by 5 dB in that time."""

LOW_HZ: Final = 100.0
LOW_STEADY_DB: Final = 10.0
"""Rumble is a noise of few Hz, whose level over 400 ms is never steady."""

ALIKE_DB: Final = 3.0
"""Steady gaps within this of the quietest are of the same noise."""

BELOW_DB: Final = 20.0
"""Noise is at least this far below what is played."""

NOTES: Final = 0.25
"""More of the power above `LOW_HZ` than this in lines, other than those of mains hum: notes, not noise."""

MAINS_HZ: Final = (50.0, 60.0)
HARMONICS_HZ: Final = 500.0
"""Hum has most of its lines below."""

LINE_DB: Final = 10.0
APART_HZ: Final = 10.0
APART: Final = 0.08
"""A line stands out this much over what lies this far to either side: Hz, or share of its frequency."""

FULL: Final = 1e-15
"""-150 dBFS: less is digital silence, whatever a transform makes of zeros."""


@dataclass(frozen=True, slots=True)
class NoiseFloor:
    """What was found in the gaps.

    Attributes
    ----------
    gaps : str
        What they hold.
    dbfs : float or None
        RMS of the noise, a sine of full scale reads 0; None where no gap is steady.
    spectrum : (columns,) float64
        Its mean power, zero where there is none.
    """

    gaps: Gaps
    dbfs: float | None
    spectrum: NDArray[np.float64]


def noise_floor(heard: Heard) -> NoiseFloor:
    """The noise in the gaps of a stem."""
    nothing = np.zeros(len(heard.columns.hz))
    gaps = np.flatnonzero(_gaps(heard))
    if not len(gaps):
        return NoiseFloor("none", None, nothing)
    high = heard.columns.hz >= LOW_HZ
    powers = heard.steps[gaps].astype(np.float64)
    above, below = powers[:, high].sum(axis=1), powers[:, ~high].sum(axis=1)
    if powers.sum(axis=1).max() < FULL:
        return NoiseFloor("digital silence", None, nothing)
    if len(gaps) < SHORTEST:
        return NoiseFloor("none", None, nothing)
    whole = gaps[SHORTEST - 1 :] - gaps[: 1 - SHORTEST] == SHORTEST - 1  # no playing between
    steady = whole & (_range_db(above) <= STEADY_DB) & (_range_db(below) <= LOW_STEADY_DB)
    steady &= _windows(powers.sum(axis=1)).min(axis=1) >= FULL
    kept = _lowest(steady, power_decibels_each(_windows(above).mean(axis=1)))
    places = gaps[kept]
    spectrum = heard.steps[places].astype(np.float64).mean(axis=0) if len(places) else nothing
    if not len(places) or _is_played(spectrum, high, heard):
        return NoiseFloor("not steady", None, nothing)
    # The middles of the blocks, 100 ms each: what a Hann window hears most.
    hops = (places[:, None] * GATING_STEP + (MOMENTARY - GATING_STEP) // 2 + np.arange(GATING_STEP)).ravel()
    return NoiseFloor("steady", power_decibels(float(heard.hops[hops].mean())), spectrum)


def _gaps(heard: Heard) -> NDArray[np.bool_]:
    """Blocks that share no sample with one that passes."""
    reach = MOMENTARY // GATING_STEP
    near = np.convolve(heard.passing, np.ones(2 * reach - 1))[reach - 1 : reach - 1 + len(heard.passing)]
    return np.asarray(near < 0.5)


def _windows(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.lib.stride_tricks.sliding_window_view(levels, SHORTEST)


def _range_db(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    levels = power_decibels_each(np.maximum(powers, FULL))
    return np.asarray(np.ptp(_windows(levels), axis=1))


def _lowest(steady: NDArray[np.bool_], levels: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which gap blocks lie in steady windows about as quiet as the quietest, (blocks,)."""
    kept = np.zeros(len(steady) + SHORTEST - 1, np.bool_)
    if steady.any():
        taken = steady & (levels <= levels[steady].min() + ALIKE_DB)
        for start in np.flatnonzero(taken):
            kept[start : start + SHORTEST] = True
    return kept


def _is_played(spectrum: NDArray[np.float64], high: NDArray[np.bool_], heard: Heard) -> bool:
    """Too loud for noise, or made of notes."""
    if spectrum.sum() > heard.level * 10.0 ** (-BELOW_DB / 10.0):
        return True
    hz = heard.columns.hz
    mains = [np.abs(hz - base * np.rint(hz / base)) <= heard.columns.width_hz for base in MAINS_HZ]
    notes = lines(spectrum[None], heard)[0] & ~((mains[0] | mains[1]) & (hz < HARMONICS_HZ))
    spread = np.convolve(notes, np.ones(5), "same") > 0.5  # a Hann window's line is as wide
    return bool(spectrum[spread & high].sum() > NOTES * spectrum[high].sum())


def lines(powers: NDArray[np.floating], heard: Heard) -> NDArray[np.bool_]:
    """Where spectra (n, columns) have a narrow line, (n, columns): a peak well above what lies to either side."""
    hz = heard.columns.hz
    density = powers / heard.columns.bins.astype(powers.dtype)
    apart = np.maximum(APART_HZ, APART * hz)
    around = np.maximum(density[:, heard.columns.at(hz - apart)], density[:, heard.columns.at(hz + apart)])
    stands = density > around * density.dtype.type(10.0 ** (LINE_DB / 10.0))
    stands[:, 1:] &= density[:, 1:] >= density[:, :-1]
    stands[:, :-1] &= density[:, :-1] >= density[:, 1:]
    stands[:, hz < 2.0 * APART_HZ] = False
    return np.asarray(stands)
