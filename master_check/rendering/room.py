"""The panner for positions in the room, from wall to wall: points and extent (ITU-R BS.2127-0, section 7.3).

The standard calls it allocentric. Loudspeakers stand in planes, rows of a plane, and columns of a row, and a source is
shared by the two next to it each time.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.geometry import normalised
from master_check.rendering.point_source import Gains

Numbers = NDArray[np.float64]

_POINTS: Final = 40
"""Points along each side of the room; half of them upwards where there is nothing below the listener."""

_LEAST_EXPONENT: Final = 6.5
"""Of a weight of -130 dB."""

_LEAST: Final = 10.0**-_LEAST_EXPONENT
_FADE: Final = 0.2
_LARGEST: Final = 2.8
_Z: Final = 2


class RoomPanner:
    """Gains for loudspeakers at (loudspeakers, 3) places in the room."""

    def __init__(self, places: Numbers) -> None:
        self._gaps = [_gaps(places, axis) for axis in range(3)]
        self._places = places
        self._dimensions = int((places != places[0]).any(axis=0).sum())
        has_low = len(np.unique(places[:, _Z])) >= 3
        self._floor = -1.0 if has_low else 0.0
        sides = [np.linspace(-1.0, 1.0, _POINTS)] * 2
        sides.append(np.linspace(self._floor, 1.0, _POINTS if has_low else _POINTS // 2))
        self._sides = sides
        self._panned = [self._along(axis, side) for axis, side in enumerate(sides)]

    def points(self, positions: Numbers) -> Gains:
        """Of sources without extent at (n, 3) positions."""
        x, y, z = (self._along(axis, positions[:, axis]) for axis in range(3))
        return x * y * z

    def gains(self, positions: Numbers, sizes: Numbers) -> Gains:
        """Of sources with `sizes` (n, 3) along x, y and z; those without any are points."""
        found = self.points(positions)
        large = np.flatnonzero(sizes.any(axis=1))
        if len(large):
            found[large] = self._extended(positions[large], sizes[large], self.points)
        return found

    def _along(self, axis: int, values: Numbers) -> Gains:
        """What each loudspeaker takes of a source by one of its coordinates (n, loudspeakers)."""
        before, after = self._gaps[axis]
        away = values[:, None] - self._places[:, axis]
        rising, falling = np.clip(1.0 + away / before, 0.0, 1.0), np.clip(away / after, 0.0, 1.0)
        gains = np.where(away < 0.0, np.sin(rising * (np.pi / 2.0)), np.cos(falling * (np.pi / 2.0)))
        return np.where(falling == 1.0, 0.0, gains)

    def _extended(self, positions: Numbers, sizes: Numbers, points: Callable[[Numbers], Gains]) -> Gains:
        raised = positions.copy()
        if self._floor == 0.0:
            raised[:, _Z] = np.maximum(raised[:, _Z], 0.0)
        steps = 2.0 / (np.array([len(side) for side in self._sides]) - 1)
        scaled = np.maximum(_scaled(sizes), steps)
        effective = self._effective(scaled)
        power = np.where(effective <= 0.5, 6.0, 6.0 - 4.0 * (effective - 0.5) / (_LARGEST - 0.5))[:, None]
        sums, walls = zip(*(self._side(axis, raised, scaled, power) for axis in range(3)), strict=True)
        inside = normalised(sums[0] * sums[1] * sums[2], 1e-16)
        bound = walls[0] * sums[1] * sums[2] + sums[0] * walls[1] * sums[2] + sums[0] * sums[1] * walls[2]
        size = normalised((bound + self._inner_share(raised, scaled)[:, None] * inside) ** (1.0 / power), 1e-16)
        angle = np.minimum(effective / _FADE, 1.0)[:, None] * (np.pi / 2.0)
        point = np.where(effective[:, None] < _FADE, np.cos(angle), 0.0)
        return normalised(point * points(raised) + np.sin(angle) * size, 1e-16)

    def _side(self, axis: int, positions: Numbers, sizes: Numbers, power: Numbers) -> tuple[Gains, Gains]:
        """Of the points along one side of the room (n, loudspeakers): all of them, and those at the two walls."""
        side = self._sides[axis]
        reach = sizes[:, axis, None] * (1.0 if axis == _Z else 2.0)
        exponents = np.minimum((1.5 * (side - positions[:, axis, None]) / reach) ** 4.0, _LEAST_EXPONENT)
        weights = 10.0**-exponents
        if axis == _Z:
            weights = weights * np.cos(side * (np.pi * 3.0 / 7.0))
        # (gain x weight) ** power, with each power taken once
        weighted = weights**power
        panned = self._panned[axis][None] ** power[:, :, None]
        sums = np.einsum("np,npc->nc", weighted, panned)
        walls = weighted[:, :1] * panned[:, 0] + weighted[:, -1:] * panned[:, -1]
        return np.where(sums < _LEAST, 0.0, sums), walls

    def _effective(self, sizes: Numbers) -> Numbers:
        """One size from three, of those that the loudspeakers can show (section 7.3)."""
        same = (self._places == self._places[0]).all(axis=0)
        if same[1] and same[_Z]:
            return np.array(sizes[:, 0])
        if same[_Z]:
            ordered = np.sort(sizes[:, :2], axis=1)
            return np.asarray(ordered @ np.array((1.0, 3.0)) / 4.0)
        return np.asarray(np.sort(sizes, axis=1) @ np.array((1.0, 2.0, 6.0)) / 9.0)

    def _inner_share(self, positions: Numbers, sizes: Numbers) -> Numbers:
        """How much a source counts inside the room, less the nearer it is to a wall."""
        used = slice(0, self._dimensions)
        wall = (1.0 - np.abs(positions[:, used])).min(axis=1)[:, None]
        size = sizes[:, used]
        widest = np.maximum(2.0 * size, 0.4)
        far = widest**3 / (0.32 * size)
        near = wall / 2.0 * (wall / 0.4) ** 2
        shares = np.cbrt(np.where((wall >= 2.0 * size) & (wall >= 0.4), far, near))
        found: Numbers = shares.prod(axis=1) ** (3.0 / self._dimensions)
        return found


def _gaps(places: Numbers, axis: int) -> tuple[Numbers, Numbers]:
    """How far the plane, row or column of each loudspeaker is from its neighbours; infinite without one."""
    before, after = np.full(len(places), np.inf), np.full(len(places), np.inf)
    for index, place in enumerate(places):
        gaps = places[(places[:, axis + 1 :] == place[axis + 1 :]).all(axis=1), axis] - place[axis]
        before[index] = min(-gaps[gaps < 0.0], default=np.inf)
        after[index] = min(gaps[gaps > 0.0], default=np.inf)
    return before, after


def _scaled(sizes: Numbers) -> Numbers:
    return np.interp(np.minimum(sizes, 1.0), (0.0, 0.2, 0.5, 0.75, 1.0), (0.0, 0.3, 1.0, 1.8, _LARGEST))


def left_out(places: Numbers, excluded: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which loudspeakers a zone leaves out here: with one at a side wall, all of its row (section 7.3).

    None, where that would be all of them.
    """
    found = excluded.copy()
    for place in places[excluded]:
        if abs(place[0]) == 1.0 and abs(place[1]) != 1.0:
            found |= (places[:, 1:] == place[1:]).all(axis=1)
    return np.zeros_like(found) if found.all() else found
