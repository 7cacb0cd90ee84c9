"""Writing WAV files: linear samples, then chunks behind them; BW64 (ITU-R BS.2088) where 4 GiB are not enough."""

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.chunks import walk
from master_check.sound.wave_format import extensible_header, plain_header

LARGEST: Final = 0xFFFF_FFFF - (1 << 20)
"""Bytes of a RIFF file, less some for chunks behind the sound."""

_DS64: Final = 28
"""Bytes of a `ds64` chunk without a table; a `JUNK` chunk keeps its place."""


def write_wave(path: Path, rate: int, bits: int, labels: tuple[str, ...], words: Iterator[NDArray[np.int32]]) -> None:
    """A WAV file, or a BW64 file where it gets too long for one.

    Parameters
    ----------
    path : path
    rate : int
        Hz.
    bits : int
        16, 24 or 32.
    labels : tuple of str
        A loudspeaker a channel.
    words : iterator of (frames, channels) int32
        Left-justified in 32 bits.

    Raises
    ------
    OSError
        It cannot be written.
    """
    plain = len(labels) <= 2
    fmt = plain_header(len(labels), rate, bits) if plain else extensible_header(labels, rate, bits)
    with path.open("r+b" if path.exists() else "w+b") as file:
        file.truncate(0)
        file.write(b"RIFF" + bytes(4) + b"WAVE" + b"JUNK" + struct.pack("<I", _DS64) + bytes(_DS64))
        file.write(b"fmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + bytes(4))
        begin = file.tell()
        for piece in words:
            file.write(_packed(piece, bits // 8))
        _close(file, begin, len(labels) * bits // 8)
        os.fsync(file.fileno())


def _packed(words: NDArray[np.int32], size: int) -> bytes:
    """The upper bytes of every word."""
    return np.ascontiguousarray(words, "<i4").view(np.uint8).reshape(-1, 4)[:, 4 - size :].tobytes()


def _close(file: BinaryIO, begin: int, align: int) -> None:
    """Put all sizes in their places, once the sound is written that begins at `begin`."""
    size = file.tell() - begin
    file.write(bytes(size % 2))
    total = file.tell()
    file.seek(begin - 4)
    if total <= LARGEST:
        file.write(struct.pack("<I", size))
        file.seek(4)
        file.write(struct.pack("<I", total - 8))
        return
    file.write(b"\xff" * 4)
    file.seek(0)
    file.write(b"BW64" + b"\xff" * 4 + b"WAVE" + b"ds64" + struct.pack("<I", _DS64))
    file.write(struct.pack("<QQQI", total - 8, size, size // align, 0))


def append_chunk(path: Path, name: bytes, content: bytes) -> None:
    """One more chunk at the end of a WAV or BW64 file that `write_wave` wrote; no byte of its sound is touched.

    Raises
    ------
    OSError
        It cannot be written.
    ValueError
        It is no such file.
    """
    with path.open("r+b") as file:
        chunks = walk(file)
        if chunks is None or chunks.container not in ("RIFF", "BW64"):
            raise ValueError(f"{path}: no WAV file")
        file.seek(0, os.SEEK_END)
        file.write(name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2))
        total = file.tell()
        file.seek(4 if chunks.container == "RIFF" else 20)
        file.write(struct.pack("<I" if chunks.container == "RIFF" else "<Q", total - 8))
        os.fsync(file.fileno())
