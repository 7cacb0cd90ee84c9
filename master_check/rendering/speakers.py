"""Channels of beds on loudspeakers: by label, by place, or panned (ITU-R BS.2127-0, section 8)."""

import re
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering import screen
from master_check.rendering.downmix import RULES
from master_check.rendering.geometry import Vectors, cartesian, is_between
from master_check.rendering.loudspeakers import loudspeakers, main_loudspeakers
from master_check.rendering.point_source import point_source_panner
from master_check.rendering.room import RoomPanner
from master_check.sound.adm.items import RenderingItem
from master_check.sound.adm.model import (
    CartesianSpeakerPosition,
    Coordinate,
    DirectSpeakersBlock,
    Frequency,
    PolarSpeakerPosition,
)

Gains = NDArray[np.float64]

_NEAR: Final = 1e-5
_LABEL: Final = re.compile(r"^urn:itu:bs:2051:[0-9]+:speaker:(.*)$")
_ALSO: Final = {"LFE": "LFE1", "LFEL": "LFE1", "LFER": "LFE2"}
_LFE_LOW_PASS: Final = 200.0
"""Hz; a channel with a low pass at or below this and no high pass is a low-frequency one (section 6.3)."""

_LAYOUTS_OF_PACKS: Final = {
    "AP_00010001": "0+1+0",
    "AP_00010002": "0+2+0",
    "AP_0001000C": "0+5+0",
    "AP_00010003": "0+5+0",
    "AP_00010004": "2+5+0",
    "AP_00010005": "4+5+0",
    "AP_00010010": "4+5+1",
    "AP_00010007": "3+7+0",
    "AP_00010008": "4+9+0",
    "AP_00010009": "9+10+3",
    "AP_0001000F": "0+7+0",
    "AP_00010017": "4+7+0",
}
"""What the packs of the common definitions (BS.2094) were made for."""


