"""The chunks of a file: what its container holds, where, how long each part says it is, and how much of it is there.

RIFF and RIFX (WAV), RF64 (EBU Tech 3306), BW64 (ITU-R BS.2088), W64, AIFF and AIFC, and CAF share one idea: a name, a
size, so many bytes, then the next. Only names and sizes are read here; contents by `Chunks.read`, never more than is
asked for.
"""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

MOST: Final = 10_000
"""Chunks walked at most; files of music have a dozen."""

_HEAD: Final = 40
"""Bytes of the longest file header, W64's: two GUIDs and a size."""

_PIPED: Final = range(0xFFFFFF00, 0x1_0000_0000)
"""Sizes of 32 bits that a program writes into a pipe, when it cannot know better: all ones, less the headers or so."""

_SOX_PIPED: Final = 0x7FFFF000
"""What one common converter writes there (from memory)."""

_ID3V1: Final = 128
"""Bytes of a tag that some programs append to files of any kind; it is given as a chunk `TAG`."""

_W64_RIFF: Final = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_W64_WAVE: Final = bytes.fromhex("77617665f3acd3118cd100c04f8edb8a")


@dataclass(frozen=True, slots=True)
class _Dialect:
    """How a container writes a chunk: bytes of the file's header, of a name; format of a size; whether it counts name
    and size too; to how many bytes chunks are padded."""

    head: int
    name: int
    size: str
    counts_itself: bool
    align: int


_RIFF: Final = _Dialect(12, 4, "<I", False, 2)
_RIFX: Final = _Dialect(12, 4, ">I", False, 2)
_W64: Final = _Dialect(40, 16, "<q", True, 8)
_CAF: Final = _Dialect(8, 4, ">q", False, 1)


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk.

    Attributes
    ----------
    id : str
        Its name, four characters; of a W64's GUID the first four.
    start : int
        Where its content begins in the file.
    size : int or None
        Bytes of content that it says it has; None where its writer could not know, so that it goes to the end.
    there : int
        Bytes of content that are in the file.
    padded : bool
        What follows begins where the container's rules say; False where a byte of padding was left out.
    """

    id: str
    start: int
    size: int | None
    there: int
    padded: bool = True

    @property
    def is_whole(self) -> bool:
        return self.size is None or self.there >= self.size


@dataclass(frozen=True, slots=True)
class Chunks:
    """All chunks of a file, in their order.

    Attributes
    ----------
    container : str
        `RIFF`, `RIFX`, `RF64`, `BW64`, `W64`, `AIFF`, `AIFC` or `CAF`.
    order : str
        Byte order of its numbers, `little` or `big`.
    size : int or None
        Bytes that the whole file should have; None where it does not say.
    end : int
        Where the last chunk ends, or would end were it whole.
    there : int
        Bytes that the file has.
    all : tuple of Chunk
        At most `MOST`.
    """

    file: BinaryIO
    container: str
    order: str
    size: int | None
    end: int
    there: int
    all: tuple[Chunk, ...]

    def named(self, id: str) -> list[Chunk]:
        """Every chunk of a name."""
        return [chunk for chunk in self.all if chunk.id == id]

    def find(self, id: str) -> Chunk | None:
        """The first chunk of a name."""
        return next((chunk for chunk in self.all if chunk.id == id), None)

    def read(self, id: str, limit: int) -> bytes | None:
        """The first `limit` bytes of a chunk's content, or as many as there are; None where there is no such chunk."""
        chunk = self.find(id)
        if chunk is None:
            return None
        self.file.seek(chunk.start)
        return self.file.read(min(limit, chunk.there))


def walk(file: BinaryIO) -> Chunks | None:
    """The chunks of a file; None where it is of none of these containers.

    Parameters
    ----------
    file : binary file
        Open for reading; `Chunks.read` reads from it later.

    Raises
    ------
    OSError
        It cannot be read.
    """
    there = os.fstat(file.fileno()).st_size
    file.seek(0)
    head = file.read(_HEAD)
    container, dialect = _container(head)
    if dialect is None or there < dialect.head:
        return None
    found = tuple(_chunks(file, dialect, container in ("RF64", "BW64"), there))
    end = dialect.head
    if found:
        last = found[-1]
        end = last.start + (last.there if last.size is None else last.size)
    size = _file_size(head, container, found, file)
    order = "little" if dialect.size.startswith("<") else "big"
    return Chunks(file, container, order, size, end, there, found)


