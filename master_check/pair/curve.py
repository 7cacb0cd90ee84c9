"""The transfer curve of a waveshaper, from pairs of levels that went in and came out, and what it does to a sine.

Levels are in peaks (1.0: the side's peak level) with the small-signal gain taken out, so that a side which nobody
bent lies on the straight line. The curve is kept as its bend, what came out less what went in.

What became of a level is averaged over its visits, a visit being all samples within 10 ms at that level: those share
one moment of the gain, and are no better evidence than one. The bend is then smoothed just as far as the spread
between the visits asks for (a Whittaker smoother whose strength is the one most likely in the light of the spread;
P. Eilers, Analytical Chemistry 75, 2003, for the smoother): a bend as sharp as clipping stays sharp, chance goes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.linalg
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from master_check.pair.saturation_kernels import visit_levels

Floats = NDArray[np.float64]

PER_PEAK: Final = 64
"""Levels told apart between 0 and the peak."""

REACH: Final = 2
"""Peaks up to which levels are looked at: the highest sample can lie above the peak level."""

VISIT_S: Final = 0.01

FEWEST: Final = 2
"""Visits below which a level says nothing: the gain of one moment may be wrong."""

PRECISION: Final = 1e-4
"""No level is known better than this, in peaks."""

ORDER: Final = 3
"""Of the differences that the smoother keeps small: the straight line and the parabola cost nothing."""

STRENGTHS: Final = np.geomspace(1e2, 1e14, 25)

HARMONICS: Final = 60

PINNED: Final = 6
"""Clipping is found where so many samples, nine tenths of all that went in at ..."""

OVER: Final = 1.02
"""... this many times the ceiling (0.2 dB over it) or more, came out ..."""

WITHIN: Final = 0.005
"""... so close to it (0.04 dB), ..."""

STRAIGHT: Final = 0.95
"""... a tenth below the ceiling next to nothing happened (tanh is down to 0.76 there), ..."""

SUDDEN: Final = 0.25
"""... namely no more than this share of what happened to those over it (a faint tanh loses 0.6 of that there), ..."""

FLAT: Final = 0.2
"""... and from one such sample to the next, what came out moved no more than this much of what went in. What a limiter
holds at its ceiling still has its shape."""


@dataclass(frozen=True)
class Curve:
    """What came out (`level` + `bend`) of what went in (`level`, rising), in peaks; `visits` to each level."""

    level: Floats
    bend: Floats
    visits: Floats

    def __call__(self, level: Floats) -> Floats:
        """What comes out; levels nobody reached are continued straight."""
        bend = np.interp(level, self.level, self.bend)
        for end, inner, past in ((0, 4, level < self.level[0]), (-1, -5, level > self.level[-1])):
            slope = (self.bend[end] - self.bend[inner]) / (self.level[end] - self.level[inner])
            bend = np.where(past, self.bend[end] + slope * (level - self.level[end]), bend)
        return np.asarray(level + bend)


def fit_curve(level: NDArray[np.float32], target: NDArray[np.float32], peak: float, rate: int) -> Curve | None:
    """The curve through what became of every level; None where too few levels were visited.

    Parameters
    ----------
    level, target : (passages, samples) float32
        What went in, at unit small-signal gain, and what came out.
    peak : float
        The level that counts as 1.
    rate : int
        Sample rate, Hz.
    """
    sums = np.zeros((4, 2 * REACH * PER_PEAK))
    counts, means = np.zeros(sums.shape[1], np.int64), np.zeros((2, sums.shape[1]))
    touched = np.zeros(max(1, round(VISIT_S * rate)), np.int64)
    visit_levels(level, target, peak, PER_PEAK, sums, counts, means, touched)
    visits = sums[0]
    used = np.flatnonzero(visits >= FEWEST)
    if len(used) < PER_PEAK // 4:
        return None
    reach = slice(used[0], used[-1] + 1)
    known = visits[reach] >= FEWEST
    visits = np.where(known, visits[reach], 0.0)
    count = np.where(known, visits, 1.0)
    inside, bend, square = (np.where(known, row[reach] / count, 0.0) for row in sums[1:])
    spread = np.maximum(square - bend * bend, 0.0)
    # Few visits can agree by chance, and one always does: a level's spread is never taken smaller than that around it,
    # and where there are few visits around, than that of all.
    freedom = np.maximum(visits - 1.0, 0.0)
    overall = float(np.dot(visits, spread)) / max(float(freedom.sum()), 1.0)
    around = (gaussian_filter1d(visits * spread, 3.0) + overall) / (gaussian_filter1d(freedom, 3.0) + 1.0)
    variance = np.maximum(spread, around) / count + PRECISION**2
    smooth = _smoothed(bend, np.where(known, 1.0 / variance, 0.0))
    middle = (np.arange(used[0], used[-1] + 1) + 0.5) / PER_PEAK - REACH
    return Curve(np.where(known, inside, middle), smooth, visits)


def _smoothed(values: Floats, weight: Floats) -> Floats:
    """Whittaker's smoother, at the strength under which these values are the most likely."""
    size = len(values)
    rough = np.diff(np.eye(size), ORDER, axis=0)
    penalty = rough.T @ rough
    upper = np.zeros((ORDER + 1, size))
    for k in range(ORDER + 1):
        upper[ORDER - k, k:] = np.diag(penalty, k)
    likeliest, best = np.inf, values
    for strength in STRENGTHS:
        banded = strength * upper
        banded[ORDER] += weight + 1e-6
        try:
            factor = scipy.linalg.cholesky_banded(banded)
        except np.linalg.LinAlgError:  # where next to nothing is known, the strongest are beyond double precision
            break
        found = scipy.linalg.cho_solve_banded((factor, False), weight * values)
        misfit = np.sum(weight * (values - found) ** 2) + strength * np.sum((rough @ found) ** 2)
        unlikely = misfit + 2.0 * np.sum(np.log(factor[ORDER])) - (size - ORDER) * np.log(strength)
        if unlikely < likeliest:
            likeliest, best = unlikely, found
    return best


