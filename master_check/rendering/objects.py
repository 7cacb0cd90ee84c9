"""From the metadata of objects to gains of the loudspeakers (ITU-R BS.2127-0, section 7.3)."""

from collections import defaultdict
from collections.abc import Sequence
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering import screen as screens
from master_check.rendering import zones
from master_check.rendering.conversion import Triple
from master_check.rendering.geometry import axes, azimuths, cartesian, elevations
from master_check.rendering.loudspeakers import loudspeakers, main_loudspeakers
from master_check.rendering.room import RoomPanner, left_out
from master_check.rendering.spread import polar_extent
from master_check.sound.adm.model import ChannelLock, ObjectDivergence, ObjectsBlock, PolarPosition, Screen

Gains = NDArray[np.float64]
Vector = NDArray[np.float64]

_SAME: Final = 1e-5
_USUAL_RANGE: Final = 45.0

_FARTHEST: Final = 1e6
"""A distance beyond which there is only nonsense, which must not overflow."""

_ROOM_WEIGHTS: Final = np.array((1.0 / 16.0, 4.0, 32.0))
"""Of distances along x, y and z for a lock in the room."""


class ObjectPanner:
    """Gains for the loudspeakers of a layout."""

    def __init__(self, layout: str) -> None:
        self._all = loudspeakers(layout)
        self._main = main_loudspeakers(layout)
        self._polar = polar_extent(layout)
        self._priority = _priority(layout)

    def gains(self, blocks: Sequence[ObjectsBlock], screen: Screen) -> Gains:
        """What each loudspeaker plays of each block (n, 2, loudspeakers): directly, and diffusely.

        Raises
        ------
        ValueError
            The programme's screen is impossible.
        """
        found = np.zeros((len(blocks), len(self._main)))
        for in_room, calculate in ((False, self._in_degrees), (True, self._in_room)):
            rows = [row for row, block in enumerate(blocks) if block.cartesian is in_room]
            if rows:
                chosen = [blocks[row] for row in rows]
                found[rows] = calculate(chosen, self._positions(chosen, screen, in_room))
        found = np.nan_to_num(found, posinf=0.0) * np.array([block.gain for block in blocks])[:, None]
        diffuse = np.clip([block.diffuse for block in blocks], 0.0, 1.0)
        split = np.zeros((len(blocks), 2, len(self._all)))
        split[:, 0, ~self._all.lfe] = found * np.sqrt(1.0 - diffuse)[:, None]
        split[:, 1, ~self._all.lfe] = found * np.sqrt(diffuse)[:, None]
        return split

    def _positions(self, blocks: Sequence[ObjectsBlock], screen: Screen, in_room: bool) -> Gains:
        """Vectors (n, 3), of those that are tied to a screen where they go with the default one."""
        found = _vectors(blocks)
        for row, block in enumerate(blocks):
            edge = block.screen_edge_lock
            if block.screen_ref or edge.horizontal or edge.vertical:
                x, y, z = (float(value) for value in found[row])
                place: Triple = (x, y, z)
                if block.screen_ref:
                    place = screens.scaled(place, screen, in_room, self._main.labels)
                found[row] = screens.locked(place, edge, in_room, self._main.labels)
        return found

    def _in_degrees(self, blocks: Sequence[ObjectsBlock], positions: Gains) -> Gains:
        everything = np.ones(len(self._main), np.bool_)
        for row, block in enumerate(blocks):
            if block.channel_lock:
                positions[row] = self._locked(
                    positions[row], block.channel_lock, self._main.directions, everything, np.ones(3)
                )
        owners, shares, places = _diverged(blocks, positions)
        width, height, depth = _extents(blocks)[owners].T
        powers = shares[:, None] * np.square(self._polar.gains(places, width, height, depth))
        summed = np.zeros((len(blocks), len(self._main)))
        np.add.at(summed, owners, powers)
        for row, block in enumerate(blocks):
            if block.zone_exclusion:
                mask = zones.excluded(self._main, block.zone_exclusion)
                summed[row] = summed[row] @ zones.downmix(self._main.layout, mask.tobytes())
        return np.sqrt(summed)

    def _in_room(self, blocks: Sequence[ObjectsBlock], positions: Gains) -> Gains:
        by_mask: dict[bytes, list[int]] = defaultdict(list)
        for row, block in enumerate(blocks):
            mask = left_out(self._main.room, zones.excluded(self._main, block.zone_exclusion))
            by_mask[mask.tobytes()].append(row)
            if block.channel_lock:
                positions[row] = self._locked(positions[row], block.channel_lock, self._main.room, ~mask, _ROOM_WEIGHTS)
        owners, shares, places = _diverged(blocks, positions)
        sizes = _extents(blocks)[owners]
        summed = np.zeros((len(blocks), len(self._main)))
        for key, members in by_mask.items():
            rows = np.flatnonzero(np.isin(owners, members))
            gains = np.zeros((len(rows), len(self._main)))
            gains[:, ~np.frombuffer(key, np.bool_)] = _room_panner(self._main.layout, key).gains(
                places[rows], sizes[rows]
            )
            np.add.at(summed, owners[rows], shares[rows, None] * np.square(gains))
        return np.sqrt(summed)

    def _locked(
        self, position: Vector, lock: ChannelLock, places: Gains, usable: NDArray[np.bool_], weights: Vector
    ) -> Vector:
        """The place of the nearest loudspeaker, if there is one near enough (section 7.3).

        Of several that are as near, the one of the highest priority.
        """
        away = places - position
        distance = np.linalg.norm(away, axis=1)
        if lock.max_distance is not None:
            usable = usable & (distance < lock.max_distance + _SAME)
        if not usable.any():
            return position
        weighted = np.where(usable, np.sqrt(np.square(away) @ weights), np.inf)
        nearest = np.flatnonzero(weighted < weighted.min() + _SAME)
        found: Vector = places[nearest[np.argmin(self._priority[nearest])]]
        return found


