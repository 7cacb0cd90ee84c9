"""Writing a sound file of whole numbers: WAV by our own code, other containers by libsndfile."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from master_check.sound.wave_writing import write_wave
from master_check.tables.deliveries import Container

_SUBTYPES: Final = {16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}


def write_sound(
    path: Path, container: Container, rate: int, bits: int, labels: tuple[str, ...], words: Iterator[NDArray[np.int32]]
) -> None:
    """A sound file without any statement about itself.

    Parameters
    ----------
    path : path
        Written over.
    container : Container
    rate : int
        Hz.
    bits : int
        One of the container's.
    labels : tuple of str
        A loudspeaker a channel.
    words : iterator of (frames, channels) int32
        Left-justified in 32 bits.

    Raises
    ------
    OSError
        It cannot be written.
    """
    if container.key == "WAV":
        write_wave(path, rate, bits, labels, words)
        return
    with path.open("w+b") as raw:
        file = _Remembering(raw)
        try:
            with soundfile.SoundFile(file, "w", rate, len(labels), _SUBTYPES[bits], format=container.key) as sound:
                for piece in words:
                    sound.write(piece)
                    file.check()
        except (soundfile.LibsndfileError, AssertionError):
            file.check()
            raise
        file.check()
        raw.flush()
        os.fsync(raw.fileno())


class _Remembering:
    """A file for libsndfile, through whose calls no exception comes: the first is kept, and raised by `check`."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._error: OSError | None = None

    def check(self) -> None:
        if self._error is not None:
            raise self._error

    def write(self, data: bytes) -> int:
        try:
            return self._file.write(data)
        except OSError as error:
            self._error = self._error or error
            return 0

    def read(self, size: int = -1) -> bytes:
        return self._file.read(size)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        try:
            return self._file.seek(offset, whence)
        except OSError as error:  # seeking writes what is buffered
            self._error = self._error or error
            return 0

    def tell(self) -> int:
        return self._file.tell()

    def flush(self) -> None:
        pass
