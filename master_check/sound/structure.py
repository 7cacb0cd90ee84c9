"""What a file's own structure says before anything is decoded: whether it is whole, and whether it is one piece.

libsndfile mends what it can without a word: a length beyond the end, a second file behind the first. Here each
container is looked through by its own rules. What could only be measured in part is refused; what is odd becomes a
note.
"""

import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO, Final, NoReturn

from master_check.sound import flac, mpeg, ogg, wave_format
from master_check.sound.chunks import MOST, Chunks, walk
from master_check.sound.flac import StreamInfo
from master_check.sound.wave_format import WaveFormat
from master_check.text import clock

_SPARE: Final = 8
"""Bytes by which a file's size may be wrong: some count its first header, or padding that is not there."""

_SCRAP: Final = 1000
"""Bytes at the end of a file that are not worth a word: no 6 ms of CD sound; tags of some programs."""

_FILES: Final = ("RIFF", "RIFX", "RF64", "BW64", "FORM", "caff", "riff")
"""Names of chunks that are whole files."""

_FMT: Final = 64
"""Bytes of the longest `fmt ` chunk of linear samples, and some."""

_LINEAR_AIFC: Final = (b"NONE", b"sowt", b"twos", b"raw ", b"in24", b"in32", b"fl32", b"FL32", b"fl64", b"FL64")

_JOINED: Final = "holds two files joined end to end, of which only the first would be measured; export it as one piece"

_UNKNOWN_LENGTH: Final = "the header does not say how long the file is, so a missing end would not show"


_OGG_CODECS: Final = ("Vorbis", "Opus")


class StructureError(Exception):
    """What is wrong with a file, and what to do."""


@dataclass(frozen=True, slots=True)
class LinearSamples:
    """Where samples stand that can be read without a decoder, and what they are.

    Attributes
    ----------
    container : str
        `WAV`, `WAVEX`, `RF64` or `BW64`.
    start : int
        Their first byte in the file.
    order : str
        Byte order, `little` or `big`.
    """

    container: str
    start: int
    order: str
    format: WaveFormat


@dataclass(frozen=True, slots=True)
class Structure:
    """What is known of a file's sound before it is decoded.

    Attributes
    ----------
    linear : LinearSamples or None
        Its samples, for a header that libsndfile does not read.
    sound_bytes : int or None
        Bytes of sound that are in the file.
    promised : int or None
        Frames that the header counts.
    frames : int or None
        Frames that are there, counted.
    frames_spare : int
        By how many frames the count may be off.
    doubt : str
        What may keep a decoder from reading all of them.
    stream_info : StreamInfo or None
        Of a FLAC.
    notes : tuple of str
        What is odd without keeping it from being measured.
    """

    linear: LinearSamples | None = None
    sound_bytes: int | None = None
    promised: int | None = None
    frames: int | None = None
    frames_spare: int = 0
    doubt: str = "the header is wrong"
    stream_info: StreamInfo | None = None
    notes: tuple[str, ...] = ()


def examine(file: BinaryIO) -> Structure:
    """Look through a file, open for reading.

    Raises
    ------
    StructureError
        It is cut short, or could only be measured in part.
    OSError
        It cannot be read.
    """
    start = _behind_id3(file)
    file.seek(start)
    name = file.read(4)
    containers: dict[bytes, Callable[[BinaryIO, int], Structure]] = {
        b"fLaC": _flac,
        b"OggS": _ogg,
        b".snd": _au,
        b"dns.": _au,
    }
    if name in containers:
        return containers[name](file, start)
    chunks = walk(file)
    return _chunked(chunks) if chunks else _mpeg(file, start)


def cut_short(how: str) -> NoReturn:
    raise StructureError(f"cut short: {how}; export or copy it again")


def _behind_id3(file: BinaryIO) -> int:
    """Where the file begins behind the tags in front of it."""
    at = 0
    while True:
        file.seek(at)
        length = mpeg.id3_length(file.read(10))
        if not length:
            return at
        at += length


def _chunked(chunks: Chunks) -> Structure:
    is_aiff = chunks.container in ("AIFF", "AIFC")
    sounds = chunks.named("SSND" if is_aiff else "data")
    if len(chunks.all) == MOST:
        raise StructureError(f"holds more than {MOST} chunks; is the header damaged?")
    if not sounds:
        return Structure()
    if len(sounds) > 1:
        raise StructureError(
            f"holds {len(sounds)} sound chunks, of which only one would be measured; export it as one piece"
        )
    sound = sounds[0]
    if not sound.is_whole:
        cut_short(f"{sound.size} bytes expected, {sound.there} found")
    if any(chunk.id in _FILES for chunk in chunks.all[chunks.all.index(sound) :]):
        raise StructureError(_JOINED)
    before = {"CAF": 4}.get(chunks.container, 0)  # the count of edits
    if is_aiff:  # offset and block size
        before = 8 + int.from_bytes((chunks.read("SSND", 4) or b""), "big")
    return Structure(
        linear=_linear(chunks),
        sound_bytes=max(0, sound.there - before),
        promised=_promised(chunks),
        notes=_behind(chunks, sound.size),
    )


def _linear(chunks: Chunks) -> LinearSamples | None:
    sound, fmt = chunks.find("data"), chunks.read("fmt ", _FMT)
    if chunks.container not in ("RIFF", "RIFX", "RF64", "BW64") or sound is None or fmt is None:
        return None
    format = wave_format.parse(fmt, chunks.order == "big")
    if format is None:
        return None
    plain = "WAVEX" if format.extensible else "WAV"
    container = chunks.container if chunks.container in ("RF64", "BW64") else plain
    return LinearSamples(container, sound.start, chunks.order, format)


