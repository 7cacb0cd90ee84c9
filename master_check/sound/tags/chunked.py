"""Statements in the chunks of WAV, BW64 and AIFF files: LIST-INFO, cue points, names, and chunks of other formats."""

import re
import struct
from collections.abc import Iterator
from io import BytesIO
from typing import Final

from master_check.sound.chunks import Chunks
from master_check.sound.tags import bext, id3, ixml
from master_check.sound.tags.tag import LONGEST, Tag, Tags, decoded, stated

MOST_CUES: Final = 1000

_LISTS: Final = 100
"""LIST chunks looked at."""

_INFO_BYTES: Final = 1 << 20

_INFO: Final = {
    b"INAM": "title",
    b"IART": "artist",
    b"IPRD": "album",
    b"ICRD": "date",
    b"ISRC": "isrc",
    b"ICMT": "comment",
    b"ISFT": "software",
}

_AIFF: Final = {"NAME": "title", "AUTH": "artist", "ANNO": "comment"}

_CODE: Final = re.compile(r"(?=.*\d)[A-Za-z0-9 .-]{8,20}")
"""What may be meant as an ISRC: the RIFF standard's own meaning of `ISRC` is the source of the recording, in words."""

_AXML_BYTES: Final = 1 << 20
_IN_AXML: Final = re.compile(r"\bISRC:\s?([A-Za-z0-9-]{8,20})")


def read(chunks: Chunks) -> Tags:
    """What all chunks of a file state."""
    tags: list[Tag] = []
    notes: list[str] = []
    chunk = chunks.read("bext", bext.MOST)
    if chunk is not None:
        tags += bext.parse(chunk)
        if len(chunk) < bext.FIXED:
            notes.append(f"its bext chunk is too short: {len(chunk)} of at least {bext.FIXED} bytes")
    xml = chunks.read("iXML", ixml.MOST)
    if xml is not None:
        found = ixml.parse(xml)
        tags += found or []
        if found is None:
            notes.append("its iXML chunk is damaged and was not read")
    tags += _axml(chunks)
    tags += _info(chunks)
    tags += _aiff(chunks)
    for name in ("id3 ", "ID3 "):
        data = chunks.read(name, id3.MOST)
        tags += id3.read(BytesIO(data)) if data else []
    tags += _cues(chunks)
    return Tags(tuple(tags), tuple(notes))


def _info(chunks: Chunks) -> Iterator[Tag]:
    """LIST-INFO: chunks in a chunk, each a text (Multimedia Programming Interface and Data Specifications 1.0)."""
    for chunk in chunks.named("LIST")[:_LISTS]:
        chunks.file.seek(chunk.start)
        content = chunks.file.read(min(chunk.there, _INFO_BYTES))
        at = 4 if content[:4] == b"INFO" else len(content)
        while at + 8 <= len(content):
            name, size = content[at : at + 4], int.from_bytes(content[at + 4 : at + 8], "little")
            text = decoded(content[at + 8 : at + 8 + min(size, 4 * LONGEST)]).strip()
            if name in _INFO and text and (name != b"ISRC" or _CODE.fullmatch(text)):
                yield stated(_INFO[name], "LIST-INFO", text)
            at += 8 + size + size % 2


def _axml(chunks: Chunks) -> Iterator[Tag]:
    """An ISRC in an identifier of the `axml` chunk (EBU Tech 3352; from memory)."""
    for found in dict.fromkeys(_IN_AXML.findall(decoded(chunks.read("axml", _AXML_BYTES) or b""))):
        yield stated("isrc", "axml", found)


def _aiff(chunks: Chunks) -> Iterator[Tag]:
    """Text chunks of an AIFF (Audio Interchange File Format, 1.3)."""
    if chunks.container in ("AIFF", "AIFC"):
        for id, name in _AIFF.items():
            text = decoded(chunks.read(id, 4 * LONGEST) or b"").strip()
            if text:
                yield stated(name, "AIFF", text)


def _cues(chunks: Chunks) -> Iterator[Tag]:
    """Positions of cue points, in samples; 24 bytes each, the last number is the sample's."""
    content = chunks.read("cue ", 4 + 24 * MOST_CUES) or b""
    order = ">" if chunks.order == "big" else "<"
    for at in range(4, len(content) - 23, 24):
        yield Tag("cue_point_samples", "cue", struct.unpack_from(f"{order}I", content, at + 20)[0])
