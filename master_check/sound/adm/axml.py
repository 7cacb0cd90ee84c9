"""The `axml` chunk: ADM as XML (ITU-R BS.2076-2), element by element into the classes of `model`.

Of whatever namespace: files have had several since the model was made. What the model does not know is passed over;
values that are no values are an error.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, Final

from master_check.sound.adm import values
from master_check.sound.adm.model import (
    Adm,
    AudioChannelFormat,
    AudioContent,
    AudioObject,
    AudioPackFormat,
    AudioProgramme,
    AudioStreamFormat,
    AudioTrackFormat,
    AudioTrackUID,
    Block,
    CartesianPosition,
    DirectSpeakersBlock,
    Frequency,
    JumpPosition,
    LoudnessMetadata,
    ObjectsBlock,
    PolarPosition,
    Position,
    Screen,
    TypeDefinition,
)
from master_check.sound.adm.values import ValueFault, shown
from master_check.sound.adm.xml import Element, XmlError, read

MOST_BLOCKS: Final = 400_000
"""Blocks of one file; each takes some 300 bytes."""

_MOST_ELEMENTS: Final = 5_000
"""Elements of any other kind."""


class AxmlError(Exception):
    """Why a chunk cannot be read, as a clause."""


@dataclass(slots=True)
class _Reading:
    """What has been read so far."""

    adm: Adm = field(default_factory=Adm)
    blocks: list[Block] = field(default_factory=list)
    count: int = 0
    repeated: list[str] = field(default_factory=list)


def parse(pieces: Iterable[bytes]) -> Adm:
    """The metadata in a chunk's content, given in pieces; without `chna`.

    Raises
    ------
    AxmlError
        It is no XML, could be a trap, is too large, or has a value that is none.
    """
    reading = _Reading()
    try:
        read(pieces, lambda element, above: _take(reading, element, above))
    except XmlError as error:
        raise AxmlError(str(error)) from None
    _link(reading.adm)
    return replace(reading.adm, repeated=tuple(dict.fromkeys(reading.repeated)))


def _link(adm: Adm) -> None:
    """Track formats whose stream format only names them, and not they it."""
    for stream in adm.streams.values():
        for track in stream.tracks:
            if track in adm.tracks and adm.tracks[track].stream is None:
                adm.tracks[track] = replace(adm.tracks[track], stream=stream.id)


def _take(reading: _Reading, element: Element, above: tuple[Element, ...]) -> bool:
    """Whether an element that has ended was one of the model, and is kept."""
    try:
        if element.name == "audioBlockFormat" and above and above[-1].name == "audioChannelFormat":
            _take_block(reading, element, _type(above[-1]))
            return True
        if element.name not in _ELEMENTS:
            return False
        _keep(reading, element)
        return True
    except ValueFault as fault:
        raise AxmlError(f"{_named(element)}, line {element.line}: {fault}") from None


def _keep(reading: _Reading, element: Element) -> None:
    attribute, place, make = _ELEMENTS[element.name]
    id = element.attributes.get(attribute, "").strip().upper()
    if not id:
        raise ValueFault(f"it has no {attribute}")
    made = make(element, id)
    if element.name == "audioChannelFormat":
        made, reading.blocks = replace(made, blocks=_in_order(reading.blocks)), []
    kept: dict[str, Any] = getattr(reading.adm, place)
    if id in kept:
        reading.repeated.append(id)
        return
    kept[id] = made
    if len(kept) > _MOST_ELEMENTS:
        raise ValueFault(f"there are more than {_MOST_ELEMENTS} of its kind")


def _in_order(blocks: list[Block]) -> tuple[Block, ...]:
    """By time, as the reference renderer has it."""
    return tuple(sorted(blocks, key=lambda block: (block.rtime or values.START, block.duration or values.START)))


def _take_block(reading: _Reading, element: Element, type: TypeDefinition) -> None:
    reading.count += 1
    if reading.count > MOST_BLOCKS:
        raise ValueFault(f"there are more than {MOST_BLOCKS} blocks")
    if type is TypeDefinition.Objects:
        reading.blocks.append(_objects_block(element))
    elif type is TypeDefinition.DirectSpeakers:
        reading.blocks.append(_speakers_block(element))


def _named(element: Element) -> str:
    id = next((value for key, value in element.attributes.items() if key.endswith(("ID", "UID"))), "")
    return f"{element.name} {id[:30]}".rstrip()


# Parts of the elements


def _type(element: Element) -> TypeDefinition:
    """By word or by label, which have to agree."""
    word, label = element.attributes.get("typeDefinition"), element.attributes.get("typeLabel")
    try:
        found = {TypeDefinition[word]} if word else set()
        if label:
            found.add(TypeDefinition(int(label, 16)))
    except (KeyError, ValueError):
        raise ValueFault(f"its type is {shown(word or label or '')}, which BS.2076 does not know") from None
    if len(found) != 1:
        raise ValueFault("it has no type" if not found else f"its type is both {word} and {label}")
    return found.pop()


def _references(element: Element, name: str) -> tuple[str, ...]:
    return tuple(child.text.strip().upper() for child in element.all(name))


def _reference(element: Element, name: str) -> str | None:
    found = _references(element, name)
    return found[0] if found else None


def _time(element: Element, name: str) -> Fraction | None:
    text = element.attributes.get(name)
    return None if text is None else values.time(text, name)


def _whole(element: Element, name: str) -> int | None:
    text = element.attributes.get(name)
    return None if text is None else values.whole(text, name)


def _number(element: Element, name: str) -> float | None:
    child = element.find(name)
    return None if child is None else values.number(child.text, name)


def _truth(element: Element, name: str) -> bool:
    child = element.find(name)
    return child is not None and values.truth(child.text, name)


def _gain(element: Element) -> float:
    child = element.find("gain")
    return 1.0 if child is None else values.gain(child)


# The elements themselves


def _objects_block(element: Element) -> ObjectsBlock:
    position, lock = values.object_position(element.all("position"))
    channel_lock, divergence, jump, zones, importance = (
        element.find(name)
        for name in ("channelLock", "objectDivergence", "jumpPosition", "zoneExclusion", "importance")
    )
    return ObjectsBlock(
        element.attributes.get("audioBlockFormatID", "").upper(),
        position,
        *_span(element),
        lock,
        _truth(element, "cartesian"),
        _number(element, "width") or 0.0,
        _number(element, "height") or 0.0,
        _number(element, "depth") or 0.0,
        _gain(element),
        _number(element, "diffuse") or 0.0,
        values.channel_lock(channel_lock) if channel_lock else None,
        values.divergence(divergence) if divergence else None,
        values.jump_position(jump) if jump else _SMOOTH,
        _truth(element, "screenRef"),
        values.whole(importance.text, "importance") if importance else 10,
        tuple(values.zone(zone) for zone in zones.all("zone")) if zones else (),
    )


_SMOOTH: Final = JumpPosition()


def _speakers_block(element: Element) -> DirectSpeakersBlock:
    position, lock = values.speaker_position(element.all("position"))
    importance = element.find("importance")
    return DirectSpeakersBlock(
        element.attributes.get("audioBlockFormatID", "").upper(),
        position,
        *_span(element),
        lock,
        tuple(label.text.strip() for label in element.all("speakerLabel")),
        _gain(element),
        values.whole(importance.text, "importance") if importance else 10,
    )


def _span(element: Element) -> tuple[Fraction | None, Fraction | None]:
    """From when, and how long; a duration alone counts from the start, as the reference renderer has it."""
    rtime, duration = _time(element, "rtime"), _time(element, "duration")
    return (values.START if rtime is None and duration is not None else rtime), duration


def _channel(element: Element, id: str) -> AudioChannelFormat:
    """Without its blocks, which have been taken before it ends."""
    bands = {child.attributes.get("typeDefinition"): child.text for child in element.all("frequency")}
    low, high = (values.number(bands[name], name) if name in bands else None for name in ("lowPass", "highPass"))
    name = element.attributes.get("audioChannelFormatName", "")
    return AudioChannelFormat(id, name, _type(element), (), Frequency(low, high))


def _pack(element: Element, id: str) -> AudioPackFormat:
    return AudioPackFormat(
        id,
        element.attributes.get("audioPackFormatName", ""),
        _type(element),
        _references(element, "audioChannelFormatIDRef"),
        _references(element, "audioPackFormatIDRef"),
        _whole(element, "importance"),
        _number(element, "absoluteDistance"),
    )


def _stream(element: Element, id: str) -> AudioStreamFormat:
    return AudioStreamFormat(
        id,
        _reference(element, "audioChannelFormatIDRef"),
        _reference(element, "audioPackFormatIDRef"),
        _references(element, "audioTrackFormatIDRef"),
    )


def _track(element: Element, id: str) -> AudioTrackFormat:
    return AudioTrackFormat(id, _reference(element, "audioStreamFormatIDRef"))


def _track_uid(element: Element, id: str) -> AudioTrackUID:
    return AudioTrackUID(
        id,
        _reference(element, "audioTrackFormatIDRef"),
        _reference(element, "audioChannelFormatIDRef"),
        _reference(element, "audioPackFormatIDRef"),
        _whole(element, "sampleRate"),
        _whole(element, "bitDepth"),
    )


def _object(element: Element, id: str) -> AudioObject:
    interact = element.attributes.get("interact")
    return AudioObject(
        id,
        element.attributes.get("audioObjectName", ""),
        _time(element, "start"),
        _time(element, "duration"),
        _references(element, "audioPackFormatIDRef"),
        _references(element, "audioTrackUIDRef"),
        _references(element, "audioObjectIDRef"),
        _references(element, "audioComplementaryObjectIDRef"),
        _whole(element, "importance"),
        interact is not None and values.truth(interact, "interact"),
        _gain(element),
        _truth(element, "mute"),
        element.find("positionOffset") is not None,
    )


def _content(element: Element, id: str) -> AudioContent:
    return AudioContent(
        id,
        element.attributes.get("audioContentName", ""),
        element.attributes.get("audioContentLanguage"),
        _references(element, "audioObjectIDRef"),
        _loudness(element),
    )


def _programme(element: Element, id: str) -> AudioProgramme:
    screen = element.find("audioProgrammeReferenceScreen")
    return AudioProgramme(
        id,
        element.attributes.get("audioProgrammeName", ""),
        element.attributes.get("audioProgrammeLanguage"),
        _time(element, "start"),
        _time(element, "end"),
        _references(element, "audioContentIDRef"),
        _screen(screen) if screen else Screen(),
        _loudness(element),
    )


def _loudness(element: Element) -> tuple[LoudnessMetadata, ...]:
    return tuple(
        LoudnessMetadata(
            found.attributes.get("loudnessMethod"),
            _number(found, "integratedLoudness"),
            _number(found, "loudnessRange"),
            _number(found, "maxTruePeak"),
            _number(found, "maxMomentary"),
            _number(found, "maxShortTerm"),
        )
        for found in element.all("loudnessMetadata")
    )


def _screen(element: Element) -> Screen:
    """All three parts are needed, in degrees or as parts of the room."""
    ratio, centre, width = (element.find(name) for name in ("aspectRatio", "screenCentrePosition", "screenWidth"))
    aspect = ratio.text if ratio else element.attributes.get("aspectRatio")
    if aspect is None or centre is None or width is None:
        raise ValueFault("its reference screen lacks aspectRatio, screenCentrePosition or screenWidth")
    given = centre.attributes
    position: Position
    if given.keys() >= {"X", "Y", "Z"}:
        position = CartesianPosition(*(values.number(given[name], name) for name in ("X", "Y", "Z")))
    elif given.keys() >= {"azimuth", "elevation"}:
        position = PolarPosition(
            values.number(given["azimuth"], "azimuth"),
            values.number(given["elevation"], "elevation"),
            values.number(given.get("distance", "1"), "distance"),
        )
    else:
        raise ValueFault("its reference screen has no centre")
    unit = "X" if isinstance(position, CartesianPosition) else "azimuth"
    if unit not in width.attributes:
        raise ValueFault("its reference screen mixes degrees and parts of the room")
    return Screen(values.number(aspect, "aspectRatio"), position, values.number(width.attributes[unit], "screenWidth"))


_ELEMENTS: Final[dict[str, tuple[str, str, Callable[[Element, str], Any]]]] = {
    "audioProgramme": ("audioProgrammeID", "programmes", _programme),
    "audioContent": ("audioContentID", "contents", _content),
    "audioObject": ("audioObjectID", "objects", _object),
    "audioPackFormat": ("audioPackFormatID", "packs", _pack),
    "audioChannelFormat": ("audioChannelFormatID", "channels", _channel),
    "audioStreamFormat": ("audioStreamFormatID", "streams", _stream),
    "audioTrackFormat": ("audioTrackFormatID", "tracks", _track),
    "audioTrackUID": ("UID", "track_uids", _track_uid),
}
"""By name: the attribute with its identifier, where `Adm` keeps it, and what makes it."""