def thd_percent(curve: Callable[[Floats], Floats], amplitude: float = 1.0) -> float:
    """Total harmonic distortion that a curve gives a sine of that peak: RMS of the harmonics over the fundamental's.

    IEC 60268-3 (memory), relative to the fundamental.

    Examples
    --------
    A cube: a third harmonic of a / 4 beside a fundamental of 1 - 3 a / 4.

    >>> round(thd_percent(lambda x: x - 0.1 * x**3), 6)
    2.702703
    """
    lines = np.abs(np.fft.rfft(curve(amplitude * np.sin(2.0 * np.pi * np.arange(4096) / 4096.0))))
    return float(100.0 * np.sqrt(np.sum(lines[2 : HARMONICS + 1] ** 2)) / lines[1])


def ceiling(level: NDArray[np.float32], target: NDArray[np.float32], peak: float, offset: float = 0.0) -> float | None:
    """The level, in peaks, at which the target was clipped, the lower of its two polarities; None where it was not.

    Arguments as those of `fit_curve`, and what offset was taken from the target. This looks at the samples and not at
    the curve, since a few are proof enough.
    """
    found = ((side, _ceiling(side * level / peak, side * target / peak)) for side in (-1, 1))
    return min((abs(top + side * offset / peak) for side, top in found if top is not None), default=None)


def _ceiling(into: NDArray[np.float32], out: NDArray[np.float32]) -> float | None:
    high = into > 0.5 * into.max()
    if np.count_nonzero(high) <= PINNED:
        return None
    top = float(np.median(out[high][np.argpartition(into[high], -PINNED)[-PINNED:]]))
    over = into > OVER * top
    if top <= 0.0 or np.count_nonzero(over) < PINNED or np.mean(np.abs(out[over] - top) < WITHIN * top) < 0.9:
        return None
    below = (into > 0.85 * top) & (into < 0.95 * top)
    if not below.any():
        return None
    kept = float(np.median(out[below] / into[below]))
    lost = 1.0 - top / float(np.median(into[over]))
    sudden = kept > STRAIGHT and 1.0 - kept < SUDDEN * lost
    return top if sudden and _flat(into, out, over) else None


def _flat(into: NDArray[np.float32], out: NDArray[np.float32], over: NDArray[np.bool_]) -> bool:
    """Whether samples that follow each other over the ceiling, where there are any, came out alike."""
    both = over[:, 1:] & over[:, :-1]
    moved_in, moved_out = (np.diff(each, axis=1)[both].astype(np.float64) for each in (into, out))
    power = float(np.dot(moved_in, moved_in))
    return float(np.dot(moved_in, moved_out)) <= FLAT * power
