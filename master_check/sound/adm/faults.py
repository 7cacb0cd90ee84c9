"""What is wrong with a file's ADM, by the rules of `tables.adm_rules` that need no sound."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice, pairwise
from typing import Final

from master_check.sound.adm.items import RenderingItem, channel_of, find_channel, find_pack
from master_check.sound.adm.model import (
    SILENT,
    Adm,
    AudioChannelFormat,
    AudioObject,
    Block,
    CartesianPosition,
    Coordinate,
    DirectSpeakersBlock,
    ObjectsBlock,
    PolarPosition,
    PolarSpeakerPosition,
    TypeDefinition,
)

COVERED: Final = (TypeDefinition.DirectSpeakers, TypeDefinition.Objects)

KEPT: Final = 200
"""Places of one rule that are kept; all are counted."""

_ROUNDED_S: Final = Fraction(1, 50_000)
"""Times with five decimals may be off by so much together."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One place where the metadata breaks a rule.

    Attributes
    ----------
    rule : str
        A key of `ADM_QUANTITIES`.
    element : str
        The identifier of what is at fault.
    name : str
        What people call it; empty where it has no name.
    detail : str
        What is there, such as the reference that leads nowhere; empty where the rule says all.
    at_s : float or None
        When, in seconds from the start of the file.
    """

    rule: str
    element: str
    name: str = ""
    detail: str = ""
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of the file beside its metadata.

    Attributes
    ----------
    items : tuple of RenderingItem
        What the programme renders.
    rate, channels, frames : int
    bit_depth : int or None
    """

    items: tuple[RenderingItem, ...]
    rate: int
    channels: int
    frames: int
    bit_depth: int | None = None

    @property
    def end(self) -> Fraction:
        """Seconds."""
        return Fraction(self.frames, self.rate)

    @property
    def sample(self) -> Fraction:
        """How long a gap may be before it counts: one sample, and what five decimals leave open."""
        return Fraction(1, self.rate) + _ROUNDED_S


def faults(adm: Adm, facts: Facts) -> tuple[dict[str, int], tuple[Fault, ...]]:
    """How often each rule is broken, and the first places of each."""
    counts: dict[str, int] = {}
    kept: list[Fault] = []
    for rule, find in _RULES.items():
        found = find(adm, facts)
        first = [Fault(rule, *rest) for rest in islice(found, KEPT)]
        counts[rule] = len(first) + sum(1 for _ in found)
        kept += first
    return counts, tuple(kept)


_Found = Iterator[tuple[str, str, str, float | None]]
"""Element, name, detail and time of each fault."""


def _uncovered(adm: Adm, facts: Facts) -> _Found:
    seen = dict.fromkeys(item.channel.id for item in facts.items if item.type not in COVERED)
    for id in seen:
        channel = find_channel(adm, id)
        if channel is not None:
            yield id, channel.name, channel.type.name, None
    for uid, row in adm.rows.items():  # common definitions of these types are not read
        if channel_of(adm, uid) is None and row.format[3:7] in ("0002", "0004", "0005"):
            yield uid, "", TypeDefinition(int(row.format[3:7])).name, None


def _dangling(adm: Adm, facts: Facts) -> _Found:
    for programme in adm.programmes.values():
        yield from _missing(programme.id, programme.name, programme.contents, adm.contents.get)
    for content in adm.contents.values():
        yield from _missing(content.id, content.name, content.objects, adm.objects.get)
    for object in adm.objects.values():
        yield from _missing(object.id, object.name, (*object.objects, *object.complementary), adm.objects.get)
        yield from _missing(object.id, object.name, object.packs, lambda id: find_pack(adm, id) or _is_other(id))
        uids = tuple(uid for uid in object.track_uids if uid != SILENT)
        yield from _missing(object.id, object.name, uids, lambda id: id in adm.rows or id in adm.track_uids or None)
    for pack in adm.packs.values():
        yield from _missing(pack.id, pack.name, pack.packs, lambda id: find_pack(adm, id) or _is_other(id))
        yield from _missing(pack.id, pack.name, pack.channels, lambda id: find_channel(adm, id) or _is_other(id))
    for stream in adm.streams.values():
        yield from _missing(stream.id, "", stream.tracks, adm.tracks.get)
        channel = (stream.channel,) if stream.channel else ()
        yield from _missing(stream.id, "", channel, lambda id: find_channel(adm, id) or _is_other(id))
    for track in adm.tracks.values():
        yield from _missing(track.id, "", (track.stream,) if track.stream else (), adm.streams.get)
    for uid, row in adm.rows.items():
        if channel_of(adm, uid) is None and not _is_other(row.format):
            yield uid, "", row.format, None
        packs = (row.pack,) if row.pack else ()
        yield from _missing(uid, "", packs, lambda id: find_pack(adm, id) or _is_other(id))


