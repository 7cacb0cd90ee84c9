"""Zones whose loudspeakers an object does not use (ITU-R BS.2127-0, section 7.3)."""

from collections.abc import Iterable
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.geometry import is_between
from master_check.rendering.loudspeakers import Loudspeakers, main_loudspeakers
from master_check.sound.adm.model import CartesianZone, Zone

_NEAR: Final = 1e-6

_BELOW, _MIDDLE, _ABOVE, _TOP = range(4)
_NEXT_LAYERS: Final = ((0, 1, 2, 3), (3, 0, 1, 2), (3, 2, 0, 1), (3, 2, 1, 0))
"""For each layer, how gladly each layer stands in for it, 0 the most: rather upwards than downwards."""


def excluded(speakers: Loudspeakers, zones: Iterable[Zone]) -> NDArray[np.bool_]:
    """Which loudspeakers lie in one of the zones, by their nominal directions."""
    found = np.zeros(len(speakers), np.bool_)
    for zone in zones:
        found |= _in_box(speakers, zone) if isinstance(zone, CartesianZone) else _in_sector(speakers, zone)
    return found


def _in_box(speakers: Loudspeakers, zone: CartesianZone) -> NDArray[np.bool_]:
    low, high = (zone.min_x, zone.min_y, zone.min_z), (zone.max_x, zone.max_y, zone.max_z)
    inside = (speakers.directions - _NEAR < high) & (speakers.directions + _NEAR > low)
    return np.asarray(inside.all(axis=1), np.bool_)


def _in_sector(speakers: Loudspeakers, zone: Zone) -> NDArray[np.bool_]:
    assert not isinstance(zone, CartesianZone)
    turned = np.array([is_between(a, zone.min_azimuth, zone.max_azimuth, _NEAR) for a in speakers.azimuths])
    at_pole = np.abs(speakers.elevations) > 90.0 - _NEAR  # whose azimuth is any
    level = (speakers.elevations - _NEAR < zone.max_elevation) & (speakers.elevations + _NEAR > zone.min_elevation)
    return np.asarray(level & (at_pole | turned), np.bool_)


@cache
def downmix(layout: str, excluded: bytes) -> NDArray[np.float64]:
    """Powers that each loudspeaker's signal has on all others (n, n), with those of a mask (its bytes) left out.

    A loudspeaker that is left out is played by the nearest others, in its layer and on its side of the room before
    others.
    """
    mask = np.frombuffer(excluded, np.bool_)
    if mask.all() or not mask.any():
        return np.eye(len(mask))
    found = np.zeros((len(mask), len(mask)))
    for index, groups in enumerate(_groups(layout)):
        instead = next(left for group in groups if len(left := [other for other in group if not mask[other]]))
        found[index, instead] = 1.0 / len(instead)
    return found


@cache
def _groups(layout: str) -> list[list[list[int]]]:
    """For each loudspeaker, all of them in groups that are as near, the nearest first (section 7.3)."""
    speakers = main_loudspeakers(layout)
    return [_ranked([_key(speakers, one, other) for other in range(len(speakers))]) for one in range(len(speakers))]


def _ranked(keys: list[tuple[float, ...]]) -> list[list[int]]:
    groups: list[tuple[tuple[float, ...], list[int]]] = []
    for index, key in enumerate(keys):
        same = next((members for other, members in groups if np.allclose(key, other, 0.0, _NEAR)), None)
        if same is None:
            groups.append((key, [index]))
        else:
            same.append(index)
    return [members for _, members in sorted(groups)]


def _key(speakers: Loudspeakers, one: int, other: int) -> tuple[float, ...]:
    """How far one loudspeaker is from standing in for another: by layer, side, distance, distance to the front."""
    here, there = speakers.directions[one], speakers.directions[other]
    turn = abs(_side(here[1]) - _side(there[1]))
    layers = _NEXT_LAYERS[_layer(speakers.elevations[one])][_layer(speakers.elevations[other])]
    return (layers, turn, float(np.linalg.norm(here - there)), abs(float(here[1] - there[1])))


def _side(y: float) -> int:
    return int(y > _NEAR) - int(y < -_NEAR)


def _layer(elevation: float) -> int:
    return _BELOW if elevation < -10.0 else _MIDDLE if elevation < 10.0 else _ABOVE if elevation < 75.0 else _TOP
