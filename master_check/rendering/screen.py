"""Positions that are relative to a screen (ITU-R BS.2127-0, section 7.3).

What they are rendered to has the standard's default screen, as nothing else is known of the room.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from master_check.rendering.conversion import Triple, point_to_polar, point_to_room
from master_check.rendering.geometry import axes, azimuths, cartesian, elevations
from master_check.sound.adm.model import DEFAULT_SCREEN, CartesianPosition, Screen, ScreenEdgeLock


@dataclass(frozen=True, slots=True)
class Edges:
    """A screen's edges in degrees."""

    left: float
    right: float
    bottom: float
    top: float


@cache
def edges(screen: Screen = DEFAULT_SCREEN) -> Edges:
    """Where the edges of a screen are seen.

    Raises
    ------
    ValueError
        It reaches behind or above the listener.
    """
    place = screen.centre
    if isinstance(place, CartesianPosition):
        centre = np.array((place.x, place.y, place.z))
        right, up = np.array((screen.width / 2.0, 0.0, 0.0)), np.array((0.0, 0.0, screen.width / 2.0))
    else:
        centre = cartesian(place.azimuth, place.elevation, place.distance)
        right, _, up = axes(place.azimuth, place.elevation) * (place.distance * np.tan(np.radians(screen.width / 2.0)))
    up = up / screen.aspect_ratio
    left_edge, right_edge = float(azimuths(centre - right)), float(azimuths(centre + right))
    if right_edge > left_edge or float(azimuths(centre - up) - azimuths(centre + up)) > 1e-3:
        raise ValueError("the programme's reference screen reaches behind or above the listener")
    return Edges(left_edge, right_edge, float(elevations(centre - up)), float(elevations(centre + up)))


def scaled(position: Triple, reference: Screen, in_room: bool, layout_labels: tuple[str, ...]) -> Triple:
    """A position relative to the reference screen, relative to the default screen."""
    azimuth, elevation, distance = _polar(position, in_room)
    there, here = edges(reference), edges()
    azimuth = float(np.interp(azimuth, (-180, there.right, there.left, 180), (-180, here.right, here.left, 180)))
    elevation = float(np.interp(elevation, (-90, there.bottom, there.top, 90), (-90, here.bottom, here.top, 90)))
    return _placed(azimuth, elevation, distance, in_room, layout_labels)


def locked(position: Triple, lock: ScreenEdgeLock, in_room: bool, layout_labels: tuple[str, ...]) -> Triple:
    """A position, moved to the edges of the screen that it is tied to."""
    if lock.horizontal is None and lock.vertical is None:
        return position
    azimuth, elevation, distance = _polar(position, in_room)
    azimuth, elevation = locked_direction(azimuth, elevation, lock)
    return _placed(azimuth, elevation, distance, in_room, layout_labels)


def locked_direction(azimuth: float, elevation: float, lock: ScreenEdgeLock) -> tuple[float, float]:
    here = edges()
    if lock.horizontal:
        azimuth = here.left if lock.horizontal == "left" else here.right
    if lock.vertical:
        elevation = here.top if lock.vertical == "top" else here.bottom
    return azimuth, elevation


def _polar(position: Triple, in_room: bool) -> Triple:
    if in_room:
        return point_to_polar(*position)
    vector = np.array(position)
    return float(azimuths(vector)), float(elevations(vector)), float(np.linalg.norm(vector))


def _placed(azimuth: float, elevation: float, distance: float, in_room: bool, labels: tuple[str, ...]) -> Triple:
    if in_room:
        return point_to_room(_narrowed(azimuth, elevation, labels), elevation, distance)
    x, y, z = cartesian(azimuth, elevation, distance)
    return float(x), float(y), float(z)


def _narrowed(azimuth: float, elevation: float, labels: tuple[str, ...]) -> float:
    """So that what rises in the room rises straight where the upper loudspeakers are wider apart (section 7.3)."""
    if "U+045" not in labels:
        return azimuth
    front = float(np.interp(elevation, (0.0, 30.0, 90.0), (30.0, 20.0, 30.0)))
    return float(np.interp(azimuth, (-180.0, -30.0, 30.0, 180.0), (-180.0, -front, front, 180.0)))
