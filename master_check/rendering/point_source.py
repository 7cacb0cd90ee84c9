"""The point source panner for directions in degrees (ITU-R BS.2127-0, section 6.1)."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.geometry import Vectors, around, cartesian, normalised
from master_check.rendering.loudspeakers import Loudspeakers, main_loudspeakers

Gains = NDArray[np.float64]
"""(n, loudspeakers)."""

_INSIDE: Final = -1e-11
"""How far outside a triangle a direction may be by rounding."""

_ROOT: Final = 1e-10
_SAME_PLANE: Final = 1e-5

_LAYERS: Final = ((-30.0, -70.0, -10.0), (30.0, 10.0, 70.0))
"""Nominal elevation of the lower and the upper layer, and between which elevations their loudspeakers are."""

_FRONT, _REAR = slice(0, 3), slice(3, 5)
_TO_STEREO: Final = np.array(
    [
        (1.0, 0.0, np.sqrt(3.0) / 3.0, np.sqrt(0.5), 0.0),
        (0.0, 1.0, np.sqrt(3.0) / 3.0, 0.0, np.sqrt(0.5)),
    ]
)
"""From 0+5+0 without its LFE to 0+2+0 (section 6.1)."""


@cache
def point_source_panner(layout: str) -> "PointSourcePanner | StereoPanner":
    """The panner of a layout, to its loudspeakers without LFE."""
    return StereoPanner() if layout == "0+2+0" else PointSourcePanner(main_loudspeakers(layout))


class StereoPanner:
    """Panned to 0+5+0 and mixed down, 3 dB softer at the back (section 6.1)."""

    def __init__(self) -> None:
        self._surround = PointSourcePanner(main_loudspeakers("0+5+0"))

    def gains(self, positions: Vectors) -> Gains:
        """As of `PointSourcePanner`."""
        panned = self._surround.gains(positions)
        front, rear = panned[:, _FRONT].max(axis=1), panned[:, _REAR].max(axis=1)
        level = 0.5 ** (0.5 * rear / np.maximum(front + rear, 1e-300))
        return np.asarray(normalised(panned @ _TO_STEREO.T) * level[:, None])


class PointSourcePanner:
    """Gains by where a direction passes through the hull of the loudspeakers (section 6.1).

    The hull is of nominal loudspeakers, with extra ones above and below those of the middle layer where a layer has
    gaps, and one at the very top and bottom, which others play instead.
    """

    def __init__(self, speakers: Loudspeakers) -> None:
        extra, downmix = _extra(speakers)
        poles = [(0.0, 0.0, -1.0)] if "T+000" in speakers.labels else [(0.0, 0.0, -1.0), (0.0, 0.0, 1.0)]
        corners = np.concatenate((speakers.directions, extra, np.array(poles)))
        count = len(corners) - len(poles)
        facets = _facets(corners)
        triangles = [triangle for pole in range(count, len(corners)) for triangle in _fan(corners, facets, pole, count)]
        self._quads = []
        for facet in facets:
            if max(facet) >= count:
                continue
            found = np.array(sorted(facet))
            if len(found) == 3:
                triangles.append(_Triangle(corners[found], np.eye(count)[found]))
            else:  # in the layouts of BS.2051 never more than four
                found = found[around(corners[found])]
                self._quads.append(_Quad(corners[found], np.eye(count)[found] @ downmix))
        self._bases = np.stack([np.linalg.inv(triangle.corners) for triangle in triangles])
        self._shares = np.stack([triangle.shares @ downmix for triangle in triangles])

    def gains(self, positions: Vectors) -> Gains:
        """Gains of power 1 for sources at (n, 3) positions; zeros for one that is nowhere."""
        parts = np.einsum("ni,mij->nmj", positions, self._bases)
        inside = (parts >= _INSIDE).all(axis=2)
        which = inside.argmax(axis=1)
        rows = np.arange(len(positions))
        found = np.einsum("nj,njc->nc", np.maximum(parts[rows, which], 0.0), self._shares[which])
        outside = ~inside[rows, which]
        found[outside] = 0.0
        for quad in self._quads:
            left = np.flatnonzero(outside)
            if not len(left):
                break
            gains, valid = quad.gains(positions[left])
            found[left[valid]] = gains[valid]
            outside[left[valid]] = False
        return normalised(found)


@dataclass(frozen=True)
class _Triangle:
    """Three corners (3, 3), and what the loudspeakers take of each (3, loudspeakers)."""

    corners: Vectors
    shares: NDArray[np.float64]


class _Quad:
    """Four loudspeakers (section 6.1), in order around."""

    def __init__(self, corners: Vectors, shares: NDArray[np.float64]) -> None:
        self._corners, self._shares = corners, shares
        self._across, self._along = _polynomials(*corners), _polynomials(*corners[[1, 2, 3, 0]])

    def gains(self, positions: Vectors) -> tuple[Gains, NDArray[np.bool_]]:
        """Gains, and for which positions they are any."""
        x, y = _roots(positions @ self._across.T), _roots(positions @ self._along.T)
        found = np.stack(((1 - x) * (1 - y), x * (1 - y), x * y, (1 - x) * y), axis=1)
        with np.errstate(invalid="ignore"):
            valid = np.einsum("ni,ni->n", found @ self._corners, positions) > 0.0
        return found @ self._shares, valid


def _polynomials(a: Vectors, b: Vectors, c: Vectors, d: Vectors) -> NDArray[np.float64]:
    """Coefficients, by position, of the equation for how far a source is from one edge to the opposite one."""
    return np.array(
        (np.cross(b - a, c - d), np.cross(a, c - d) + np.cross(b - a, d), np.cross(a, d))
    )  # fmt: skip


def _roots(polynomials: NDArray[np.float64]) -> NDArray[np.float64]:
    """The root between 0 and 1 of each quadratic equation (n, 3); NaN where it has none."""
    a, b, c = polynomials.T
    with np.errstate(invalid="ignore", divide="ignore"):
        # Never by the difference of two numbers that are nearly the same.
        larger = -0.5 * (b + np.where(b < 0.0, -1.0, 1.0) * np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)))
        real = b * b - 4.0 * a * c > -4.0 * (a * _ROOT) ** 2
        both = np.stack((larger / a, c / larger))
        fits = (both > -_ROOT) & (both < 1.0 + _ROOT) & real
    found = np.where(fits[1], both[1], np.where(fits[0], both[0], np.nan))
    return np.clip(found, 0.0, 1.0)


def _extra(speakers: Loudspeakers) -> tuple[Vectors, NDArray[np.float64]]:
    """Where extra loudspeakers are, and what all real and extra ones are mixed to (section 6.1)."""
    directions, heard = [], list(range(len(speakers)))
    azimuth, elevation = speakers.azimuths, speakers.elevations
    middle = np.flatnonzero(np.abs(elevation) <= 10.0)
    for nominal, low, high in _LAYERS:
        layer = (low <= elevation) & (elevation <= high)
        widest = np.abs(azimuth[layer]).max() + 40.0 if layer.any() else 0.0
        for speaker in middle:
            if abs(azimuth[speaker]) >= widest - 1e-5:
                directions.append(cartesian(azimuth[speaker], elevation[layer].mean() if layer.any() else nominal))
                heard.append(int(speaker))
    return np.array(directions).reshape(-1, 3), np.eye(len(speakers))[heard]


def _facets(corners: Vectors) -> list[set[int]]:
    """The facets of the convex hull by their corners; triangles in one plane are one facet."""
    from scipy.spatial import ConvexHull  # takes a tenth of a second to import

    hull = ConvexHull(corners)
    found: list[tuple[NDArray[np.float64], set[int]]] = []
    for plane, triangle in zip(hull.equations, hull.simplices, strict=True):
        same = next((facet for other, facet in found if np.linalg.norm(other - plane) < _SAME_PLANE), None)
        if same is None:
            found.append((plane, same := set()))
        same.update(map(int, triangle))
    return [facet for _, facet in found]


def _fan(corners: Vectors, facets: Sequence[set[int]], pole: int, count: int) -> Iterator[_Triangle]:
    """The triangles around a loudspeaker that is not there, and that its neighbours play (section 6.1)."""
    neighbours = np.array(sorted({corner for facet in facets if pole in facet for corner in facet} - {pole}))
    ring = neighbours[around(corners[neighbours])]
    one = np.eye(count)
    shared = one[ring].sum(axis=0) / np.sqrt(len(ring))
    for first, second in zip(ring, np.roll(ring, -1), strict=True):
        yield _Triangle(corners[[first, second, pole]], np.array((one[first], one[second], shared)))