def _promised(chunks: Chunks) -> int | None:
    """Frames that an AIFF's COMM or a CAF's packet table counts."""
    comm = chunks.read("COMM", 22)
    if comm and len(comm) >= 8 and (chunks.container == "AIFF" or comm[18:22] in _LINEAR_AIFC):
        return int.from_bytes(comm[2:6], "big") or None
    pakt = chunks.read("pakt", 16)
    return int.from_bytes(pakt[8:16], "big", signed=True) if pakt and len(pakt) == 16 else None


def _behind(chunks: Chunks, sound: int | None) -> tuple[str, ...]:
    """What is to be said of the end of a file whose sound is whole."""
    if sound is None:
        return (_UNKNOWN_LENGTH,)
    missing = (chunks.size or chunks.end) - chunks.there
    if missing > _SPARE:
        return (f"ends {missing} bytes early: the sound is complete, but the chunks after it are not",)
    return _rest(sound, chunks.there - chunks.end)


def _rest(sound: int, rest: int) -> tuple[str, ...]:
    """What is to be said of bytes behind the last thing that the header tells of."""
    if rest >= 2**32:
        raise StructureError("is longer than its header can count (4 GiB); save it as RF64 or BW64")
    if rest <= _SCRAP:
        return ()
    if sound == 0:
        raise StructureError(
            f"the header says that it holds no sound, but {rest} bytes follow; repair it or export it again"
        )
    return (f"the last {rest} bytes belong to no chunk: any sound in them was not measured",)


def _au(file: BinaryIO, start: int) -> Structure:
    """A header of six numbers, then sound (Sun's audio file format; from memory)."""
    file.seek(start)
    head = file.read(12)
    if len(head) < 12:
        return Structure()
    offset, size = struct.unpack(">II" if head[:4] == b".snd" else "<II", head[4:])
    there = max(0, os.fstat(file.fileno()).st_size - start - offset)
    if size == 0xFFFFFFFF:
        return Structure(sound_bytes=there, notes=(_UNKNOWN_LENGTH,))
    if size > there:
        cut_short(f"{size} bytes expected, {there} found")
    file.seek(start + offset + size)
    if file.read(4) == head[:4]:
        raise StructureError(_JOINED)
    return Structure(sound_bytes=size, notes=_rest(size, there - size))


def _flac(file: BinaryIO, start: int) -> Structure:
    info = flac.stream_info(file, start)
    if info is None:
        return Structure()
    if not flac.counts_upwards(file, start):
        raise StructureError(_JOINED)
    there = flac.frames_there(file, start, info.frames)
    if info.frames and there and there < info.frames:
        cut_short(f"{info.frames} frames expected, {there} found")
    if info.frames and there and there > info.frames:
        lengths = f"{clock(info.frames / (info.rate or 1))} of {clock(there / (info.rate or 1))}"
        raise StructureError(f"the header counts only {lengths}, and players stop there; export it again")
    notes = () if info.frames or there else (_UNKNOWN_LENGTH,)
    return Structure(frames=info.frames or there, stream_info=info, notes=notes)


def _ogg(file: BinaryIO, start: int) -> Structure:
    streams = ogg.streams(file)
    if streams and streams[-1].group > 0:
        raise StructureError(
            f"holds {streams[-1].group + 1} streams one after another (chained Ogg), of which only the first "
            "would be measured; export it as one piece"
        )
    sounds = [stream for stream in streams if stream.codec]
    if len(sounds) > 1:
        raise StructureError(f"holds {len(sounds)} parallel sound streams; export each to a file of its own")
    if not sounds:
        return Structure()
    if not sounds[0].ends:
        cut_short("the Ogg stream's end is missing")
    if sounds[0].gaps:
        raise StructureError(f"damaged: Ogg pages are missing{_places(sounds[0].gaps)}; export or copy it again")
    if sounds[0].codec not in _OGG_CODECS:
        raise StructureError(
            f"holds {sounds[0].codec} in an Ogg file, which sendoff cannot read; save it as FLAC or WAV"
        )
    if sounds[0].turns_back:
        raise StructureError("the times in its Ogg pages run backwards: a part would not be measured; export it again")
    if sounds[0].shares_page:
        return Structure(frames=sounds[0].position, doubt="its sound begins in the page of its headers")
    return Structure()


def _places(count: int) -> str:
    return " in one place" if count == 1 else f" in {count} places"


def _mpeg(file: BinaryIO, start: int) -> Structure:
    stream = mpeg.walk(file, start)
    if stream is None:
        return Structure()
    per_frame, rate = stream.form.samples, stream.form.rate
    length = clock(stream.frames * per_frame / rate)
    if stream.other is not None:
        change = f"{stream.form} to {stream.other}"
        raise StructureError(f"changes from {change} at {length}: files were joined end to end; export it as one piece")
    notes = []
    if stream.promised is not None:
        counted = clock(stream.promised * per_frame / rate)
        if stream.frames < stream.promised - (not stream.is_cut):  # some count the header's own frame
            cut_short(f"{stream.promised} MP3 frames expected, {stream.frames} found")
        if stream.frames > stream.promised + 1:
            raise StructureError(
                f"the length header counts {counted} of {length}, and players stop there: files joined end to end? "
                "export it as one piece"
            )
    elif stream.is_cut:
        notes.append("the last MP3 frame is incomplete: the end may be missing")
    if stream.joints:
        notes.append(f"{stream.joints + 1} MP3 files joined end to end: all of them were measured")
    if stream.gaps:
        notes.append(f"damaged{_places(stream.gaps)}: bytes that are not MP3 frames were not measured")
    frames = None if stream.promised else stream.frames * per_frame
    return Structure(frames=frames, frames_spare=per_frame, doubt="it has no length header", notes=tuple(notes))