def _container(head: bytes) -> tuple[str, _Dialect | None]:
    name, form = head[:4], head[8:12]
    if name in (b"RIFF", b"RIFX", b"RF64", b"BW64") and form == b"WAVE":
        return name.decode(), _RIFX if name == b"RIFX" else _RIFF
    if name == b"FORM" and form in (b"AIFF", b"AIFC"):
        return form.decode(), _RIFX
    if name == b"caff":
        return "CAF", _CAF
    if head[:16] == _W64_RIFF and head[24:40] == _W64_WAVE:
        return "W64", _W64
    return "", None


def _chunks(file: BinaryIO, dialect: _Dialect, wide: bool, there: int) -> Iterator[Chunk]:
    """One chunk after the other, as long as names can be read; `wide` where `ds64` has sizes beyond 32 bits."""
    header = dialect.name + struct.calcsize(dialect.size)
    sizes: dict[str, list[int]] = {}
    at = dialect.head
    for _ in range(MOST):
        if at + header > there:
            return
        file.seek(at)
        read = file.read(header)
        id = read[:4]
        if id[:3] == b"TAG" and there - at == _ID3V1:
            yield Chunk("TAG", at, _ID3V1, _ID3V1)
            return
        if len(read) < header or not _is_name(id):
            return
        start = at + header
        (size,) = struct.unpack_from(dialect.size, read, dialect.name)
        name = id.decode("ascii")
        size = _true_size(size - header * dialect.counts_itself, dialect, sizes.get(name, []), there - start)
        if size is None:
            yield Chunk(name, start, None, there - start)
            return
        if wide and name == "ds64" and not sizes:
            sizes = _wide_sizes(file.read(min(size, 28 + 12 * MOST)))
        at = start + size
        padded = start + -(-size // dialect.align) * dialect.align
        is_padded = padded == at or not _follows_at_once(file, at, there)
        yield Chunk(name, start, size, max(0, min(size, there - start)), is_padded)
        at = padded if is_padded else at


def _true_size(size: int, dialect: _Dialect, wide: list[int], rest: int) -> int | None:
    """The size meant by the number in a chunk's header; None for one that its writer could not know."""
    if dialect.size[1] == "q":
        return size if size >= 0 else None
    if wide and size in (0, 0xFFFFFFFF):
        size = wide.pop(0)
        return None if size >= 2**63 or (size == 0 and rest > 0) else size
    return None if size > rest and (size in _PIPED or size == _SOX_PIPED) else size


def _wide_sizes(ds64: bytes) -> dict[str, list[int]]:
    """Sizes beyond 32 bits by chunk, from `ds64`: file, data and samples, then a table of the rest."""
    if len(ds64) < 24:
        return {}
    sizes = {"data": [int.from_bytes(ds64[8:16], "little")]}
    for at in range(28, len(ds64) - 11, 12):
        if _is_name(ds64[at : at + 4]):
            sizes.setdefault(ds64[at : at + 4].decode("ascii"), []).append(
                int.from_bytes(ds64[at + 4 : at + 12], "little")
            )
    return sizes


def _is_name(id: bytes) -> bool:
    return len(id) == 4 and all(0x20 <= byte < 0x7F for byte in id)


def _follows_at_once(file: BinaryIO, at: int, there: int) -> bool:
    """Whether the next chunk begins without the byte of padding (zero) that an odd size asks for."""
    file.seek(at)
    read = file.read(9)
    if len(read) < 9 or read[0] == 0 or not _is_name(read[:4]):
        return False
    after_padding = int.from_bytes(read[5:9], "little")
    return not (_is_name(read[1:5]) and after_padding <= there - at - len(read))


def _file_size(head: bytes, container: str, found: tuple[Chunk, ...], file: BinaryIO) -> int | None:
    """What the file says of its own size, as a count of all its bytes."""
    if container == "CAF":
        return None
    if container == "W64":
        return int.from_bytes(head[16:24], "little")
    size = int.from_bytes(head[4:8], "big" if container in ("RIFX", "AIFF", "AIFC") else "little")
    if container in ("RF64", "BW64") and size == 0xFFFFFFFF and found and found[0].id == "ds64":
        file.seek(found[0].start)
        size = int.from_bytes(file.read(8), "little")
    return None if size in _PIPED or size >= 2**63 or size == 0 else size + 8
