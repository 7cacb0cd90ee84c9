"""Whether stems make a mix, and if not, why."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.align import Alignment
from master_check.balance.levels import Level, exact
from master_check.balance.null import Below, Null, null
from master_check.balance.placed import Against, against, reduced
from master_check.balance.statistics import EDGES_HZ
from master_check.sound.kept import Signal

Floats = NDArray[np.float64]

NULL_DB: Final = -60.0
"""What is left below this, against the mix, and the stems make the mix: no chain was on the bus, nothing is missing."""

FOREIGN: Final = 0.25
"""Share of the power in a part of the spectrum that no stem explains, from which on something else plays there, ..."""

FOREIGN_SHARE: Final = 0.03
"""... and share of the mix's power in such parts from which on the stems are incomplete."""

COMPARED: Final = 0.85
"""Share of half the lowest rate up to which stems and mix of different rates are compared."""


@dataclass(frozen=True, slots=True)
class Foreign:
    """Where a mix has what no stem has: the part of the spectrum with most of it, and when."""

    low_hz: float
    high_hz: float
    first_s: float
    last_s: float


@dataclass(frozen=True, slots=True)
class StemInMix:
    """One stem in a mix.

    Attributes
    ----------
    path : str
    level : Level
    delay_samples : float
        How much later than the other stems, in samples of the mix.
    """

    path: str
    level: Level
    delay_samples: float

    @property
    def missing(self) -> bool:
        """Not in the mix as it is: left out, or another take."""
        return self.level.why == "not found"


@dataclass(frozen=True)
class MixFound:
    """Stems held against their mix.

    Attributes
    ----------
    path : str
        Of the mix.
    alignment : Alignment
        Of the mix over the sum of the stems.
    null : Null
    limit_db : float
        What may be left.
    limit_asked : bool
        Whether somebody asked for that.
    stems : tuple of StemInMix
    foreign : Foreign or None
        Something that no stem has.
    bus_gain_db : float
        How far one gain moves that all stems share.
    bus_equaliser_db : (bands,) float64
        What all stems went through, in the bands of `balance.statistics.EDGES_HZ`.
    compared_hz : float or None
        How far up the null was looked at; None for all of it, where stems and mix have one sample rate.
    """

    path: str
    alignment: Alignment
    null: Null
    limit_db: float
    limit_asked: bool
    stems: tuple[StemInMix, ...]
    foreign: Foreign | None
    bus_gain_db: float
    bus_equaliser_db: Floats = field(repr=False)
    compared_hz: float | None = None

    @property
    def complete(self) -> bool:
        """Whether the stems have all that the mix has."""
        return self.foreign is None

    @property
    def nulls(self) -> bool:
        """Whether the stems as they are make the mix."""
        return self.null.as_they_are_db is not None and self.null.as_they_are_db <= self.limit_db


def against_mix(
    paths: Sequence[str], stems: Sequence[Signal], path: str, mix: Signal, limit_db: float | None = None
) -> tuple[MixFound, Against]:
    """Hold stems against their mix.

    Raises
    ------
    PairError
        The mix is not made of these stems at all.
    """
    found = against(stems, mix)
    highest_hz = None
    if all(stem.rate == mix.rate for stem in stems):
        left = null(found.signals, found.own, mix)
    else:
        highest_hz = COMPARED * min(mix.rate, *(stem.rate for stem in stems)) / 2.0
        placed = {id(each): Below(each, highest_hz) for each in (*found.signals, *found.own)}
        left = null(
            [placed[id(each)] for each in found.signals],
            [placed[id(each)] for each in found.own],
            Below(mix, highest_hz),
        )
    if left.fitted_db is not None and left.fitted_db <= NULL_DB:
        found = replace(found, levels=exact(found.levels, left.levels, left.off))
    equaliser = 20.0 * np.log10(np.abs(found.fit.equaliser))
    told = tuple(
        StemInMix(name, level, float(late))
        for name, level, late in zip(paths, found.levels, found.delays.samples, strict=True)
    )
    return (
        MixFound(
            path,
            found.alignment,
            left,
            NULL_DB if limit_db is None else limit_db,
            limit_db is not None,
            told,
            foreign(found),
            reduced(found.fit.gain),
            equaliser,
            highest_hz,
        ),
        found,
    )


def foreign(found: Against) -> Foreign | None:
    """What a mix has that no stem has, if it is more than a chain or an encoder leaves."""
    mix, left = found.fitting.mix, found.fit.left
    power = np.where(left > FOREIGN * mix, left, 0.0).sum(axis=0)  # (chunks, bands)
    whole = mix.sum(axis=0)
    shares = power.sum(axis=0) / np.maximum(whole.sum(axis=0), 1e-30)
    weight = np.sqrt(whole.sum(axis=0))  # the bass has most of the power, and not most of what is heard
    if float(np.sum(weight * shares) / weight.sum()) < FOREIGN_SHARE:
        return None
    band = int(np.argmax(weight * shares))
    low = high = band
    while low > 0 and shares[low - 1] > 0.5 * shares[band]:
        low -= 1
    while high < len(shares) - 1 and shares[high + 1] > 0.5 * shares[band]:
        high += 1
    there = power[:, low : high + 1].sum(axis=1)
    order = np.cumsum(there) / there.sum()
    first, last = (int(np.searchsorted(order, share)) for share in (0.05, 0.95))
    at = found_seconds(found)
    return Foreign(EDGES_HZ[low], EDGES_HZ[high + 1], float(at[first]), float(at[min(last, len(at) - 1)]))


def found_seconds(found: Against) -> Floats:
    """When each chunk begins, seconds of the mix."""
    return np.asarray(found.fitting.at / found.mix.rate)
