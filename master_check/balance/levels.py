"""The level of every stem in a mix, how sure it is, and why there is none.

A figure is given only where it is known to half a decibel. How far it may be off adds up from what is left beside the
stem where it is to be heard (coherence), how much its bands and its passages disagree, and whether it is alone in bands
that the bus has equalised, where a level and an equaliser cannot be told apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.balance.fit import Fit, Fitting
from master_check.balance.statistics import EDGES_HZ
from master_check.decibels import decibels
from master_check.meters.loudness import k_weighting

Floats = NDArray[np.float64]

HEARD: Final = 0.3
"""Share of a stem in the power of all stems from which on it is to be heard in a part of the spectrum."""

GIVEN_DB: Final = 0.5
"""A level that may be off by more is not given."""

INCOHERENT_DB: Final = 3.0
"""Off by this times what the coherence lacks of 1: measured on stems in mixes behind lossy encoders."""

UNSTEADY: Final = 1.5
"""Off by so many times what bands and passages differ by, ..."""

EQUALISED: Final = 0.05
"""... by this share of the most that the bus's equaliser seems to do, ..."""

LEAST_DB: Final = 0.1
"""... and by this in any case: of 716 levels in limited, equalised and lossy mixes 7 were off by more than all that."""

LEAST_EXACT_DB: Final = 0.01
"""The same where stems make their mix, and all of it is looked at."""

ABSENT_COHERENCE: Final = 0.3
"""Where a stem is not heard as it is, it is missing, or another take is there."""

CLEAR: Final = 2.0
CLEAR_SHARE: Final = 0.05
"""But only if so much of it would stand out so far from what is left: others may hide it altogether."""

ABSENT_DB: Final = -30.0
"""A level below this, against the other stems, is none."""

EQUALISED_DB: Final = 0.8
"""Bands that disagree by this show a stem with an equaliser of its own."""

SECTION_SHARE: Final = 0.1
"""A stem has to play in a section by this share of what it plays in sections on average, ..."""

SECTION_COHERENCE: Final = 0.9
"""... and to be heard there that clearly."""

FEWEST_CHUNKS: Final = 20

Why = Literal["silent", "not found", "hidden", "unsteady", "alone", "rides"]


@dataclass(frozen=True, slots=True)
class Level:
    """One stem in a mix.

    Attributes
    ----------
    gain_db : float or None
        Its level, K-weighted, against the median of all stems; None where it is not known to `GIVEN_DB`.
    within_db : float or None
        How far that may be off.
    confidence : float
        0 to 1; a level is given from 0.7 on.
    why : str or None
        Why there is no level: the stem is `silent`; it is `not found` as it is (missing, or another take); other stems
        or what an encoder did keep it `hidden`; its bands or passages disagree (`unsteady`); it is `alone` where the
        bus was equalised; it `rides`, louder in one section of the song and quieter in another.
    about_db : float or None
        Its level, sure or not; None where it is not there.
    inverted : bool
    bands_db : (bands,) float64
        Level in every band of `EDGES_HZ` against `gain_db`; NaN where it is not heard.
    moves : bool
        Its passages disagree more than its bands: a ride, and no equaliser or reverb.
    """

    gain_db: float | None
    within_db: float | None
    confidence: float
    why: Why | None
    about_db: float | None
    inverted: bool
    bands_db: Floats
    moves: bool = False


def levels(fitting: Fitting, fit: Fit, rate: int) -> list[Level]:
    """Of every stem.

    Parameters
    ----------
    fitting : Fitting
    fit : Fit
        Of the same.
    rate : int
        Hz.
    """
    shares, weighting = fitting.shares(fit), _weighting(rate)
    by_band = np.stack(list(fitting.by_band(fit)))  # (bands, channels, stems)
    found = [_told(fitting, fit, stem, shares[stem], by_band[..., stem], weighting) for stem in range(fitting.count)]
    known = [each.gain_db for each in found if each.gain_db is not None]
    middle = float(np.median(known)) if known else 0.0
    return [
        replace(
            each,
            gain_db=None if each.gain_db is None else each.gain_db - middle,
            about_db=None if each.about_db is None else each.about_db - middle,
        )
        for each in found
    ]


