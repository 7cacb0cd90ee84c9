"""Ringing of drums and voices: narrow resonances that stand at one frequency whatever is played.

A resonance raises its frequency by as much at all times, in decibels, whatever excites it; notes come and go. So the
mean of the level in decibels over time is looked at: narrow peaks of it, that stand out from what notes leave there, and
without others where the harmonics of a note would be. Of instruments that play notes this is not enough: they are not
looked at. Nor is what lies below the ranges here, where the drum's own
tone is, and the voice's. Common practice; no standard defines it.
"""

from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels_each
from master_check.stem.heard import Heard
from master_check.stem.kinds import Kind

RANGE_HZ: Final[dict[Kind, tuple[float, float]]] = {"drum": (250.0, 8_000.0), "voice": (150.0, 6_000.0)}

STANDS_DB: Final = 8.0
"""Above the mean level, in dB, of what lies within a third of an octave: the mean over the time in which it is heard."""

UNUSUAL: Final = 4.0
"""Times the spread of all such means (1.48 times the median of their magnitudes): notes leave bumps too."""

NARROW_DB: Final = 5.0
"""So much less a twelfth of an octave away: a voice's formants are wider."""

HEARD_DB: Final = 30.0
"""A block no weaker than this against the level while playing can be heard."""

AROUND: Final = 2.0 ** (1.0 / 3.0)
BESIDE: Final = 2.0 ** (1.0 / 24.0)
BESIDE_HZ: Final = 12.5
"""What counts as the resonance itself and not as its surroundings: a Hann window's line and more."""

MULTIPLES: Final = tuple(sorted({p / q for p in range(1, 7) for q in range(1, 7)} - {1.0}))
"""Of frequencies that a note's harmonics may have to each other."""

FAMILY: Final = 0.5
RELATIVES: Final = 2
"""So many of these standing out at least so far, as a share of the resonance's dB, make it a harmonic of a note."""

AUDIBLE_DB: Final = 30.0
"""A resonance is no weaker than this against everything in its block."""

APART: Final = 2.0 ** 0.25
"""Two of them are no nearer."""

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


def ringing(heard: Heard, kind: Kind) -> tuple[Ring, ...]:
    """The resonances of a drum or a voice, the most frequent first; at most three."""
    powers = heard.steps.sum(axis=1)
    active = np.flatnonzero(powers > heard.level * 10.0 ** (-HEARD_DB / 10.0))
    if not len(active):
        return ()
    steps = heard.steps[active]
    above = _above(steps, heard)
    mean = above.mean(axis=0)
    low, high = RANGE_HZ[kind]
    hz = heard.columns.hz
    inside = (hz >= low) & (hz <= high)
    spread = 1.48 * float(np.median(np.abs(mean[inside]))) if inside.any() else 0.0
    found = inside & (mean >= max(STANDS_DB, UNUSUAL * spread)) & _narrow(mean, heard)
    found &= _loud(steps, heard)
    rings: list[Ring] = []
    taken: list[float] = []
    for column in sorted(np.flatnonzero(found).tolist(), key=lambda column: -mean[column]):
        if any(1.0 / APART < hz[column] / other < APART for other in taken):
            continue
        taken.append(float(hz[column]))
        if not _of_a_note(column, mean, heard) and len(rings) < MOST:
            rings.append(_ring(column, above, mean, active, heard))
    return tuple(rings)


def _narrow(mean: NDArray[np.float64], heard: Heard) -> NDArray[np.bool_]:
    """Which columns stand above both sides."""
    hz, at = heard.columns.hz, heard.columns.at
    far = np.maximum(BESIDE_HZ, hz * (2.0 ** (1.0 / 12.0) - 1.0))
    return np.asarray(mean - np.maximum(mean[at(hz - far)], mean[at(hz + far)]) >= NARROW_DB)


def _loud(steps: NDArray[np.float32], heard: Heard) -> NDArray[np.bool_]:
    """Which columns, with those beside them, can be heard among the rest."""
    power = steps.mean(axis=0, dtype=np.float64)
    beside = np.convolve(power, np.ones(3), "same")
    return np.asarray(beside >= power.sum() * 10.0 ** (-AUDIBLE_DB / 10.0))


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


def _of_a_note(column: int, mean: NDArray[np.float64], heard: Heard) -> bool:
    """Whether other things stand out where harmonics of the same note would be."""
    hz, others = heard.columns.hz, set()
    for ratio in MULTIPLES:
        place = int(heard.columns.at(hz[column] * ratio))
        if 2.0 * BESIDE_HZ <= hz[column] * ratio <= hz[-2]:
            around = slice(place - 1, place + 2)
            if mean[around].max() >= FAMILY * mean[column]:
                others.add(place)
    return len(others) >= RELATIVES


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
