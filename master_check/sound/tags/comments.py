"""Vorbis comments, in FLAC and in Ogg (Vorbis I specification, section 5; RFC 7845; RFC 9639), and APEv2 tags."""

import os
from collections.abc import Iterator
from io import BytesIO
from typing import BinaryIO, Final

from master_check.sound.tags.id3 import GAINS
from master_check.sound.tags.tag import LONGEST, Tag, stated

_COMMENTS: Final = 10_000
_BLOCKS: Final = 1000
_PAGES: Final = 2000
"""Ogg pages of 64 kB that the headers of a stream may fill: a large picture has some hundred."""

_NAMES: Final = {
    "title": "title",
    "artist": "artist",
    "album": "album",
    "date": "date",
    "isrc": "isrc",
    "description": "description",
    "comment": "comment",
    "encoder": "software",
} | GAINS

_LONGEST_NAME: Final = 40


def of_flac(file: BinaryIO, start: int) -> Iterator[Tag]:
    """What the comment block of a FLAC states whose marker stands at `start`."""
    at = start + 4
    for _ in range(_BLOCKS):
        file.seek(at)
        head = file.read(4)
        if len(head) < 4:
            return
        if head[0] & 0x7F == 4:
            yield from _comments(file, at + 4 + int.from_bytes(head[1:], "big"))
        if head[0] & 0x80:
            return
        at += 4 + int.from_bytes(head[1:], "big")


def of_ogg(file: BinaryIO, start: int) -> Iterator[Tag]:
    """What the second packet of the first Vorbis or Opus stream states."""
    file.seek(start)
    packet = _second_packet(file)
    for begin in (b"\x03vorbis", b"OpusTags"):
        if packet.startswith(begin):
            content = BytesIO(packet)
            content.seek(len(begin))
            yield from _comments(content, len(packet))


def _second_packet(file: BinaryIO) -> bytes:
    """The second packet of the first stream (RFC 3533): pages with its serial number, joined."""
    serial, packets, packet = None, 0, bytearray()
    for _ in range(_PAGES):
        head = file.read(27)
        if len(head) < 27 or head[:4] != b"OggS":
            break
        sizes = file.read(head[26])
        content = file.read(sum(sizes))
        serial = serial or head[14:18]
        if head[14:18] != serial:
            continue
        at = 0
        for size in sizes:
            if packets == 1:
                packet += content[at : at + size]
            at += size
            packets += size < 255
            if packets == 2:
                return bytes(packet)
    return bytes(packet)


def _comments(file: BinaryIO, end: int) -> Iterator[Tag]:
    """Comments from where a file stands: each a length, then NAME=text in UTF-8."""
    _skip(file, _little(file))
    for _ in range(min(_little(file), _COMMENTS)):
        size = _little(file)
        after = file.tell() + size
        if not size or after > end:
            return
        read = file.read(min(size, _LONGEST_NAME + 4 * LONGEST))
        name, equals, text = read.partition(b"=")
        known = _NAMES.get(name[:_LONGEST_NAME].decode("ascii", "replace").lower())
        if known and equals and text.strip():
            yield stated(known, "Vorbis comment", text.decode("utf-8", "replace"))
        file.seek(after)


def of_ape(file: BinaryIO) -> Iterator[Tag]:
    """What an APEv2 tag at the end of a file states, an ID3v1 behind it or not (from memory)."""
    size = os.fstat(file.fileno()).st_size
    for end in (size, size - 128):
        file.seek(max(0, end - 32))
        foot = file.read(32)
        if len(foot) == 32 and foot[:8] == b"APETAGEX":
            length, items = int.from_bytes(foot[12:16], "little"), int.from_bytes(foot[16:20], "little")
            file.seek(max(0, end - length))
            yield from _items(file, min(items, _COMMENTS), end - 32)
            return


def _items(file: BinaryIO, count: int, end: int) -> Iterator[Tag]:
    for _ in range(count):
        size, flags = _little(file), _little(file)
        at = file.tell()
        name, nul, _ = file.read(256).partition(b"\0")
        after = at + len(name) + 1 + size
        if not nul or after > end:
            return
        known = _NAMES.get(name.decode("ascii", "replace").lower())
        if known and not flags & 6:  # text
            file.seek(at + len(name) + 1)
            yield stated(known, "APE", file.read(min(size, 4 * LONGEST)).decode("utf-8", "replace"))
        file.seek(after)


def _little(file: BinaryIO) -> int:
    return int.from_bytes(file.read(4), "little")


def _skip(file: BinaryIO, size: int) -> None:
    file.seek(size, os.SEEK_CUR)