def _missing(id: str, name: str, references: tuple[str, ...], find: Callable[[str], object]) -> _Found:
    for reference in references:
        if not find(reference):
            yield id, name, reference, None


def _is_other(id: str) -> bool:
    """Whether it stands for a common definition of a type that is not read (BS.2094)."""
    return id[3:7] in ("0002", "0004", "0005") and id[7:11] < "1000"


def _repeated(adm: Adm, facts: Facts) -> _Found:
    for id in adm.repeated:
        yield id, "", "", None
    uids: set[str] = set()
    for row in adm.chna:
        if row.uid in uids:
            yield row.uid, "", "", None
        uids.add(row.uid)


def _tracks_missing(adm: Adm, facts: Facts) -> _Found:
    for object in adm.objects.values():
        for uid in object.track_uids:
            if uid != SILENT and uid in adm.track_uids and uid not in adm.rows:
                yield object.id, object.name, uid, None
    for row in adm.chna:
        if row.track >= facts.channels:
            yield row.uid, "", f"track {row.track + 1}", None


def _tracks_unused(adm: Adm, facts: Facts) -> _Found:
    used = {item.track for item in facts.items}
    listed = {row.track: row.uid for row in reversed(adm.chna)}
    for track in range(facts.channels):
        if track not in used:
            yield listed.get(track, ""), "", f"track {track + 1}", None


def _pack_conflicts(adm: Adm, facts: Facts) -> _Found:
    inside: dict[str, list[str]] = {}
    for object in adm.objects.values():
        if not object.track_uids:
            if object.packs:
                yield object.id, object.name, "no tracks", None
            continue
        if not object.packs:
            yield object.id, object.name, "no pack", None
            continue
        for pack in object.packs:
            inside.setdefault(pack, _channels(adm, pack))
        wanted = [channel for pack in object.packs for channel in inside[pack]]
        found = [channel_of(adm, uid) for uid in object.track_uids if uid != SILENT]
        ids = [channel.id for channel in found if channel is not None]
        strange = sorted({*ids} - {*wanted})
        silent = object.track_uids.count(SILENT)
        if strange:
            yield object.id, object.name, f"{strange[0]} is not in {object.packs[0]}", None
        elif len(set(ids)) < len(ids) and len(object.packs) == 1:
            yield object.id, object.name, "two tracks for one channel", None
        elif None not in found and wanted and len(ids) + silent != len(wanted):
            yield object.id, object.name, f"{len(ids) + silent} tracks for {len(wanted)} channels", None


def _channels(adm: Adm, root: str) -> list[str]:
    """All channels of a pack and those in it."""
    waiting, seen, found = [root], set[str](), list[str]()
    while waiting:
        id = waiting.pop()
        pack = find_pack(adm, id)
        if pack is not None and id not in seen:
            seen.add(id)
            found += pack.channels
            waiting += pack.packs
    return found


def _format_conflicts(adm: Adm, facts: Facts) -> _Found:
    for uid in adm.track_uids.values():
        if uid.sample_rate not in (None, facts.rate):
            yield uid.id, "", f"{uid.sample_rate} Hz", None
        elif facts.bit_depth is not None and uid.bit_depth not in (None, facts.bit_depth):
            yield uid.id, "", f"{uid.bit_depth} bit", None


def _used(facts: Facts) -> Iterator[tuple[RenderingItem, AudioChannelFormat]]:
    """Every channel that is rendered, once for each object that it is in."""
    seen = set[tuple[str, str]]()
    for item in facts.items:
        key = (item.objects[-1].id if item.objects else "", item.channel.id)
        if key not in seen:
            seen.add(key)
            yield item, item.channel


def _name(item: RenderingItem) -> str:
    """Of its object; of a bed's channel, its own too."""
    object = item.objects[-1].name if item.objects else ""
    if item.type is TypeDefinition.Objects:
        return object
    return f"{object} {item.channel.name}".strip()


def _durations_missing(adm: Adm, facts: Facts) -> _Found:
    for item, channel in _used(facts):
        if len(channel.blocks) < 2:
            continue
        for block in channel.blocks:
            if block.rtime is None or block.duration is None:
                yield block.id, _name(item), "", _at(item, block)


def _at(item: RenderingItem, block: Block) -> float:
    return float(item.start + (block.rtime or 0))


def _joints(facts: Facts) -> Iterator[tuple[RenderingItem, Block, Fraction]]:
    """Every block that follows another, and how long after that one's end it begins."""
    for item, channel in _used(facts):
        for before, after in pairwise(channel.blocks):
            if before.rtime is not None and before.duration is not None and after.rtime is not None:
                yield item, after, after.rtime - (before.rtime + before.duration)