class SpeakersPanner:
    """Gains for the loudspeakers of a layout."""

    def __init__(self, layout: str) -> None:
        self._speakers = loudspeakers(layout)
        self._polar = point_source_panner(layout)
        self._room = RoomPanner(main_loudspeakers(layout).room)

    def gains(self, blocks: Sequence[DirectSpeakersBlock], item: RenderingItem) -> Gains:
        """What each loudspeaker plays of each block of a channel (n, loudspeakers)."""
        return np.array([block.gain * self._of(block, item) for block in blocks])

    def _of(self, block: DirectSpeakersBlock, item: RenderingItem) -> Gains:
        labels = [speaker_label(label) for label in block.labels]
        if labels and item.packs and (made_for := _LAYOUTS_OF_PACKS.get(item.packs[-1].id)):
            found = self._by_rule(labels[0], made_for)
            if found is not None:
                return found
        lfe = is_low_frequency(item.channel.frequency) or any(label in ("LFE1", "LFE2") for label in labels)
        for label in labels:
            if label in self._speakers.labels and self._speakers.lfe[self._speakers.labels.index(label)] == lfe:
                return self._only(label)
        return self._by_place(block, lfe)

    def _by_rule(self, label: str, made_for: str) -> Gains | None:
        """By the first rule that goes with this channel and this layout (section 8)."""
        speakers = self._speakers
        for rule in RULES:
            if rule.fits(label, made_for, speakers.layout, speakers.labels):
                found = np.zeros(len(speakers))
                for other, gain in rule.gains:
                    found[speakers.labels.index(other)] = gain
                return found
        return None

    def _by_place(self, block: DirectSpeakersBlock, lfe: bool) -> Gains:
        speakers, position = self._speakers, block.position
        if isinstance(position, PolarSpeakerPosition):
            position, place, places = self._locked_polar(position, block)
            inside = self._in_polar_bounds(position)
        else:
            position, place = self._locked_in_room(position, block)
            places = speakers.room
            inside = _in_box(position, places)
        inside &= speakers.lfe == lfe
        nearest = _nearest(places, place, inside)
        if nearest is not None:
            return self._only(speakers.labels[nearest])
        if lfe:
            return self._only("LFE1") if "LFE1" in speakers.labels else np.zeros(len(speakers))
        panned = self._polar.gains(place[None]) if places is speakers.directions else self._room.points(place[None])
        found = np.zeros(len(speakers))
        found[~speakers.lfe] = panned[0]
        return found

    def _locked_polar(
        self, position: PolarSpeakerPosition, block: DirectSpeakersBlock
    ) -> tuple[PolarSpeakerPosition, Gains, Vectors]:
        azimuth, elevation = screen.locked_direction(
            position.azimuth.value, position.elevation.value, block.screen_edge_lock
        )
        moved = PolarSpeakerPosition(
            Coordinate(azimuth, position.azimuth.min, position.azimuth.max),
            Coordinate(elevation, position.elevation.min, position.elevation.max),
            position.distance,
        )
        place = cartesian(azimuth, elevation, position.distance.value)
        return moved, place, self._speakers.directions

    def _locked_in_room(
        self, position: CartesianSpeakerPosition, block: DirectSpeakersBlock
    ) -> tuple[CartesianSpeakerPosition, Gains]:
        given = (position.x.value, position.y.value, position.z.value)
        place = screen.locked(given, block.screen_edge_lock, True, self._speakers.labels)
        moved = CartesianSpeakerPosition(
            *(
                Coordinate(value, old.min, old.max)
                for value, old in zip(place, (position.x, position.y, position.z), strict=True)
            )
        )
        return moved, np.array(place)

    def _in_polar_bounds(self, position: PolarSpeakerPosition) -> NDArray[np.bool_]:
        speakers = self._speakers
        low, high = _bounds(position.azimuth)
        turned = np.array([is_between(azimuth, low, high, _NEAR) for azimuth in speakers.azimuths])
        turned |= np.abs(speakers.elevations) >= 90.0 - _NEAR  # whose azimuth is any
        low, high = _bounds(position.elevation)
        level = (speakers.elevations > low - _NEAR) & (speakers.elevations < high + _NEAR)
        low, high = _bounds(position.distance)
        return np.asarray(turned & level & (low - _NEAR < 1.0 < high + _NEAR), np.bool_)

    def _only(self, label: str) -> Gains:
        return np.array([float(label == other) for other in self._speakers.labels])


def speaker_label(label: str) -> str:
    """A `speakerLabel` as BS.2051 has it."""
    match = _LABEL.match(label)
    found = match.group(1) if match else label
    return _ALSO.get(found, found)


def is_low_frequency(frequency: Frequency) -> bool:
    """Whether a channel's band makes it a low-frequency one (section 6.3)."""
    low_pass = frequency.low_pass
    return low_pass is not None and low_pass <= _LFE_LOW_PASS and frequency.high_pass is None


def _bounds(coordinate: Coordinate) -> tuple[float, float]:
    low, high = coordinate.min, coordinate.max
    return coordinate.value if low is None else low, coordinate.value if high is None else high


def _in_box(position: CartesianSpeakerPosition, places: Vectors) -> NDArray[np.bool_]:
    low, high = zip(*map(_bounds, (position.x, position.y, position.z)), strict=True)
    return np.asarray(((places + _NEAR >= low) & (places - _NEAR <= high)).all(axis=1), np.bool_)


def _nearest(places: Vectors, place: Gains, usable: NDArray[np.bool_]) -> int | None:
    """The nearest of the loudspeakers that are usable; None where there is none, or more than one (section 8)."""
    candidates = np.flatnonzero(usable)
    if not len(candidates):
        return None
    distances = np.linalg.norm(places[candidates] - place, axis=1)
    nearest = int(distances.argmin())
    alone = np.count_nonzero(np.abs(distances - distances[nearest]) < _NEAR) == 1
    return int(candidates[nearest]) if alone else None
