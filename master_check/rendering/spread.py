"""Width, height and depth of sources in degrees (ITU-R BS.2127-0, section 7.3)."""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.geometry import Vectors, axes, azimuths, cartesian, elevations, lengths, normalised
from master_check.rendering.point_source import Gains, point_source_panner

_ROWS: Final = 37
"""Rows of points on the sphere, from pole to pole: 5 degrees apart."""

_FADE: Final = 10.0
"""Degrees over which a source fades out at its edges, and below which it is partly a point."""

_NEAR: Final = 0.2
"""Size of a point for what is nearer than the loudspeakers."""

_POLE: Final = 90.0 - 1e-5

Numbers = NDArray[np.float64]


@cache
def polar_extent(layout: str) -> "PolarExtent":
    """The spreading panner of a layout, to its loudspeakers without LFE."""
    return PolarExtent(layout)


class PolarExtent:
    """Sources spread over many points of the sphere, weighted by whether they are inside the source."""

    def __init__(self, layout: str) -> None:
        self._point = point_source_panner(layout)
        self._points = _even_points()
        self._panned = self._point.gains(self._points)

    def gains(self, positions: Vectors, width: Numbers, height: Numbers, depth: Numbers) -> Gains:
        """Gains for sources at (n, 3) positions, their width and height in degrees.

        One with depth is the mean power of its near and its far side.
        """
        distance = lengths(positions)
        powers = self._powers(positions, width, height, distance + depth / 2.0)
        deep = np.flatnonzero(depth)
        if len(deep):
            near = np.maximum(distance[deep] - depth[deep] / 2.0, 0.0)
            powers[deep] = (powers[deep] + self._powers(positions[deep], width[deep], height[deep], near)) / 2.0
        return np.sqrt(powers)

    def _powers(self, positions: Vectors, width: Numbers, height: Numbers, distance: Numbers) -> Gains:
        width, height = _seen_from(width, distance), _seen_from(height, distance)
        spread = np.clip(np.maximum(width, height) / _FADE, 0.0, 1.0)
        powers = (1.0 - spread)[:, None] * np.square(self._point.gains(positions))
        wide = np.flatnonzero(spread > 1e-10)
        if len(wide):
            least = _FADE / 2.0
            weights = self._weights(
                positions[wide],
                np.radians(np.maximum(width[wide], least)) / 2.0,
                np.radians(np.maximum(height[wide], least)) / 2.0,
            )
            powers[wide] += spread[wide, None] * np.square(normalised(weights @ self._panned))
        return powers

    def _weights(self, positions: Vectors, width: Numbers, height: Numbers) -> NDArray[np.float64]:
        """How far each point belongs to each source (n, points); half widths and heights in radians.

        A source is a strip between two circles, along azimuths, or turned by 90 degrees where it is higher than wide.
        """
        basis = _looking_at(positions)
        high = height > width
        basis[high] = basis[high][:, ::-1]
        width, height = np.maximum(width, height), np.minimum(width, height)
        end = _closed_behind(width, height) - height  # the circles' centres, from the source's
        right, forward, up = np.moveaxis(basis @ self._points.T, 1, 0)
        straight = forward >= np.cos(end)[:, None] * np.hypot(right, forward)
        nearest = np.sin(end)[:, None] * np.abs(right) + np.cos(end)[:, None] * forward
        beyond = np.where(straight, np.pi / 2.0, 0.0)
        inner = np.arccos(np.clip(np.where(straight, np.abs(up), nearest), -1.0, 1.0))
        outside = np.abs(beyond - inner) - height[:, None]
        return np.asarray(np.clip(1.0 - outside / np.radians(_FADE), 0.0, 1.0))


def _even_points() -> Vectors:
    """Points spread evenly over the sphere (section 7.3)."""
    rows = []
    for elevation in np.linspace(-90.0, 90.0, _ROWS):
        count = max(1, round(float(np.cos(np.radians(elevation))) * 2 * (_ROWS - 1)))
        rows.append(cartesian(np.linspace(0.0, 360.0, count, endpoint=False), elevation))
    return np.concatenate(rows)


def _seen_from(extent: Numbers, distance: Numbers) -> Numbers:
    """An angle at the loudspeakers' distance, at another distance (section 7.3)."""
    extent = np.clip(extent, 0.0, 360.0)
    size = _NEAR + (1.0 - _NEAR) * np.clip(extent / 360.0, 0.0, 1.0)
    there = 4.0 * np.degrees(np.arctan2(size, 1.0))
    here = 4.0 * np.degrees(np.arctan2(size, distance))
    wider = extent + (360.0 - extent) * (here - there) / (360.0 - there)
    return np.where(here <= there, extent * here / there, wider)


def _looking_at(positions: Vectors) -> NDArray[np.float64]:
    """Axes (n, 3, 3) whose second looks at each position; to the front where there is none."""
    towards = normalised(positions, 1e-10)
    towards[~towards.any(axis=1)] = (0.0, 1.0, 0.0)
    azimuth, elevation = azimuths(towards), elevations(towards)
    return axes(np.where(np.abs(elevation) > _POLE, 0.0, azimuth), elevation)


def _closed_behind(width: Numbers, height: Numbers) -> Numbers:
    """Half widths that meet behind the listener at 360 degrees, for sources that are not too high (section 7.3)."""
    quarter, half = np.pi / 2.0, np.pi
    closed = np.where(width <= quarter, width, quarter + (width - quarter) * (half + height - quarter) / quarter)
    share = np.clip((height - quarter / 2.0) / (quarter / 2.0), 0.0, 1.0)
    return closed + (width - closed) * share