def exact(found: Sequence[Level], factors: Floats, off: Floats) -> list[Level]:
    """Levels of stems that make their mix, from all of its samples.

    Parameters
    ----------
    found : sequence of Level
        As `levels` found them.
    factors, off : (stems,) float64
        Factor of every stem in the mix, and how far it may be off.
    """
    sizes = np.abs(factors)
    clear = [n for n, level in enumerate(found) if level.why != "silent" and off[n] < 0.05 * sizes[n]]
    middle = float(np.median(sizes[clear])) if clear else 1.0
    return [
        level if level.why == "silent" else _exact(level, factor / middle, away / middle)
        for level, factor, away in zip(found, factors, off, strict=True)
    ]


def _exact(level: Level, factor: float, off: float) -> Level:
    size, inverted = abs(factor), bool(factor < 0.0)
    if size + off < 10.0 ** (ABSENT_DB / 20.0):
        return replace(level, gain_db=None, within_db=None, confidence=1.0, why="not found", about_db=None)
    within = LEAST_EXACT_DB + 20.0 * float(np.log10(1.0 + off / max(size, 1e-9)))
    gain, confidence = decibels(size), float(np.clip(1.0 - 0.6 * within, 0.0, 1.0))
    if within > GIVEN_DB:
        return replace(level, gain_db=None, within_db=None, confidence=confidence, why="hidden", about_db=gain)
    return Level(gain, within, confidence, None, gain, inverted, level.bands_db)


def by_section(fitting: Fitting, fit: Fit, sections: NDArray[np.int64], count: int) -> Floats:
    """Every stem's level in each section of a song against its level in all of it, dB, (stems, sections).

    NaN where a stem hardly plays in a section, or is not heard clearly.

    Parameters
    ----------
    fitting : Fitting
    fit : Fit
        Of the same.
    sections : (chunks,) int
        The section that a chunk belongs to.
    count : int
        Sections.
    """
    found = np.full((fitting.count, count), np.nan)
    power = np.einsum("ctbii->ci", fitting.stems)
    for n in range(count):
        inside = sections == n
        if inside.sum() < FEWEST_CHUNKS:
            continue
        part, own_fit = fitting.within(fit, inside)
        shares = part.shares(own_fit)
        there = np.einsum("ctbii->i", part.stems)
        for stem in np.flatnonzero(there > SECTION_SHARE * power.sum(axis=0) / count):
            cross, own, rest = part.alone(own_fit, int(stem))
            where = own_fit.weights * (shares[stem] > HEARD)
            heard = float(np.sum(where * own))
            coherence = float(np.sum(where * cross.real)) / (np.sqrt(heard * float(np.sum(where * rest))) + 1e-30)
            ratio = np.sum(own_fit.levels[:, stem] * fit.levels[:, stem] * power[:, stem])
            ratio /= np.sum(np.square(fit.levels[:, stem]) * power[:, stem]) + 1e-30
            if coherence >= SECTION_COHERENCE and ratio > 0.0:
                found[stem, n] = decibels(float(ratio))
    return found


def _weighting(rate: int) -> Floats:
    """Power gain of K-weighting in the middle of every band (ITU-R BS.1770-5, Annex 1)."""
    edges = np.array(EDGES_HZ)
    middle = np.minimum(np.sqrt(edges[:-1] * edges[1:]), 0.49 * rate)
    return np.asarray(np.square(np.abs(scipy.signal.freqz(*k_weighting(rate), middle, fs=rate)[1])))


