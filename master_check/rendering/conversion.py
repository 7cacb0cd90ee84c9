"""Positions and extents in degrees as places in the room, and back (ITU-R BS.2127-0, section 10)."""

from typing import Final

import numpy as np

from master_check.rendering.geometry import axes, is_between, turned_past

_CORNERS: Final = ((0.0, 0.0, 1.0), (-30.0, 1.0, 1.0), (-110.0, 1.0, -1.0), (110.0, -1.0, -1.0), (30.0, -1.0, 1.0))
"""Azimuths and the x, y that they become; straight lines in between, clockwise."""

_TOP: Final = 30.0
"""Elevation of the upper loudspeakers, which are above the room's edges, at 45 degrees of it."""

_TOP_IN_ROOM: Final = 45.0
_ZERO: Final = 1e-10

Triple = tuple[float, float, float]


def point_to_room(azimuth: float, elevation: float, distance: float) -> Triple:
    """x, y and z of a polar position."""
    if abs(elevation) > _TOP:
        above = (abs(elevation) - _TOP) / (90.0 - _TOP)
        inside = _TOP_IN_ROOM + (90.0 - _TOP_IN_ROOM) * above
        z, level = distance * np.sign(elevation), distance * np.tan(np.radians(90.0 - inside))
    else:
        z, level = distance * np.tan(np.radians(_TOP_IN_ROOM * elevation / _TOP)), distance
    (left, *left_place), (right, *right_place) = _sector(azimuth, [corner[0] for corner in _CORNERS])
    share = _to_linear(turned_past(right, left), right, turned_past(right, azimuth))
    x, y = level * (np.array(left_place) + (np.array(right_place) - left_place) * share)
    return float(x), float(y), float(z)


def point_to_polar(x: float, y: float, z: float) -> Triple:
    """Azimuth, elevation and distance of a place in the room."""
    if abs(x) < _ZERO and abs(y) < _ZERO:
        return (0.0, float(np.sign(z)) * 90.0, abs(z)) if abs(z) >= _ZERO else (0.0, 0.0, 0.0)
    seen = [float(-np.degrees(np.arctan2(x, y))) for _, x, y in _CORNERS]
    (left, *left_place), (right, *right_place) = _sector(float(-np.degrees(np.arctan2(x, y))), seen)
    shares = np.array((x, y)) @ np.linalg.inv((left_place, right_place))
    level = float(shares.sum())
    azimuth = turned_past(-180.0, _to_azimuth(turned_past(right, left), right, float(shares[1]) / level))
    inside = float(np.degrees(np.arctan(z / level)))
    if abs(inside) > _TOP_IN_ROOM:
        above = (abs(inside) - _TOP_IN_ROOM) / (90.0 - _TOP_IN_ROOM)
        return azimuth, float(np.sign(inside)) * (_TOP + (90.0 - _TOP) * above), abs(z)
    return azimuth, _TOP * inside / _TOP_IN_ROOM, level


def extent_to_room(azimuth: float, elevation: float, width: float, height: float, depth: float) -> Triple:
    """Sizes along x, y and z of a source at a direction; its width and height are in degrees."""
    sizes = np.array(_box(width, height, depth))
    x, y, z = np.linalg.norm(axes(azimuth, elevation) * sizes[:, None], axis=0)
    return float(x), float(y), float(z)


def extent_to_polar(azimuth: float, elevation: float, x: float, y: float, z: float) -> Triple:
    """Width and height in degrees, and depth, of a source that is seen at a direction; the way back."""
    sizes = np.array((x, y, z))
    x, y, z = np.linalg.norm(axes(azimuth, elevation).T * sizes[:, None], axis=0)
    width, height = _angle(x, y), _angle(z, y)
    return width, height, max(0.0, float(y) - _box(width, height, 0.0)[1])


def _sector(angle: float, angles: list[float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The corners to the left and to the right of an angle; `angles` are where the corners are."""
    following = [*range(1, len(_CORNERS)), 0]
    return next(
        (_CORNERS[left], _CORNERS[right])
        for left, right in enumerate(following)
        if is_between(angle, angles[right], angles[left])
    )


def _to_linear(left: float, right: float, azimuth: float) -> float:
    """How far from left to right an azimuth is in the room."""
    middle = (left + right) / 2.0
    share = 0.5 + 0.5 * np.tan(np.radians(azimuth - middle)) / np.tan(np.radians(right - middle))
    return float(np.arctan2(share, 1.0 - share) * (2.0 / np.pi))


def _to_azimuth(left: float, right: float, share: float) -> float:
    middle = (left + right) / 2.0
    one, other = np.cos(share * np.pi / 2.0), np.sin(share * np.pi / 2.0)
    tangent = 2.0 * (other / (one + other) - 0.5) * np.tan(np.radians(right - middle))
    return float(middle + np.degrees(np.arctan(tangent)))


def _box(width: float, height: float, depth: float) -> Triple:
    """x, y and z of a source in front."""
    x, z = (float(np.sin(np.radians(angle / 2.0))) if angle < 180.0 else 1.0 for angle in (width, height))
    around = [(1.0 - float(np.cos(np.radians(angle / 2.0)))) / 2.0 for angle in (width, height)]
    return x, max(*around, depth), z


def _angle(across: float, deep: float) -> float:
    """Degrees of a source in front that is so wide and deep."""
    by_width, by_depth = 2.0 * np.degrees(np.arcsin(across)), 2.0 * np.degrees(np.arccos(1.0 - 2.0 * deep))
    return float(by_width + across * max(by_depth - by_width, 0.0))
