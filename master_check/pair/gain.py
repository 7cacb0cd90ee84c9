"""The gain of a chain over time, from what it made of the energy in bands.

What is left of equalising is the same at all times, and the gain is the same in all bands: level changes in dB, bands
by steps, are taken for the sum of the two (least squares, in turns). A band that does not follow the others, as one
that a high-pass delays, counts for less. Bass that only plays while the gain is down is told from a bass cut that way.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from master_check.decibels import power_decibels_each, power_of
from master_check.pair.followed import STEP_S

Floats = NDArray[np.float64]

WINDOW_S: Final = 0.05
"""Gain is followed in windows of 50 ms every 10 ms: short enough for a limiter's work, long enough for bass."""

PLAYING_DB: Final = -40.0
"""Windows quieter than this against the loudest in the same band say nothing about gain, ..."""

FAINT_DB: Final = -30.0
"""... nor do those of bands in which next to nothing plays, against the loudest window of all, ..."""

NEAR_S: Final = 0.1
SMEARED_DB: Final = -20.0
"""... nor those so near to a louder one that the filter smears that into them."""

TURNS: Final = 30
"""Turns of gain over time and offset of each band."""

LOOSE_DB: Final = 0.3
"""A band whose level strays by this from what the others tell counts half."""


def gain_db(energy: Floats) -> Floats:
    """Gain, dB, every step; NaN where nothing plays.

    Parameters
    ----------
    energy : (2, bands, steps) float64
        Of the equalised premaster and of the master.
    """
    wide = np.ones(min(round(WINDOW_S / STEP_S), energy.shape[2]))
    before, after = np.apply_along_axis(np.convolve, 2, energy, wide, "same")
    total = before.sum(axis=0)
    near = 2 * round(NEAR_S / STEP_S) + 1
    loudest = np.maximum(before.max(axis=1, keepdims=True), total.max() * power_of(FAINT_DB))
    playing = before > loudest * power_of(PLAYING_DB)
    playing &= before > maximum_filter1d(before, near, axis=1) * power_of(SMEARED_DB)
    heard = playing.any(axis=0)
    if not heard.any():
        return np.full(energy.shape[2], np.nan)
    changes = np.where(playing, power_decibels_each(np.maximum(after, 1e-30) / np.where(playing, before, 1.0)), 0.0)
    offsets, weight = _two_way(changes[:, heard], playing[:, heard])
    equalised = before * power_of(offsets)[:, None]
    parts = [np.sum(weight[:, None] * np.where(playing, each, 0.0), axis=0)[heard] for each in (equalised, after)]
    gain = np.full(len(heard), np.nan)
    gain[heard] = power_decibels_each(np.maximum(parts[1], 1e-30) / parts[0])
    return gain


def _two_way(changes: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Level change of each band that is there at all times, dB, and how far the band can be trusted (0 to 1)."""
    offsets, weight = np.zeros(len(changes)), np.ones(len(changes))
    count = np.maximum(known.sum(axis=1), 1)
    for _ in range(TURNS):
        each = weight[:, None] * known
        gain = np.sum(each * (changes - offsets[:, None]), axis=0) / each.sum(axis=0)
        rest = np.where(known, changes - gain, 0.0)
        offsets = rest.sum(axis=1) / count
        rest = np.abs(rest - offsets[:, None])
        spread = np.array([np.median(row[own]) if own.any() else np.inf for row, own in zip(rest, known, strict=True)])
        weight = 1.0 / (1.0 + np.square(1.5 * spread / LOOSE_DB))
    return offsets, np.maximum(weight, 1e-6)