def _told(fitting: Fitting, fit: Fit, stem: int, share: Floats, by_band: Floats, weighting: Floats) -> Level:
    nothing = np.full(len(weighting), np.nan)
    power = fitting.stems[..., stem, stem].sum(axis=1, dtype=np.float64)  # (channels, bands)
    if not power.any():
        return Level(None, None, 0.0, "silent", None, False, nothing)
    levels_ = fit.levels[:, stem]
    inverted = bool(np.sum(levels_ * power.sum(axis=1)) < 0.0)
    cross, own, rest = fitting.alone(fit, stem)
    where = fit.weights * (share > HEARD)
    heard = float(np.sum(where * own))
    coherence = float(np.sum(where * cross.real)) / (np.sqrt(heard * float(np.sum(where * rest))) + 1e-30)
    if coherence < ABSENT_COHERENCE:
        why: Why = "not found" if _would_be_heard(fitting, fit, stem) else "hidden"
        return Level(None, None, max(0.0, coherence), why, None, inverted, nothing)
    told = np.sum(fit.weights * own, axis=(0, 1))
    told = told / (told.sum() + 1e-30)
    ratios = _ratio(by_band, levels_, power)
    bands_db = 20.0 * np.log10(np.maximum(np.abs(ratios), 1e-3))
    disagree = 20.0 / np.log(10.0) * float(np.sqrt(np.sum(told * np.square(ratios - 1.0))))
    spread = 20.0 / np.log(10.0) * _spread(fitting, fit, stem, own)
    dominant = own.sum(axis=(0, 1)) / (np.sum(own / np.maximum(share, 1e-9), axis=(0, 1)) + 1e-30)
    mine = own.sum(axis=(0, 1)) * weighting
    equaliser = np.abs(20.0 * np.log10(np.abs(fit.equaliser)))
    alone = float(np.sum(mine * dominant**2 * equaliser) / (mine.sum() + 1e-30))
    parts: Sequence[tuple[float, Why]] = (
        (INCOHERENT_DB * (1.0 - coherence), "hidden"),
        (UNSTEADY * (disagree + spread), "unsteady"),
        (alone + EQUALISED * float(equaliser.max()), "alone"),
    )
    within = LEAST_DB + sum(each for each, _ in parts)
    # As loud as its bands make it: an equaliser of its own is part of how loud a stem is.
    weight = power * weighting
    level = np.sqrt(float(np.sum(weight * np.square(by_band.T)) / np.sum(weight)))
    plain = np.sqrt(float(np.sum(weight * np.square(levels_)[:, None]) / np.sum(weight)))
    gain = decibels(level if disagree > EQUALISED_DB else plain)
    confidence = float(np.clip(1.0 - 0.6 * within, 0.0, 1.0))
    if within > GIVEN_DB or gain is None:
        return Level(None, None, confidence, max(parts)[1], gain, inverted, bands_db, spread > disagree)
    heard_db = np.where(told > 0.01, bands_db, np.nan)
    return Level(gain, within, confidence, None, gain, inverted, heard_db, spread > disagree)


def _would_be_heard(fitting: Fitting, fit: Fit, stem: int) -> bool:
    """Whether a stem that was not found would be, if it were as loud as others are against their files."""
    usual = float(np.median(np.square(fit.levels)))
    bus = np.square(fit.gain)[None, :, None] * np.square(np.abs(fit.equaliser))
    power = usual * bus * fitting.stems[..., stem, stem]
    clear = power > HEARD / (1.0 - HEARD) * np.maximum(fitting.mix, 0.0)
    clear &= power > CLEAR * fit.left
    return float(np.sum(fit.weights * power * clear)) > CLEAR_SHARE * float(np.sum(fit.weights * power))


def _ratio(some: Floats, all_: Floats, power: Floats) -> Floats:
    """Levels (bands or passages, channels) against those of the whole, (channels,), channels by their power."""
    weight = power.sum(axis=1)
    return np.asarray((some * all_ * weight).sum(axis=1) / (np.sum(np.square(all_) * weight) + 1e-30))


def _spread(fitting: Fitting, fit: Fit, stem: int, own: Floats) -> float:
    """Standard error of the level from how much passages differ."""
    ratios, weights = [], []
    power = fitting.stems[..., stem, stem].sum(axis=1, dtype=np.float64)
    for part in np.unique(fitting.part):
        inside = fitting.part == part
        some = fitting.levels(fit.gain, fit.equaliser, fit.weights, inside)[:, stem]
        ratios.append(_ratio(some[None, :], fit.levels[:, stem], power)[0])
        weights.append(float(np.sum(fit.weights[:, inside] * own[:, inside])))
    weight = np.array(weights) / (sum(weights) + 1e-30)
    spread = np.sqrt(np.sum(weight * np.square(np.array(ratios) - 1.0)))
    return float(spread * np.sqrt(np.sum(np.square(weight))))
