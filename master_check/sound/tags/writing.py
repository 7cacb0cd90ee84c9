"""Writing what a file states of itself into a file that was just written: no byte of its sound changes."""

import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from master_check.sound.tags import bext
from master_check.sound.wave_writing import append_chunk

_INFO: Final = {
    "title": b"INAM",
    "artist": b"IART",
    "album": b"IPRD",
    "date": b"ICRD",
    "isrc": b"ISRC",
    "comment": b"ICMT",
    "software": b"ISFT",
}

_COMMENTS: Final = ("title", "artist", "album", "date", "isrc", "comment")


def write_wave_tags(path: Path, texts: Mapping[str, str], numbers: Mapping[str, float | int | None]) -> None:
    """A bext chunk of version 2 and LIST-INFO, at the end of a WAV.

    Parameters
    ----------
    path : path
        Written by `write_wave`.
    texts : mapping
        By name of `NAMES`; others than those two places have are left out.
    numbers : mapping
        Loudness and peaks by name of `NAMES`, and `time_reference_samples`; what is missing or None is not set.

    Raises
    ------
    OSError
        It cannot be written.
    """
    append_chunk(path, b"bext", bext.packed(texts, numbers))
    info = b"".join(_text_chunk(id, texts[name]) for name, id in _INFO.items() if texts.get(name))
    if info:
        append_chunk(path, b"LIST", b"INFO" + info)


def write_flac_tags(path: Path, texts: Mapping[str, str]) -> None:
    """Vorbis comments, by mutagen."""
    from mutagen.flac import FLAC

    file: Any = FLAC(path)
    if file.tags is None:
        file.add_tags()
    for name in _COMMENTS:
        if texts.get(name):
            file.tags[name.upper()] = texts[name]
    file.save()


def write_aiff_tags(path: Path, texts: Mapping[str, str]) -> None:
    """An ID3 chunk of version 2.3, which most programs read; by mutagen."""
    from mutagen import id3
    from mutagen.aiff import AIFF

    file: Any = AIFF(path)
    file.add_tags()
    frames = {"title": id3.TIT2, "artist": id3.TPE1, "album": id3.TALB, "date": id3.TDRC, "isrc": id3.TSRC}
    for name, frame in frames.items():
        if texts.get(name):
            file.tags.add(frame(encoding=1, text=texts[name]))
    if texts.get("comment"):
        file.tags.add(id3.COMM(encoding=1, lang="eng", desc="", text=texts["comment"]))
    file.save(v2_version=3)


def _text_chunk(id: bytes, text: str) -> bytes:
    content = text.encode("utf-8") + b"\0"
    return id + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)
