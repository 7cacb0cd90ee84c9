"""What there is to be rendered: every track with its channel, its object and its pack (ITU-R BS.2127-1, section 5.2).

From programme to content, object, pack and channel. Without a programme all objects are rendered; without objects, all
tracks of `chna`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from typing import Final

from master_check.sound.adm import common_definitions
from master_check.sound.adm.model import (
    DEFAULT_SCREEN,
    SILENT,
    Adm,
    AudioChannelFormat,
    AudioObject,
    AudioPackFormat,
    AudioProgramme,
    Screen,
    TypeDefinition,
)

MOST: Final = 1024
"""Items of one programme; music has at most 128 tracks (common practice)."""

_DEEPEST: Final = 32
"""Objects in objects."""

_MOST_PATHS: Final = 10_000


@dataclass(frozen=True, slots=True)
class RenderingItem:
    """One track to be rendered.

    Attributes
    ----------
    track : int
        The channel of the file, from 0.
    channel : AudioChannelFormat
        Its type, blocks and band.
    packs : tuple of AudioPackFormat
        From the one that the object names down to the one that the channel is in.
    objects : tuple of AudioObject
        From the one that the content names down to its own; empty where only `chna` says what there is.
    screen : Screen
        The programme's.
    uid : str
    """

    track: int
    channel: AudioChannelFormat
    packs: tuple[AudioPackFormat, ...]
    objects: tuple[AudioObject, ...] = ()
    screen: Screen = DEFAULT_SCREEN
    uid: str = ""

    @property
    def type(self) -> TypeDefinition:
        return self.channel.type

    @property
    def start(self) -> Fraction:
        """When its object begins, seconds."""
        return (self.objects[-1].start if self.objects else None) or Fraction(0)

    @property
    def duration(self) -> Fraction | None:
        """For how long; None to the end of the file."""
        return self.objects[-1].duration if self.objects else None

    @property
    def gain(self) -> float:
        """Of all its objects together, linear."""
        gain = 1.0
        for object in self.objects:
            gain *= 0.0 if object.mute else object.gain
        return gain


def rendering_items(adm: Adm, programme: str | None = None) -> tuple[RenderingItem, ...]:
    """What is rendered of a programme; that of the lowest identifier unless named.

    References that lead nowhere are passed over here; the rules of the metadata name them. A track may be there
    twice, where two objects use it.

    Raises
    ------
    KeyError
        There is no such programme.
    ValueError
        There are more than `MOST`.
    """
    found = tuple(islice(_items(adm, programme), MOST + 1))
    if len(found) > MOST:
        raise ValueError(f"more than {MOST} tracks are to be rendered")
    return found


def _items(adm: Adm, programme: str | None) -> Iterator[RenderingItem]:
    if not adm.objects:
        yield from _tracks(adm, None, (), DEFAULT_SCREEN)
        return
    chosen = selected_programme(adm, programme)
    screen = chosen.screen if chosen else DEFAULT_SCREEN
    unselected = {other for object in adm.objects.values() for other in object.complementary}
    for path in _paths(adm, _roots(adm, chosen)):
        if not any(object.id in unselected for object in path):
            yield from _tracks(adm, path[-1], path, screen)


def selected_programme(adm: Adm, id: str | None = None) -> AudioProgramme | None:
    """The programme of this identifier, or of the lowest; None where there is none.

    Raises
    ------
    KeyError
        There is no such programme.
    """
    if id is not None:
        return adm.programmes[id.upper()]
    return adm.programmes[min(adm.programmes)] if adm.programmes else None


def _roots(adm: Adm, programme: AudioProgramme | None) -> Iterator[AudioObject]:
    if programme is None:
        below = {other for object in adm.objects.values() for other in object.objects}
        yield from (object for object in adm.objects.values() if object.id not in below)
        return
    for content in programme.contents:
        for object in adm.contents[content].objects if content in adm.contents else ():
            if object in adm.objects:
                yield adm.objects[object]


def _paths(adm: Adm, roots: Iterator[AudioObject]) -> Iterator[tuple[AudioObject, ...]]:
    """Every object, behind those that it is in; however often one is used, no more than so many."""
    waiting: list[tuple[AudioObject, ...]] = [(root,) for root in roots]
    waiting.reverse()
    for _ in range(_MOST_PATHS):
        if not waiting:
            return
        path = waiting.pop()
        yield path
        below = [adm.objects[id] for id in path[-1].objects if id in adm.objects]
        if len(path) < _DEEPEST:
            waiting += [(*path, object) for object in reversed(below) if object not in path]


def _tracks(
    adm: Adm, object: AudioObject | None, path: tuple[AudioObject, ...], screen: Screen
) -> Iterator[RenderingItem]:
    """The tracks of an object, or of all `chna`."""
    for uid in adm.rows if object is None else object.track_uids:
        channel = channel_of(adm, uid)
        if uid == SILENT or uid not in adm.rows or channel is None:
            continue
        own = pack_of(adm, uid)
        roots = object.packs if object is not None and object.packs else (own,) if own else ()
        packs = next((found for root in roots if (found := pack_path(adm, root, channel.id))), ())
        yield RenderingItem(adm.rows[uid].track, channel, packs, path, screen, uid)


def channel_of(adm: Adm, uid: str) -> AudioChannelFormat | None:
    """The channel that a track's UID stands for: by its track and stream formats, or named at once."""
    row = adm.rows.get(uid)
    stated = adm.track_uids.get(uid)
    for reference in (
        row.format if row else None,
        stated.track if stated else None,
        stated.channel if stated else None,
    ):
        found = channel_of_format(adm, reference) if reference else None
        if found is not None:
            return found
    return None


def channel_of_format(adm: Adm, reference: str) -> AudioChannelFormat | None:
    """The channel behind an `AT_` or `AC_` identifier."""
    if reference.startswith("AC_"):
        return find_channel(adm, reference.removesuffix("_00"))
    track = adm.tracks.get(reference)
    stream = adm.streams.get(track.stream or "") if track else None
    if stream is not None:
        return find_channel(adm, stream.channel) if stream.channel else None
    if common_definitions.is_common(reference):
        return find_channel(adm, f"AC_{reference[3:11]}")
    return None


def pack_of(adm: Adm, uid: str) -> str | None:
    """The identifier of the pack that a track's UID names."""
    row = adm.rows.get(uid)
    stated = adm.track_uids.get(uid)
    return (row.pack if row else None) or (stated.pack if stated else None)


def find_channel(adm: Adm, id: str) -> AudioChannelFormat | None:
    """A channel of the file or of the common definitions."""
    return adm.channels.get(id) or common_definitions.channels().get(id)


def find_pack(adm: Adm, id: str) -> AudioPackFormat | None:
    """A pack of the file or of the common definitions."""
    return adm.packs.get(id) or common_definitions.packs().get(id)


def pack_path(adm: Adm, root: str, channel: str) -> tuple[AudioPackFormat, ...]:
    """The packs from `root` down to the one that a channel is in; empty where it is in none of them."""
    waiting: list[tuple[str, tuple[AudioPackFormat, ...]]] = [(root, ())]
    seen: set[str] = set()
    while waiting:
        id, above = waiting.pop()
        pack = find_pack(adm, id)
        if pack is None or id in seen:
            continue
        seen.add(id)
        if channel in pack.channels:
            return (*above, pack)
        waiting += [(inner, (*above, pack)) for inner in reversed(pack.packs)]
    return ()