@cache
def _room_panner(layout: str, excluded: bytes) -> RoomPanner:
    return RoomPanner(main_loudspeakers(layout).room[~np.frombuffer(excluded, np.bool_)])


def _priority(layout: str) -> NDArray[np.intp]:
    """Of loudspeakers that are as near: those at ear level, lower, in front, to the right first."""
    speakers = main_loudspeakers(layout)
    azimuth, elevation = speakers.azimuths, speakers.elevations
    found = np.empty(len(speakers), np.intp)
    found[np.lexsort((azimuth, np.abs(azimuth), elevation, np.abs(elevation)))] = np.arange(len(speakers))
    return found


def _vectors(blocks: Sequence[ObjectsBlock]) -> Gains:
    """Positions as vectors (n, 3): of length 1 where the loudspeakers are, or in the room and not outside."""
    found = np.empty((len(blocks), 3))
    polar = np.zeros(len(blocks), np.bool_)
    for row, block in enumerate(blocks):
        place = block.position
        if isinstance(place, PolarPosition):
            polar[row] = True
            found[row] = place.azimuth, place.elevation, place.distance
        else:
            found[row] = place.x, place.y, place.z
    found[polar, 2] = np.clip(found[polar, 2], -_FARTHEST, _FARTHEST)
    found[polar] = cartesian(*found[polar].T)
    found[~polar] = np.clip(found[~polar], -1.0, 1.0)
    return found


def _extents(blocks: Sequence[ObjectsBlock]) -> Gains:
    """Width, height and depth (n, 3).

    In the room the standard's reference implementation takes them along x, y and z in this order, although BS.2076
    has the height along z; what is measured elsewhere is rendered by it, so that this is done here, too.
    """
    return np.array([(block.width, block.height, block.depth) for block in blocks], np.float64)


def _diverged(blocks: Sequence[ObjectsBlock], positions: Gains) -> tuple[NDArray[np.intp], Vector, Gains]:
    """The sources that all blocks are split in: whose they are, their share of the power, and where (section 7.3)."""
    owners, shares, places = [np.arange(len(blocks))], [np.ones(len(blocks))], [positions]
    for row, block in enumerate(blocks):
        if block.divergence is None or not block.divergence.value:
            continue
        value = min(max(block.divergence.value, 0.0), 1.0)
        side = value / (value + 1.0)
        shares[0][row] = (1.0 - value) / (value + 1.0)
        owners.append(np.array((row, row)))
        shares.append(np.array((side, side)))
        places.append(_to_the_sides(positions[row], block.divergence, block.cartesian))
        if block.cartesian:
            positions[row] = np.clip(positions[row], -1.0, 1.0)
    return np.concatenate(owners), np.concatenate(shares), np.concatenate(places)


def _to_the_sides(position: Vector, divergence: ObjectDivergence, in_room: bool) -> Gains:
    if in_room:
        aside = np.array((divergence.position_range or 0.0, 0.0, 0.0))
        return np.asarray(np.clip((position + aside, position - aside), -1.0, 1.0))
    angle = _USUAL_RANGE if divergence.azimuth_range is None else divergence.azimuth_range
    before = cartesian(np.array((angle, -angle)), 0.0, float(np.linalg.norm(position)))
    return np.asarray(before @ axes(azimuths(position), elevations(position)))
