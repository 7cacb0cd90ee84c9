"""What mastering changed: level-matched difference, spectrum, width by band, mono compatibility, gain over time."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels, power_decibels_each, power_of
from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ
from master_check.pair.averages import Averages
from master_check.pair.followed import STEP_S, Followed
from master_check.pair.gain import gain_db

Floats = NDArray[np.float64]

UNREDUCED: Final = 0.9
"""The gain of windows in which the chain does not work: this quantile of all, as reduction only lowers gain."""

PLAYS_DB: Final = -60.0
"""Bands quieter than this against the loudest say nothing about how much louder a master is."""

WORST_PLACES: Final = 5
WORST_APART_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Band:
    """One third-octave band (IEC 61260-1).

    Attributes
    ----------
    hz : float
        Nominal mid-band frequency.
    level_change_db : float or None
        Master over premaster, both brought to the same level in their median band, as the ear takes most of the
        spectrum for what has stayed; None where the premaster has nothing there.
    width_change_db : float or None
        Change of sides to middle; None where there are no sides, or no middle.
    """

    hz: float
    level_change_db: float | None
    width_change_db: float | None


@dataclass(frozen=True, slots=True)
class Place:
    at_s: float
    gain_reduction_db: float


@dataclass(frozen=True, slots=True)
class Change:
    """What differs between an aligned premaster and its master.

    Attributes
    ----------
    difference_db : float
        What is left of the master when the premaster is taken away at the level that leaves least, against the master.
    mono_loss_change_db : float or None
        How much more (positive) is lost in mono than before; stereo only. RMS, not K-weighted.
    bands : tuple of Band
    gain_reduction_max_db, gain_reduction_p95_db : float or None
        How far the gain fell below that of the moments in which the chain did not work. Expansion does not count.
    worst : tuple of Place
        Where it fell farthest, at least 3 s apart, times in the master.
    step_s : float
    gain_reduction_db : (steps,) float64
        Over time, from the start of the master; NaN where nothing plays.
    """

    difference_db: float
    mono_loss_change_db: float | None
    bands: tuple[Band, ...]
    gain_reduction_max_db: float | None
    gain_reduction_p95_db: float | None
    worst: tuple[Place, ...]
    step_s: float
    gain_reduction_db: NDArray[np.float64]


def change(averages: Averages, followed: Followed, rate: int) -> Change:
    """What differs between a premaster and its master.

    Parameters
    ----------
    averages : Averages
    followed : Followed
        Both of the overlap of the two.
    rate : int
        Hz.
    """
    gain = gain_db(followed.energy)
    heard = gain[~np.isnan(gain)]
    curve = np.asarray(np.maximum(0.0, np.quantile(heard, UNREDUCED) - gain)) if len(heard) else gain
    heard = curve[~np.isnan(curve)]
    before, after = _Powers.of(averages, 0, rate), _Powers.of(averages, 1, rate)
    return Change(
        _difference_db(averages),
        after.mono_loss_db - before.mono_loss_db if averages.power.shape[1] == 2 else None,
        _bands(before, after, rate),
        float(heard.max()) if len(heard) else None,
        float(np.quantile(heard, 0.95)) if len(heard) else None,
        _worst(curve),
        STEP_S,
        curve,
    )


def _difference_db(averages: Averages) -> float:
    """An offset is no difference; the meters tell it."""
    sums, frames = averages.sums, averages.frames
    before, after = (float(each) for each in (averages.squares - sums**2 / frames).sum(axis=1))
    both = float((averages.products - sums[0] * sums[1] / frames).sum())
    left = 1.0 - both * both / max(before * after, 1e-300)
    return power_decibels(max(left, 1e-15)) or 0.0


@dataclass(frozen=True, slots=True)
class _Powers:
    """Third-octave powers, (bands,), of all channels together, of the mid and of the sides, and what mono loses."""

    all: Floats
    mid: Floats
    side: Floats
    mono_loss_db: float

    @classmethod
    def of(cls, averages: Averages, which: int, rate: int) -> "_Powers":
        power, ends = averages.power[which], averages.ends[which].real
        outer = power[0] + power[-1]
        mid = outer + 2.0 * ends if len(power) > 1 else 2.0 * outer
        rows = np.stack([power.sum(axis=0), mid / 4.0, np.maximum(outer - 2.0 * ends, 0.0) / 4.0])
        rows[:, 1:-1] *= 2.0  # for the negative frequencies
        total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
        edges = np.clip(EDGES_HZ * (averages.size / rate) + 0.5, 0, total.shape[1] - 1)
        bands = np.diff([np.interp(edges, np.arange(total.shape[1]), row) for row in total], axis=1)
        stereo, mono = float(rows[0].sum()), 2.0 * float(rows[1].sum())
        # dB by which the RMS of (L + R) / 2 on both loudspeakers lies under that of stereo.
        return cls(bands[0], bands[1], bands[2], power_decibels(stereo / max(mono, 1e-9 * stereo)) or 0.0)


def _bands(before: _Powers, after: _Powers, rate: int) -> tuple[Band, ...]:
    heard = (before.all > 1e-9 * before.all.max()) & (after.all > 1e-9 * after.all.max())
    heard &= EDGES_HZ[1:] < 0.5 * rate
    level = power_decibels_each(np.where(heard, after.all / np.maximum(before.all, 1e-30), 1.0))
    plays = heard & (before.all > power_of(PLAYS_DB) * before.all.max())
    level = level - (np.median(level[plays]) if plays.any() else 0.0)
    bands = []
    for b, hz in enumerate(BANDS_HZ):
        width = None
        if heard[b]:
            ratios = [x.side[b] / x.mid[b] for x in (before, after) if x.mid[b] > 0.0 and x.side[b] > 1e-9 * x.mid[b]]
            width = power_decibels(ratios[1] / ratios[0]) if len(ratios) == 2 else None
        bands.append(Band(hz, float(level[b]) if heard[b] else None, width))
    return tuple(bands)


def _worst(curve: Floats) -> tuple[Place, ...]:
    left = np.nan_to_num(curve)
    apart = round(WORST_APART_S / STEP_S)
    places: list[Place] = []
    while len(places) < WORST_PLACES and left.max(initial=0.0) > 0.5:
        at = int(np.argmax(left))
        places.append(Place(at * STEP_S, float(left[at])))
        left[max(0, at - apart) : at + apart] = 0.0
    return tuple(places)
