"""SHA-256 of the sound in a file, whatever container and tags are around it.

It is taken of the samples as integers of the file's own word length, interleaved, little-endian, in whole bytes, as the
MD5 of a FLAC is (RFC 9639, section 8.2); of floating-point and lossy files as 32-bit floats, little-endian. So a WAV
and a FLAC of the same samples have the same.
"""

import hashlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioFormat


class AudioChecksum:
    """The checksum, fed with blocks."""

    def __init__(self, format: AudioFormat) -> None:
        self._bytes = -(-(format.bit_depth or 32) // 8)
        self._floating = format.floating or format.bit_depth is None
        self._digest = hashlib.sha256()

    def feed(self, block: Block) -> None:
        if self._floating:
            self._digest.update(np.ascontiguousarray(block.frames.T, "<f4").data)
            return
        words = block.words if block.words is not None else _words(block, 8 * self._bytes)
        shift = 32 - 8 * self._bytes if block.words is not None else 0
        packed = np.ascontiguousarray(words >> shift, "<i4").view(np.uint8).reshape(-1, 4)[:, : self._bytes]
        self._digest.update(np.ascontiguousarray(packed).data)

    def hexdigest(self) -> str:
        return self._digest.hexdigest()


def audio_sha256(path: str | Path) -> str:
    """SHA-256 of the sound in a file alone, hexadecimal.

    Raises
    ------
    AudioError
        It cannot be read.
    """
    with AudioFile(path) as file:
        checksum = AudioChecksum(file.format)
        for block in file.blocks():
            checksum.feed(block)
    return checksum.hexdigest()


def _words(block: Block, bits: int) -> NDArray[np.int32]:
    """Samples as integers of so many bits, which floats of 24 bits hold exactly."""
    return np.asarray((block.frames.T * np.float32(2.0 ** (bits - 1))).astype(np.int32))
