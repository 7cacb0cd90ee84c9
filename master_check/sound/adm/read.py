"""The ADM of a file: `chna` and `axml` of a WAV, RF64 or BW64."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from master_check.sound.adm import axml, chna
from master_check.sound.adm.axml import AxmlError
from master_check.sound.adm.model import Adm
from master_check.sound.chunks import Chunk, Chunks, walk
from master_check.sound.format import AudioError

MOST_BYTES: Final = 512 << 20
"""Of `axml`; it is read in pieces."""

_PIECE: Final = 1 << 16


def read_adm(path: str | Path) -> Adm | None:
    """What a file's chunks say of its tracks; None where it has no ADM.

    Raises
    ------
    AudioError
        It cannot be read, or its `axml` is damaged.
    """
    try:
        with Path(path).open("rb") as file:
            chunks = walk(file)
            return None if chunks is None else adm_of(chunks)
    except AxmlError as error:
        raise AudioError(path, f"its ADM metadata cannot be read ({error}); export it again") from None
    except OSError as error:
        raise AudioError(path, f"cannot be read ({error.strerror})") from None


def adm_of(chunks: Chunks) -> Adm | None:
    """The ADM in the chunks of a file; None where they hold none.

    Without `chna` no track is known, so that `axml` alone is no ADM: other metadata goes there, too.

    Raises
    ------
    AxmlError
        Its `axml` is cut short, damaged, or too large.
    OSError
        The file cannot be read.
    """
    rows = chna.parse(chunks.read("chna", chna.MOST) or b"")
    if not rows:
        return None
    chunk = chunks.find("axml")
    if chunk is None:
        return Adm(chna=rows)
    if not chunk.is_whole:
        raise AxmlError("axml is cut short")
    if chunk.there > MOST_BYTES:
        raise AxmlError(f"axml has more than {MOST_BYTES >> 20} MB")
    return replace(axml.parse(_pieces(chunks, chunk)), chna=rows)


def _pieces(chunks: Chunks, chunk: Chunk) -> Iterator[bytes]:
    """The text of a chunk without the zeros that may fill it up behind."""
    at, end = chunk.start, chunk.start + chunk.there
    held = b""
    while at < end:
        chunks.file.seek(at)
        piece = chunks.file.read(min(_PIECE, end - at))
        if not piece:
            return
        at += len(piece)
        text = piece.rstrip(b"\0")
        if text:
            yield held + text
            held = b""
        held = (held + bytes(len(piece) - len(text)))[:_PIECE]
