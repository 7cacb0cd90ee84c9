"""Angles and directions in the convention of ITU-R BS.2127-0, section 6.

x points right, y to the front, z up. Azimuths are in degrees, positive to the left; elevations positive upwards.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Vectors = NDArray[np.float64]
"""(..., 3)."""


_MANY: Final = 3600.0
"""Degrees that no position has."""


def cartesian(azimuth: ArrayLike, elevation: ArrayLike, distance: ArrayLike = 1.0) -> Vectors:
    """Directions in degrees as vectors; the arguments are broadcast together."""
    azimuth, elevation = -np.radians(azimuth), np.radians(elevation)
    level = np.cos(elevation) * distance
    x, y, z = np.broadcast_arrays(np.sin(azimuth) * level, np.cos(azimuth) * level, np.sin(elevation) * distance)
    return np.stack((x, y, z), axis=-1)


def azimuths(vectors: Vectors) -> NDArray[np.float64]:
    """Degrees."""
    found: NDArray[np.float64] = -np.degrees(np.arctan2(vectors[..., 0], vectors[..., 1]))
    return found


def elevations(vectors: Vectors) -> NDArray[np.float64]:
    """Degrees."""
    level = np.hypot(vectors[..., 0], vectors[..., 1])
    found: NDArray[np.float64] = np.degrees(np.arctan2(vectors[..., 2], level))
    return found


def lengths(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of the vectors along the last axis."""
    found: NDArray[np.float64] = np.sqrt(np.einsum("...i,...i->...", vectors, vectors))
    return found


def normalised(vectors: NDArray[np.float64], least: float = 0.0) -> NDArray[np.float64]:
    """Vectors of length 1; of none longer than `least`, zeros."""
    length = lengths(vectors)[..., None]
    return np.where(length > least, vectors / np.where(length > least, length, 1.0), 0.0)


def axes(azimuth: ArrayLike, elevation: ArrayLike) -> NDArray[np.float64]:
    """Right, forward and up for one who looks in a direction, (..., 3, 3) (section 6)."""
    azimuth, elevation = np.asarray(azimuth, np.float64), np.asarray(elevation, np.float64)
    right, forward = cartesian(azimuth - 90.0, 0.0), cartesian(azimuth, elevation)
    return np.stack((right, forward, cartesian(azimuth, elevation + 90.0)), axis=-2)


def turned_past(start: float, angle: float) -> float:
    """The same angle, by whole turns not less than `start` and less than a turn beyond it (section 6)."""
    angle = _few_turns(angle)
    while angle - 360.0 >= start:
        angle -= 360.0
    while angle < start:
        angle += 360.0
    return angle


def _few_turns(angle: float) -> float:
    """The same angle; of one that is off by so many turns that one more or less is nothing, the rest of a turn."""
    return angle if abs(angle) < _MANY else math.fmod(angle, 360.0)


def is_between(angle: float, start: float, end: float, tolerance: float = 0.0) -> bool:
    """Whether an angle lies between two others, counted to the left from `start` (section 6).

    A whole turn from `start` to `end` is every angle, no turn only that one.
    """
    start, end = _few_turns(start), _few_turns(end)
    while end - 360.0 > start:
        end -= 360.0
    while end < start:
        end += 360.0
    return turned_past(start - tolerance, angle) <= end + tolerance


def around(points: Vectors) -> NDArray[np.intp]:
    """The order of a polygon's corners (n, 3) around it (section 6.1)."""
    spokes = points - points.mean(axis=0)
    first = spokes[0]
    second = min(spokes[1:], key=lambda spoke: abs(float(spoke @ first)))
    return np.argsort(np.arctan2(spokes @ first, spokes @ second))
