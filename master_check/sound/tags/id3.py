"""ID3v2 tags: text frames of versions 2.2 to 2.4 (id3.org). Frame by frame, so that no picture is ever loaded."""

import os
from collections.abc import Iterator
from io import BytesIO
from typing import BinaryIO, Final

from master_check.sound.tags.tag import LONGEST, Tag, stated

MOST: Final = 1 << 24
"""Bytes of a tag inside a chunk that are read; in an MP3 it may be longer."""

_FRAMES: Final = 10_000
_FRAME_BYTES: Final = 4 * LONGEST

_NAMES: Final = {
    b"TIT2": "title",
    b"TT2": "title",
    b"TPE1": "artist",
    b"TP1": "artist",
    b"TALB": "album",
    b"TAL": "album",
    b"TSRC": "isrc",
    b"TRC": "isrc",
    b"TDRC": "date",
    b"TYER": "date",
    b"TYE": "date",
    b"TSSE": "software",
    b"TSS": "software",
}
_USER: Final = (b"TXXX", b"TXX")

GAINS: Final = {
    "replaygain_track_gain": "replaygain_track_gain_db",
    "replaygain_track_peak": "replaygain_track_peak",
    "replaygain_album_gain": "replaygain_album_gain_db",
    "replaygain_album_peak": "replaygain_album_peak",
    "replaygain_reference_loudness": "replaygain_reference_loudness",
    "r128_track_gain": "r128_track_gain",
    "r128_album_gain": "r128_album_gain",
}
"""Gains by what they are called in tags, in lower case."""

_ENCODINGS: Final = ("latin-1", "utf-16", "utf-16-be", "utf-8")

_UNREADABLE: Final = {3: 0x00C0, 4: 0x000C}
"""Frame flags by version: compressed, encrypted."""


def read(file: BinaryIO) -> Iterator[Tag]:
    """What the tag states that begins where the file stands; nothing where none begins."""
    start = file.tell()
    head = file.read(10)
    if len(head) < 10 or head[:3] != b"ID3" or head[3] not in (2, 3, 4):
        return
    version, flags = head[3], head[5]
    end = start + 10 + _synchsafe(head[6:10])
    if flags & 0x80 and version < 4:  # made free of sync words as a whole, while sizes count what it was before
        content = file.read(min(end - start - 10, MOST)).replace(b"\xff\x00", b"\xff")
        file, end = BytesIO(content), len(content)
    if flags & 0x40 and version > 2:  # an extended header; its size counts itself from version 4 on
        extended = file.read(4)
        file.seek(_synchsafe(extended) - 4 if version == 4 else int.from_bytes(extended, "big"), os.SEEK_CUR)
    header = 6 if version == 2 else 10
    for _ in range(_FRAMES):
        begin = file.read(header)
        if file.tell() > end or len(begin) < header or not begin[:3].isalnum():
            return
        id, size, form = _frame(begin, version)
        after = file.tell() + size
        if (id in _NAMES or id in _USER) and not form & _UNREADABLE.get(version, 0):
            content = file.read(min(size, _FRAME_BYTES))
            content = content[4:] if version == 4 and form & 1 else content  # its length once unpacked
            if version == 4 and (form & 2 or flags & 0x80):
                content = content.replace(b"\xff\x00", b"\xff")
            yield from _tag(id, content)
        if after > end:
            return
        file.seek(after)


def _frame(head: bytes, version: int) -> tuple[bytes, int, int]:
    """A frame's name, bytes and flags."""
    if version == 2:
        return head[:3], int.from_bytes(head[3:6], "big"), 0
    size = _synchsafe(head[4:8]) if version == 4 else int.from_bytes(head[4:8], "big")
    return head[:4], size, int.from_bytes(head[8:10], "big")


def _synchsafe(number: bytes) -> int:
    """Seven bits of every byte count."""
    value = 0
    for byte in number:
        value = value << 7 | byte & 0x7F
    return value


def _tag(id: bytes, content: bytes) -> Iterator[Tag]:
    if not content or content[0] >= len(_ENCODINGS):
        return
    texts = content[1:].decode(_ENCODINGS[content[0]], "replace").split("\0")
    texts = [text.lstrip("\ufeff").strip() for text in texts]
    if id in _USER:
        name, texts = GAINS.get(texts[0].lower(), ""), texts[1:2]
    else:
        name = _NAMES[id]
    for text in texts[:10]:
        if name and text:
            yield stated(name, "ID3", text)
