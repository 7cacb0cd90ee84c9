"""Ringing of drums and voices: narrow resonances that stand at one frequency whatever is played.

A resonance raises its frequency by as much at all times, in decibels, whatever excites it; notes come and go. So the
mean over time of the level in decibels is looked at: its narrow peaks. Notes that are kept leave such peaks too, but
many of them; up to three that stand clear of all others are resonances, unless they lie where harmonics of one note
would. Of instruments that play notes this is not enough: they are not looked at. Nor is what lies below the ranges
here, where a drum's own modes are, and the voice's notes. Common practice; no standard defines it.
"""

from dataclasses import dataclass
from itertools import combinations, groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels_each
from master_check.stem.heard import Heard
from master_check.stem.kinds import Kind

RANGE_HZ: Final[dict[Kind, tuple[float, float]]] = {"drum": (400.0, 8_000.0), "voice": (150.0, 6_000.0)}

NARROW_DB: Final = 6.0
"""Above what lies a twelfth of an octave to either side: formants are wider."""

CLEAR: Final = 2.0
"""Times the decibels by which the next peak stands out."""

HEARD_DB: Final = 30.0
"""A block no weaker than this against the level while playing can be heard."""

SIDES: Final = 2.0 ** (1.0 / 12.0)
AROUND: Final = 2.0 ** (1.0 / 3.0)
BESIDE: Final = 2.0 ** (1.0 / 24.0)
BESIDE_HZ: Final = 12.5
"""What counts as the resonance itself and not as its surroundings: a Hann window's line and more."""

SMALL: Final = 6
SAME: Final = 0.01
"""Frequencies are harmonics of one note if they are as whole numbers up to this to each other, to a hundredth."""

AUDIBLE_DB: Final = 30.0
"""A resonance is no weaker than this against everything in its block."""

STANDS_DB: Final = 8.0
"""It is heard while it stands so far above what lies within a third of an octave."""

MOST: Final = 3


@dataclass(frozen=True, slots=True)
class Ring:
    """A resonance.

    Attributes
    ----------
    hz : float
    above_db : float
        How far it stands out, the median of the times it does.
    percent : float
        Of the time in which the stem can be heard.
    places_s : tuple of (float, float)
        From when to when.
    """

    hz: float
    above_db: float
    percent: float
    places_s: tuple[tuple[float, float], ...]


def ringing(heard: Heard, kind: Kind) -> tuple[Ring, ...] | None:
    """The resonances of a drum or a voice, the strongest first; None where notes hide what there may be."""
    powers = heard.steps.sum(axis=1)
    active = np.flatnonzero(powers > heard.level * 10.0 ** (-HEARD_DB / 10.0))
    if not len(active):
        return None
    above = _above(heard.steps[active], heard)
    mean = above.mean(axis=0)
    peaks = _peaks(mean, heard, _loud(heard.steps[active]), RANGE_HZ[kind])
    stands = [narrow for _, narrow in peaks] + [0.0] * (MOST + 1)
    if stands[0] < NARROW_DB:
        return ()
    for count in range(MOST, 0, -1):
        if stands[count - 1] >= max(NARROW_DB, CLEAR * stands[count]):
            rings = [_ring(column, above, mean, active, heard) for column, _ in peaks[:count]]
            return None if _harmonic([ring.hz for ring in rings]) else tuple(rings)
    return None


def _peaks(
    mean: NDArray[np.float64], heard: Heard, loud: NDArray[np.bool_], within: tuple[float, float]
) -> list[tuple[int, float]]:
    """Columns of peaks that can be heard, and how far they stand above both sides, dB; the narrowest first."""
    hz, at = heard.columns.hz, heard.columns.at
    far = np.maximum(BESIDE_HZ, hz * (SIDES - 1.0))
    narrow = mean - np.maximum(mean[at(hz - far)], mean[at(hz + far)])
    top = loud & (hz >= within[0]) & (hz <= within[1])
    top[1:] &= mean[1:] >= mean[:-1]
    top[:-1] &= mean[:-1] >= mean[1:]
    found: list[tuple[int, float]] = []
    for column in sorted(np.flatnonzero(top).tolist(), key=lambda column: -narrow[column]):
        if narrow[column] > 0.0 and all(abs(hz[column] - hz[other]) > far[other] for other, _ in found):
            found.append((column, float(narrow[column])))
    return found


def _loud(steps: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which columns, with those beside them, can be heard among the rest."""
    power = steps.mean(axis=0, dtype=np.float64)
    return np.asarray(np.convolve(power, np.ones(3), "same") >= power.sum() * 10.0 ** (-AUDIBLE_DB / 10.0))


def _harmonic(found: list[float]) -> bool:
    """Whether two of them are as small whole numbers to each other."""
    ratios = {p / q for p in range(1, SMALL + 1) for q in range(1, SMALL + 1)}
    return any(abs(a / b / ratio - 1.0) < SAME for a, b in combinations(found, 2) for ratio in ratios)


def _above(steps: NDArray[np.float32], heard: Heard) -> NDArray[np.float64]:
    """Level of every column against its surroundings, dB, (steps, columns)."""
    hz, at = heard.columns.hz, heard.columns.at
    level = power_decibels_each(np.maximum(steps / heard.columns.bins, 1e-20)).astype(np.float64)
    total = np.concatenate([np.zeros((len(level), 1)), np.cumsum(level, axis=1)], axis=1)
    own = np.maximum(BESIDE_HZ, hz * (BESIDE - 1.0))
    far = np.maximum(2.0 * own, hz * (AROUND - 1.0))
    edges = [at(np.maximum(hz - far, 0.0)), at(np.maximum(hz - own, 0.0)), at(hz + own) + 1, at(hz + far) + 1]
    counts = (edges[1] - edges[0]) + (edges[3] - edges[2])
    around = total[:, edges[1]] - total[:, edges[0]] + total[:, edges[3]] - total[:, edges[2]]
    return np.asarray(level - around / np.maximum(counts, 1))


def _ring(
    column: int, above: NDArray[np.float64], mean: NDArray[np.float64], active: NDArray[np.intp], heard: Heard
) -> Ring:
    left, middle, right = mean[column - 1 : column + 2]
    curve = left - 2.0 * middle + right
    shift = float(np.clip(0.5 * (left - right) / curve, -0.5, 0.5)) if curve < 0.0 else 0.0
    hz = heard.columns.hz
    width = hz[column + 1] - hz[column] if shift > 0.0 else hz[column] - hz[column - 1]
    there = above[:, column - 1 : column + 2].max(axis=1) >= STANDS_DB
    runs = groupby(enumerate(active[there].tolist()), key=lambda pair: pair[1] - pair[0])
    stretches = [[step for _, step in run] for _, run in runs]
    # The middle of a block of 400 ms is what it tells of.
    places = tuple((0.1 * run[0] + 0.15, 0.1 * run[-1] + 0.25) for run in stretches)
    return Ring(float(hz[column] + shift * width), float(middle), 100.0 * float(there.mean()), places)
