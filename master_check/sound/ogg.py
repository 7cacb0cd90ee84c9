"""The pages of an Ogg file: which streams it holds, side by side and one after the other, and whether they are whole
(RFC 3533, section 6). Only the pages' headers are read."""

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO, Final

_HEADER: Final = 27
_FIRST, _LAST = 2, 4
"""Bits of a page's header type: it begins a stream, it ends one."""

_NO_POSITION: Final = -1
"""Granule position of a page in which no packet ends."""

_SEARCHED: Final = 1 << 16

CODECS: Final = {
    b"\x01vorbis": "Vorbis",
    b"OpusHead": "Opus",
    b"\x7fFLAC": "FLAC",
    b"Speex   ": "Speex",
}
"""How the first packet of a stream of sound begins."""

_VORBIS_HEADERS: Final = 3
"""Packets before the sound (Vorbis I specification, section 4.2)."""


@dataclass(slots=True)
class Stream:
    """One logical stream.

    Attributes
    ----------
    codec : str or None
        A value of `CODECS`; None where it is no sound.
    group : int
        0 for streams that begin at the start of the file, 1 for those that begin after the first has, and so on.
    gaps : int
        Places where its pages are not numbered one after the other.
    ends : bool
        Its last page says that it is the last.
    position : int
        What the last page counts: of sound, frames.
    turns_back : bool
        That count grows smaller on the way.
    shares_page : bool
        A Vorbis stream's sound begins in the page in which its headers end (forbidden by section A.2 of the Vorbis I
        specification).
    """

    codec: str | None
    group: int
    gaps: int = 0
    ends: bool = False
    position: int = 0
    turns_back: bool = False
    shares_page: bool = False
    _next: int = field(default=0, repr=False)
    _packets: int = field(default=0, repr=False)

    def _add(self, page: "_Page") -> None:
        self.gaps += page.number != self._next
        self._next = page.number + 1
        self.ends = bool(page.kind & _LAST)
        if page.position != _NO_POSITION:
            self.turns_back |= page.position < self.position and self.position > 0
            self.position = page.position
        if self.codec == "Vorbis":
            self.shares_page |= self._packets < _VORBIS_HEADERS < self._packets + page.packets
        self._packets += page.packets


@dataclass(frozen=True, slots=True)
class _Page:
    """Header type, granule position, serial and page number; packets that end in it; how its content begins."""

    kind: int
    position: int
    serial: int
    number: int
    packets: int
    start: bytes


def streams(file: BinaryIO) -> list[Stream]:
    """Every stream of an Ogg file, in the order in which they begin; a page that is cut off counts as not there.

    Raises
    ------
    OSError
        It cannot be read.
    """
    found: list[Stream] = []
    running: dict[int, Stream] = {}
    group, beginning = 0, True
    for page in _pages(file):
        if page.kind & _FIRST:
            group += 0 if beginning else 1
            beginning = True
            codec = next((name for start, name in CODECS.items() if page.start.startswith(start)), None)
            running[page.serial] = Stream(codec, group, _next=page.number)
            found.append(running[page.serial])
        else:
            beginning = False
        stream = running.get(page.serial)
        if stream is not None:
            stream._add(page)
    return found


def _pages(file: BinaryIO) -> Iterator[_Page]:
    """Every whole page; whatever stands between them is stepped over."""
    at, size = 0, os.fstat(file.fileno()).st_size
    while at + _HEADER <= size:
        file.seek(at)
        head = file.read(_HEADER + 255 + 8)
        if head[:4] != b"OggS":
            at = _next_page(file, at, size)
            continue
        content = _HEADER + head[26]
        end = at + content + sum(head[_HEADER:content])
        if end > size:
            return
        yield _Page(
            head[5],
            int.from_bytes(head[6:14], "little", signed=True),
            int.from_bytes(head[14:18], "little"),
            int.from_bytes(head[18:22], "little"),
            sum(length < 255 for length in head[_HEADER:content]),
            head[content : content + 8],
        )
        at = end


def _next_page(file: BinaryIO, at: int, size: int) -> int:
    """Where the next page begins, from a place on that is none; the end of the file where there is no more."""
    while at < size:
        file.seek(at)
        part = file.read(_SEARCHED)
        found = part.find(b"OggS", 1)
        if found >= 0:
            return at + found
        at += max(len(part) - 3, 1)
    return size