def _gaps(adm: Adm, facts: Facts) -> _Found:
    for item, block, gap in _joints(facts):
        if gap > facts.sample:
            yield block.id, _name(item), f"{float(gap):.5f} s", _at(item, block) - float(gap)


def _overlaps(adm: Adm, facts: Facts) -> _Found:
    for item, block, gap in _joints(facts):
        if -gap > facts.sample:
            yield block.id, _name(item), f"{-float(gap):.5f} s", _at(item, block)


def _times_outside(adm: Adm, facts: Facts) -> _Found:
    for object in {item.objects[-1].id: item.objects[-1] for item in facts.items if item.objects}.values():
        start = object.start or Fraction(0)
        end = start + (object.duration or 0)
        if end > facts.end + facts.sample:
            yield object.id, object.name, f"{float(end - facts.end):.3f} s", float(facts.end)
    for item, channel in _used(facts):
        end = _object_end(item.objects[-1] if item.objects else None, facts)
        for block in channel.blocks:
            after = item.start + (block.rtime or 0) + (block.duration or 0) - end
            if after > facts.sample:
                yield block.id, _name(item), f"{float(after):.3f} s", float(end)


def _object_end(object: AudioObject | None, facts: Facts) -> Fraction:
    """Its own, or that of the file where it names none; one past the file's has been named already."""
    if object is None or object.duration is None:
        return facts.end
    return (object.start or 0) + object.duration


def _coordinate_conflicts(adm: Adm, facts: Facts) -> _Found:
    for item, channel in _used(facts):
        for block in channel.blocks:
            if isinstance(block, ObjectsBlock) and block.cartesian != isinstance(block.position, CartesianPosition):
                yield block.id, _name(item), "", _at(item, block)


def _values_outside(adm: Adm, facts: Facts) -> _Found:
    for item, channel in _used(facts):
        for block in channel.blocks:
            first = next(_outside(block), None)
            if first is not None:
                yield block.id, _name(item), "{} {:g}".format(*first), _at(item, block)


def _outside(block: Block) -> Iterator[tuple[str, float]]:
    """Values of a block outside the ranges of BS.2076-2, section 5.4 (from memory)."""
    for name, value, kind in _values(block):
        low, high = _RANGES[kind]
        if not low <= value <= high:
            yield name, value


def _values(block: Block) -> Iterator[tuple[str, float, str]]:
    """Name and value of each, and the name of its range."""
    position = block.position
    if isinstance(position, PolarPosition | PolarSpeakerPosition):
        for name, value in zip(("azimuth", "elevation", "distance"), _polar(position), strict=True):
            yield name, _value(value), name
    else:
        for name, value in zip("XYZ", (position.x, position.y, position.z), strict=True):
            yield name, _value(value), "room"
    yield "gain", block.gain, "gain"
    yield "importance", block.importance, "importance"
    if isinstance(block, DirectSpeakersBlock):
        return
    for name in ("width", "height", "depth"):
        yield name, getattr(block, name), "extent" if block.cartesian else name
    yield "diffuse", block.diffuse, "share"
    if block.divergence is not None:
        yield "objectDivergence", block.divergence.value, "share"
        yield "azimuthRange", block.divergence.azimuth_range or 0.0, "azimuthRange"
        yield "positionRange", block.divergence.position_range or 0.0, "share"


def _polar(position: PolarPosition | PolarSpeakerPosition) -> tuple[float | Coordinate, ...]:
    return position.azimuth, position.elevation, position.distance


def _value(coordinate: float | Coordinate) -> float:
    return coordinate.value if isinstance(coordinate, Coordinate) else coordinate


_RANGES: Final = {
    "azimuth": (-180.0, 180.0),
    "elevation": (-90.0, 90.0),
    "distance": (0.0, 1.0),
    "room": (-1.0, 1.0),
    "gain": (0.0, 1000.0),
    "importance": (0, 10),
    "width": (0.0, 360.0),
    "height": (0.0, 360.0),
    "depth": (0.0, 1.0),
    "extent": (0.0, 2.0),
    "share": (0.0, 1.0),
    "azimuthRange": (0.0, 180.0),
}

_RULES: Final[dict[str, Callable[[Adm, Facts], _Found]]] = {
    "adm_uncovered_types": _uncovered,
    "adm_dangling_references": _dangling,
    "adm_repeated_identifiers": _repeated,
    "adm_tracks_missing": _tracks_missing,
    "adm_tracks_unused": _tracks_unused,
    "adm_pack_conflicts": _pack_conflicts,
    "adm_format_conflicts": _format_conflicts,
    "adm_durations_missing": _durations_missing,
    "adm_block_gaps": _gaps,
    "adm_block_overlaps": _overlaps,
    "adm_values_outside": _values_outside,
    "adm_coordinate_conflicts": _coordinate_conflicts,
    "adm_times_outside": _times_outside,
}
