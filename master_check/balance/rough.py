"""Whether a mix has the balance of its rough mix: how much louder or quieter each stem is there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from master_check.alignment.align import Alignment
from master_check.balance.levels import GIVEN_DB, Level, Why, by_section
from master_check.balance.mix import Foreign, foreign
from master_check.balance.placed import Against, against
from master_check.sound.kept import Signal

SECTIONS: Final = 6
"""Parts of the song, alike in length, in which balances are told as well."""

RIDES_DB: Final = 1.0
"""A stem whose difference moves by more than this from section to section was ridden in one of the two mixes."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A stem or a group, rough mix less mix (or less the stems as they are), against the median of all stems.

    Attributes
    ----------
    path : str
        Of the stem, or the group's name.
    difference_db : float or None
        Positive: louder in the rough mix. None where it is not known to half a decibel.
    within_db : float or None
    confidence : float
        0 to 1.
    why : str or None
        Why there is no difference: see `levels.Level.why`.
    in_mix : bool
        Whether it is the mix that keeps it from being known, and not the rough mix.
    sections_db : tuple of (float or None)
        The difference in each sixth of the song; None where it is not clear, or the stem does not play.
    """

    path: str
    difference_db: float | None
    within_db: float | None
    confidence: float
    why: Why | None
    in_mix: bool = False
    sections_db: tuple[float | None, ...] = ()


@dataclass(frozen=True)
class RoughFound:
    """Stems held against the rough mix.

    Attributes
    ----------
    path : str
        Of the rough mix.
    alignment : Alignment
        Of the rough mix over the sum of the stems.
    stems, groups : tuple of Difference
    extra : Foreign or None
        Something in the rough mix that no stem has.
    against_mix : bool
        Whether differences are to the mix; otherwise to the stems as they are.
    """

    path: str
    alignment: Alignment
    stems: tuple[Difference, ...]
    groups: tuple[Difference, ...]
    extra: Foreign | None
    against_mix: bool


@dataclass(frozen=True)
class Known:
    """What stems are in the mix that a rough mix is held against: `levels` and (stems, sections) dB."""

    levels: Sequence[Level]
    sections: "np.ndarray[tuple[int, int], np.dtype[np.float64]]"


def known(found: Against, stems: Sequence[Signal]) -> Known:
    """What is needed of a mix: all products of its spectra would take too much room."""
    return Known(found.levels, _sections(found, stems))


def against_rough(
    paths: Sequence[str],
    stems: Sequence[Signal],
    path: str,
    rough: Signal,
    groups: Mapping[str, Sequence[int]],
    mix: Known | None = None,
) -> RoughFound:
    """Hold stems against the rough mix.

    Parameters
    ----------
    paths, stems : sequence
    path : str
    rough : Signal
    groups : mapping
        Name to the numbers of its stems.
    mix : Known, optional
        What the same stems are in the mix.

    Raises
    ------
    PairError
        The rough mix is not made of these stems at all.
    """
    found = against(stems, rough)
    pairs = list(zip(found.levels, mix.levels if mix else [None] * len(stems), strict=True))
    told = [_difference(name, rough_, mix_) for name, (rough_, mix_) in zip(paths, pairs, strict=True)]
    known = [each.difference_db for each in told if each.difference_db is not None]
    middle = float(np.median(known)) if known else 0.0
    sections = _sections(found, stems) - (mix.sections if mix else 0.0)
    told = [
        _over_time(each, _about(*pair), row, middle, any(level is not None and level.moves for level in pair))
        for each, pair, row in zip(told, pairs, sections, strict=True)
    ]
    power = np.einsum("ctbii->i", found.fitting.stems)
    return RoughFound(
        path,
        found.alignment,
        tuple(told),
        tuple(_group(name, [told[n] for n in members], power[list(members)]) for name, members in groups.items()),
        foreign(found),
        mix is not None,
    )


def _about(rough: Level, mix: Level | None) -> float | None:
    """The difference, sure or not."""
    if rough.about_db is None or (mix is not None and mix.about_db is None):
        return None
    return rough.about_db - (mix.about_db or 0.0 if mix else 0.0)


def _over_time(
    each: Difference,
    about: float | None,
    moved: "np.ndarray[tuple[int], np.dtype[np.float64]]",
    middle: float,
    may_ride: bool,
) -> Difference:
    """With its sections; one that moves by a decibel from section to section has no level of its own."""
    if about is None or each.why not in (None, "unsteady"):
        return each
    sections = tuple(None if np.isnan(one) else about - middle + float(one) for one in moved)
    known = [one for one in sections if one is not None]
    if may_ride and len(known) > 1 and max(known) - min(known) > RIDES_DB:
        return replace(each, difference_db=None, within_db=None, why="rides", sections_db=sections)
    if each.difference_db is None:
        return each
    return replace(each, difference_db=each.difference_db - middle, sections_db=sections)


def _sections(found: Against, stems: Sequence[Signal]) -> "np.ndarray[tuple[int, int], np.dtype[np.float64]]":
    length = max(stem.frames / stem.rate for stem in stems) / SECTIONS
    seconds = found.fitting.at / found.mix.rate - found.alignment.offset_s
    numbers = np.clip(seconds / length, 0, SECTIONS - 1).astype(np.int64)
    return by_section(found.fitting, found.fit, numbers, SECTIONS)


def _difference(path: str, rough: Level, mix: Level | None) -> Difference:
    if rough.gain_db is None:
        return Difference(path, None, None, rough.confidence, rough.why)
    if mix is None:
        return Difference(path, rough.gain_db, rough.within_db, rough.confidence, None)
    if mix.gain_db is None:
        return Difference(path, None, None, mix.confidence, mix.why, True)
    within = float(np.hypot(rough.within_db or 0.0, mix.within_db or 0.0))
    confidence = min(rough.confidence, mix.confidence)
    if within > GIVEN_DB:
        return Difference(path, None, None, confidence, "hidden")
    return Difference(path, rough.gain_db - mix.gain_db, within, confidence, None)


def _group(
    name: str, members: Sequence[Difference], power: "np.ndarray[tuple[int], np.dtype[np.float32]]"
) -> Difference:
    """Of several stems together, by their power; None where a stem with more than a tenth of it is not known."""
    weight = power / (power.sum() or 1.0)
    unknown = [(share, each) for share, each in zip(weight, members, strict=True) if each.difference_db is None]
    if sum(share for share, _ in unknown) > 0.1 or len(unknown) == len(members):
        worst = max(unknown, key=lambda pair: pair[0])[1]
        return Difference(name, None, None, worst.confidence, worst.why, worst.in_mix)
    known = [(share, each) for share, each in zip(weight, members, strict=True) if each.difference_db is not None]
    total = sum(share for share, _ in known)
    level = sum(share * 10.0 ** ((each.difference_db or 0.0) / 10.0) for share, each in known) / total
    within = float(np.sqrt(sum(share / total * (each.within_db or 0.0) ** 2 for share, each in known)))
    return Difference(name, 10.0 * float(np.log10(level)), within, min(each.confidence for _, each in known), None)
