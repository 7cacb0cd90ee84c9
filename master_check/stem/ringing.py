"""Ringing of drums and voices: narrow resonances that stand at one frequency whatever is played.

A note stands out as narrowly, but notes change, and come with their harmonics. So a resonance counts where it stands out
during at least half of the playing time, and where nothing stands at its multiples or parts as often. Of instruments
that play notes this is not enough: they are not looked at. Nor is what lies below the ranges here, where the drum's own
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

STANDS_DB: Final = 10.0
"""Above the mean level, in dB, of what lies within a third of an octave."""

OFTEN: Final = 0.5
"""Share of the time in which the stem can be heard."""

HEARD_DB: Final = 30.0
"""A block no weaker than this against the level while playing can be heard."""

AROUND: Final = 2.0 ** (1.0 / 3.0)
BESIDE: Final = 2.0 ** (1.0 / 24.0)
BESIDE_HZ: Final = 12.5
"""What counts as the resonance itself and not as its surroundings: a Hann window's line and more."""

MULTIPLES: Final = tuple(sorted({p / q for p in range(1, 7) for q in range(1, 7)} - {1.0}))
"""Of frequencies that a note's harmonics may have to each other."""

FAMILY: Final = 0.5
"""As often, about: what has this share of the resonance's time."""

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
    above = _above(heard.steps[active], heard)
    peaks = above >= STANDS_DB
    peaks[:, 1:] &= above[:, 1:] >= above[:, :-1]
    peaks[:, :-1] &= above[:, :-1] >= above[:, 1:]
    near = peaks.copy()  # within a column
    near[:, 1:] |= peaks[:, :-1]
    near[:, :-1] |= peaks[:, 1:]
    often = near.mean(axis=0)
    hz = heard.columns.hz
    low, high = RANGE_HZ[kind]
    order = [int(c) for c in np.argsort(-often, kind="stable") if often[c] >= OFTEN and low <= hz[c] <= high]
    rings: list[Ring] = []
    taken: list[float] = []
    for column in order:
        if any(abs(np.log2(hz[column] / other)) < 1.0 / 12.0 for other in taken):
            continue
        taken.append(float(hz[column]))
        if not _of_a_note(column, often, heard) and len(rings) < MOST:
            rings.append(_ring(column, above, near, often, active, heard))
    return tuple(rings)


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


def _of_a_note(column: int, often: NDArray[np.float64], heard: Heard) -> bool:
    """Whether something else stands out as often where harmonics of the same note would be."""
    hz = heard.columns.hz
    for ratio in MULTIPLES:
        place = int(heard.columns.at(hz[column] * ratio))
        if hz[column] * ratio < 2.0 * BESIDE_HZ or hz[column] * ratio > hz[-2]:
            continue
        if often[max(place - 1, 0) : place + 2].max() >= FAMILY * often[column]:
            return True
    return False


def _ring(
    column: int,
    above: NDArray[np.float64],
    near: NDArray[np.bool_],
    often: NDArray[np.float64],
    active: NDArray[np.intp],
    heard: Heard,
) -> Ring:
    there = near[:, column]
    mean = above[there][:, column - 1 : column + 2].mean(axis=0)
    curve = mean[0] - 2.0 * mean[1] + mean[2]
    shift = float(np.clip(0.5 * (mean[0] - mean[2]) / curve, -0.5, 0.5)) if curve < 0.0 else 0.0
    hz = heard.columns.hz
    width = hz[column + 1] - hz[column] if shift > 0.0 else hz[column] - hz[column - 1]
    stands = above[there][:, column - 1 : column + 2].max(axis=1)
    runs = groupby(enumerate(active[there].tolist()), key=lambda pair: pair[1] - pair[0])
    stretches = [[step for _, step in run] for _, run in runs]
    # The middle of a block of 400 ms is what it tells of.
    places = tuple((0.1 * run[0] + 0.15, 0.1 * run[-1] + 0.25) for run in stretches)
    return Ring(float(hz[column] + shift * width), float(np.median(stands)), 100.0 * float(often[column]), places)
