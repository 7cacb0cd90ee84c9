"""Sound files made byte by byte, and what is said about them."""

import io
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import soundfile

from master_check.measurement.one_pass import measure
from master_check.sound.format import AudioError
from tests.signals import RATE


def refused(path: Path) -> str:
    """What is said about a file that cannot be measured; always one line that begins with the file."""
    with pytest.raises(AudioError) as caught:
        measure(path)
    assert str(caught.value) == f"{path}: {caught.value.problem}"
    assert caught.value.path == str(path)
    assert "\n" not in caught.value.problem
    assert 0 < len(caught.value.problem) < 160
    return caught.value.problem


def wav(channels: int = 2, rate: int = RATE, data: bytes = b"\0" * 4800, promised: int | None = None) -> bytes:
    """A 16-bit WAV file byte by byte, whatever its header may claim."""
    size = len(data) if promised is None else promised
    align = 2 * channels
    form = struct.pack("<HHIIHH", 1, channels, rate, rate * align & 0xFFFFFFFF, align & 0xFFFF, 16)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", min(len(body) - len(data) + size, 0xFFFFFFFF)) + body


def chunk(name: bytes, content: bytes, size: int | None = None, order: str = "<") -> bytes:
    """A chunk of RIFF (order `<`) or AIFF (`>`), padded to an even number of bytes; `size` is what it claims."""
    size = len(content) if size is None else size
    return name + struct.pack(f"{order}I", size) + content + bytes(len(content) % 2)


def riff(*chunks: bytes, name: bytes = b"RIFF", size: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return name + struct.pack("<I", len(body) if size is None else size) + body


def fmt(channels: int = 2, bits: int = 16, rate: int = RATE) -> bytes:
    align = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, channels, rate, rate * align, align, bits))


def bext(
    history: bytes = b"",
    loudness: tuple[int, int, int, int, int] = (0x7FFF,) * 5,
    version: int = 2,
    time_reference: int = 0,
    description: bytes = b"",
    originator: bytes = b"",
) -> bytes:
    """The content of a `bext` chunk (EBU Tech 3285 v2; from memory, and as `wavinfo` reads it)."""
    texts = struct.pack("256s32s32s10s8s", description, originator, b"", b"2031-05-09", b"14:30:00")
    return texts + struct.pack("<QH64s5h180s", time_reference, version, b"", *loudness, b"") + history


def ds64(riff_size: int, data_size: int, table: dict[bytes, int] | None = None) -> bytes:
    """EBU Tech 3306 and ITU-R BS.2088: sizes of file and data, count of samples, then a table of other chunks."""
    rows = b"".join(name + struct.pack("<Q", size) for name, size in (table or {}).items())
    return chunk(b"ds64", struct.pack("<QQQI", riff_size, data_size, 0, len(table or {})) + rows)


def aiff(*chunks: bytes) -> bytes:
    body = b"AIFF" + b"".join(chunks)
    return b"FORM" + struct.pack(">I", len(body)) + body


def comm(frames: int) -> bytes:
    """Stereo of 16 bits at 48 kHz (an 80-bit float)."""
    rate = bytes.fromhex("400ebb80000000000000")
    return chunk(b"COMM", struct.pack(">hIh", 2, frames, 16) + rate, order=">")


def ssnd(data: bytes) -> bytes:
    return chunk(b"SSND", bytes(8) + data, order=">")


def encoded(frames: Any, subtype: str, format: str, rate: int = RATE, **options: Any) -> bytes:
    """A file's bytes, by libsndfile."""
    file = io.BytesIO()
    soundfile.write(file, frames, rate, subtype=subtype, format=format, **options)
    return file.getvalue()


def pages(content: bytes) -> Iterator[tuple[int, int]]:
    """Where each page of an Ogg file begins and ends (RFC 3533, section 6)."""
    at = 0
    while at < len(content):
        segments = content[at + 27 : at + 27 + content[at + 26]]
        end = at + 27 + len(segments) + sum(segments)
        yield at, end
        at = end


def with_checksum(page: bytes) -> bytes:
    """An Ogg page with its checksum put right: CRC of polynomial 0x04c11db7 over all of it (RFC 3533, section 6)."""
    page = page[:22] + bytes(4) + page[26:]
    crc = 0
    for byte in page:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return page[:22] + struct.pack("<I", crc) + page[26:]


def streaminfo(content: bytes, total: int | None = None, md5: bytes | None = None) -> bytes:
    """A FLAC whose header counts another number of samples, or has another MD5 (RFC 9639, section 8.2)."""
    changed = bytearray(content)
    if total is not None:
        packed = int.from_bytes(content[18:26], "big") >> 36 << 36 | total
        changed[18:26] = packed.to_bytes(8, "big")
    if md5 is not None:
        changed[26:42] = md5
    return bytes(changed)


def without_length_header(mp3: bytes) -> bytes:
    """An MP3 less its first frame, which holds the length header: one of 128 kbit/s at 44.1 kHz."""
    assert b"Xing" in mp3[:64] or b"Info" in mp3[:64]
    second = mp3.index(mp3[:2], 100)
    return mp3[second:]
