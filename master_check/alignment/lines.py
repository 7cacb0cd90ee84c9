"""Where in one signal the sound is that another has: lines, and how they are laid through what was found."""

from dataclasses import dataclass
from typing import Any, Final, overload

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ENOUGH: Final = 4
"""So many points are needed to tell drift, ..."""

LEAST_DRIFT: Final = 0.25
"""... which is none below so many samples over the whole, ..."""

SURE: Final = 4.0
"""... or below so many times its standard error."""

FAR: Final = 0.25
"""Points so far apart, against the whole, tell it."""

INLIER: Final = 4.0
MOST_EXACT: Final = 0.02
"""A point counts if it lies within so many times the usual distance from its line, which is samples at least."""


@dataclass(frozen=True, slots=True)
class Line:
    """Where in one signal the sound is that another has, as far as nothing was cut out or put in.

    Attributes
    ----------
    start, stop : int
        The samples of the other signal for which this holds.
    offset : float
        How many samples later the first sample of the one sounds in the other.
    stretch : float
        How much longer the same sound takes there: 1.0 is no drift.
    """

    start: int
    stop: int
    offset: float
    stretch: float = 1.0

    @overload
    def place(self, other: float) -> float: ...
    @overload
    def place(self, other: NDArray[np.int64]) -> Floats: ...
    def place(self, other: float | NDArray[np.int64]) -> Any:
        """The sample of the one that sounds at sample `other` of the other."""
        return (other - self.offset) / self.stretch

    def trimmed(self, frames: int) -> "Line":
        """As much of it as lies in a signal of so many samples."""
        first, last = self.offset, self.offset + self.stretch * (frames - 1)
        return Line(max(self.start, int(np.ceil(first))), min(self.stop, int(last) + 1), self.offset, self.stretch)


@dataclass(frozen=True, slots=True)
class Points:
    """Samples of one signal and where they sound in the other, and which line each is thought to lie on."""

    line: NDArray[np.int64]
    one: Floats
    other: Floats


def fitted(points: Points, count: int) -> tuple[float, list[float | None]]:
    """The stretch that all of so many lines share, and each one's offset; None for a line without points.

    The slope is the median of those between far points (Theil and Sen), so that a few wrong ones do not matter, and
    then that of the least squares over all that lie near their line.
    """
    late = points.other - points.one
    slope = _rough(points, late)
    for _ in range(2):
        offsets = np.array(
            [_median(late[points.line == n] - slope * points.one[points.line == n]) for n in range(count)]
        )
        away = np.abs(late - slope * points.one - offsets[points.line])
        near = away <= INLIER * max(float(np.median(away)) if len(away) else 0.0, MOST_EXACT)
        slope = _sure(points, late, near, slope)
    found: list[float | None] = []
    for n in range(count):
        own = near & (points.line == n)
        found.append(float(np.mean(late[own] - slope * points.one[own])) if own.any() else None)
    return 1.0 + slope, found


def _median(values: Floats) -> float:
    return float(np.median(values)) if len(values) else 0.0


def _rough(points: Points, late: Floats) -> float:
    if len(late) < ENOUGH:
        return 0.0
    a, b = np.triu_indices(len(late), 1)
    apart = points.one[b] - points.one[a]
    far = (points.line[a] == points.line[b]) & (np.abs(apart) > FAR * np.ptp(points.one))
    return float(np.median((late[b] - late[a])[far] / apart[far])) if far.any() else 0.0


def _sure(points: Points, late: Floats, near: NDArray[np.bool_], rough: float) -> float:
    """The least squares' slope over the points that are near their line; 0 where it may as well be none."""
    if not rough or np.count_nonzero(near) < ENOUGH:
        return 0.0
    one, there = points.one[near].copy(), late[near].copy()
    for n in np.unique(points.line[near]):
        own = points.line[near] == n
        one[own] -= one[own].mean()
        there[own] -= there[own].mean()
    spread = float(np.dot(one, one))
    if not spread:
        return 0.0
    slope = float(np.dot(one, there)) / spread
    error = float(np.sqrt(np.mean(np.square(there - slope * one)) / spread))
    if abs(slope) * np.ptp(points.one[near]) < LEAST_DRIFT or abs(slope) < SURE * error:
        return 0.0
    return slope
