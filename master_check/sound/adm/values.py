"""Values in the texts of `axml`: numbers, truths, times, and the classes that a block is made of (ITU-R BS.2076-2)."""

import math
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Final

from master_check.sound.adm.model import (
    CartesianPosition,
    CartesianSpeakerPosition,
    CartesianZone,
    ChannelLock,
    Coordinate,
    JumpPosition,
    ObjectDivergence,
    PolarPosition,
    PolarSpeakerPosition,
    PolarZone,
    Position,
    ScreenEdgeLock,
    SpeakerPosition,
    Zone,
)
from master_check.sound.adm.xml import Element

_TIME: Final = re.compile(r"(\d{1,2}):(\d{1,2}):(\d{1,2})(?:\.(\d{0,20})(?:S(\d{1,9}))?)?", re.ASCII)
_SECONDS: Final = re.compile(r"\d{1,9}(?:\.\d{0,20})?", re.ASCII)
_WHOLE: Final = re.compile(r"[+-]?\d{1,9}", re.ASCII)

_POLAR: Final = ("azimuth", "elevation", "distance")
_CARTESIAN: Final = ("X", "Y", "Z")
_HORIZONTAL: Final = {"azimuth": ("left", "right"), "X": ("left", "right")}
_VERTICAL: Final = {"elevation": ("top", "bottom"), "Z": ("top", "bottom")}


START: Final = Fraction(0)


class ValueFault(Exception):
    """What a value should be and is not, as a clause."""


def number(text: str, what: str) -> float:
    """A finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueFault(f"{what} is {shown(text)}, not a number")
    return value


def whole(text: str, what: str) -> int:
    if not _WHOLE.fullmatch(text.strip()):
        raise ValueFault(f"{what} is {shown(text)}, not a whole number")
    return int(text)


def truth(text: str, what: str) -> bool:
    """Written as 0 or 1, or in the words of XML."""
    found = {"0": False, "1": True, "false": False, "true": True}.get(text.strip())
    if found is None:
        raise ValueFault(f"{what} is {shown(text)}, neither 0 nor 1")
    return found


def time(text: str, what: str) -> Fraction:
    """A time as `hh:mm:ss.zzzzz`, where the decimals may be a count of samples (`00:00:01.24000S48000`).

    Examples
    --------
    >>> time("00:01:01.5", "rtime")
    Fraction(123, 2)
    >>> time("00:00:01.24000S48000", "rtime")
    Fraction(3, 2)
    """
    found = _TIME.fullmatch(text.strip())
    if found is None or (found[5] is not None and not (found[4] and int(found[5]))):
        raise ValueFault(f"{what} is {shown(text)}, not a time as hh:mm:ss.zzzzz")
    hours, minutes, seconds = (int(found[part]) for part in (1, 2, 3))
    rest = Fraction(int(found[4] or 0), int(found[5]) if found[5] else 10 ** len(found[4] or ""))
    return (hours * 60 + minutes) * 60 + seconds + rest


def seconds(text: str, what: str) -> Fraction:
    """A count of seconds."""
    if not _SECONDS.fullmatch(text.strip()):
        raise ValueFault(f"{what} is {shown(text)}, not a count of seconds")
    return Fraction(text.strip())


def gain(element: Element) -> float:
    """A linear gain, also where it is written in dB."""
    value = number(element.text, "gain")
    if element.attributes.get("gainUnit") != "dB":
        return value
    if value > 200.0:
        raise ValueFault(f"gain is {value:g} dB")
    return float(10.0 ** (value / 20.0))


def object_position(positions: list[Element]) -> tuple[Position, ScreenEdgeLock]:
    """The position of an object, from its `position` elements."""
    found: dict[str, float] = {}
    for element in positions:
        coordinate = element.attributes.get("coordinate", "")
        if coordinate in found:
            raise ValueFault(f"{shown(coordinate)} is there twice")
        found[coordinate] = number(element.text, coordinate)
    if _is_polar(found):
        return PolarPosition(found["azimuth"], found["elevation"], found.get("distance", 1.0)), _lock(positions)
    return CartesianPosition(found["X"], found["Y"], found.get("Z", 0.0)), _lock(positions)


def speaker_position(positions: list[Element]) -> tuple[SpeakerPosition, ScreenEdgeLock]:
    """The position of a loudspeaker with its bounds, from its `position` elements."""
    found: dict[str, dict[str, float]] = {}
    for element in positions:
        coordinate, bound = element.attributes.get("coordinate", ""), element.attributes.get("bound", "value")
        if bound not in ("value", "min", "max"):
            raise ValueFault(f"bound is {shown(bound)}, neither min nor max")
        found.setdefault(coordinate, {})[bound] = number(element.text, coordinate)
    polar = _is_polar(found)
    if any("value" not in values for values in found.values()):
        raise ValueFault("a bound has no value")
    coordinates = {name: Coordinate(**values) for name, values in found.items()}
    lock = _lock(positions)
    if polar:
        distance = coordinates.get("distance", Coordinate(1.0))
        return PolarSpeakerPosition(coordinates["azimuth"], coordinates["elevation"], distance), lock
    return CartesianSpeakerPosition(coordinates["X"], coordinates["Y"], coordinates.get("Z", Coordinate(0.0))), lock


def _is_polar(found: Mapping[str, object]) -> bool:
    """Whether these coordinates are polar; the last one of three may be left out."""
    for kind in (_POLAR, _CARTESIAN):
        if {*kind[:2]} <= found.keys() <= {*kind}:
            return kind is _POLAR
    raise ValueFault(
        "its position has " + (", ".join(sorted(map(shown, found))) or "no coordinates")
        + "; azimuth, elevation and distance, or X, Y and Z are needed"
    )  # fmt: skip


def _lock(positions: list[Element]) -> ScreenEdgeLock:
    horizontal = vertical = None
    for element in positions:
        edge, coordinate = element.attributes.get("screenEdgeLock"), element.attributes.get("coordinate", "")
        if edge is None:
            continue
        if edge in _HORIZONTAL.get(coordinate, ()):
            horizontal = edge
        elif edge in _VERTICAL.get(coordinate, ()):
            vertical = edge
        else:
            raise ValueFault(f"screenEdgeLock of {shown(coordinate)} is {shown(edge)}")
    return ScreenEdgeLock(horizontal, vertical)


def channel_lock(element: Element) -> ChannelLock | None:
    return ChannelLock(_optional(element, "maxDistance")) if truth(element.text, "channelLock") else None


def divergence(element: Element) -> ObjectDivergence:
    value = number(element.text, "objectDivergence")
    return ObjectDivergence(value, _optional(element, "azimuthRange"), _optional(element, "positionRange"))


def jump_position(element: Element) -> JumpPosition:
    length = element.attributes.get("interpolationLength")
    return JumpPosition(
        truth(element.text, "jumpPosition"), None if length is None else seconds(length, "interpolationLength")
    )


def zone(element: Element) -> Zone:
    given = element.attributes
    polar = ("minAzimuth", "maxAzimuth", "minElevation", "maxElevation")
    cartesian = ("minX", "minY", "minZ", "maxX", "maxY", "maxZ")
    if given.keys() >= {*polar} and not given.keys() & {*cartesian}:
        return PolarZone(*(number(given[name], name) for name in polar))
    if given.keys() >= {*cartesian} and not given.keys() & {*polar}:
        return CartesianZone(*(number(given[name], name) for name in cartesian))
    raise ValueFault("a zone has neither all bounds of azimuth and elevation nor all of X, Y and Z")


def _optional(element: Element, name: str) -> float | None:
    text = element.attributes.get(name)
    return None if text is None else number(text, name)


def shown(text: str) -> str:
    """A text of the file in a sentence: in quotes, and not longer than it helps."""
    return repr(text if len(text) <= 40 else text[:37] + "...")
