"""SHA-256 of a file, and proof that what was hashed is what was measured.

A file is hashed by a thread while it is measured. What the system says of the file (times of last change, size, inode
and device) is noted before either begins and looked at after both ended: a file that was written to or replaced in
between has no checksum and no figures, but an error.
"""

import hashlib
import os
import threading
from pathlib import Path
from types import TracebackType
from typing import Final

from master_check.sound.format import AudioError

_PIECE: Final = 1 << 20
"""Bytes hashed at a time, with the interpreter lock released."""


def state(path: str | Path) -> str | None:
    """What moves when a file is changed; None where there is no file."""
    try:
        stat = Path(path).stat()
    except (OSError, ValueError):
        return None
    return f"{stat.st_ctime_ns} {stat.st_mtime_ns} {stat.st_size} {stat.st_ino} {stat.st_dev}"


def sha256(path: str | Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal.

    Raises
    ------
    AudioError
        It cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise AudioError(path, f"cannot be read ({getattr(error, 'strerror', None) or error})") from None


def changed(path: str | Path) -> AudioError:
    """The error for a file that did not hold still."""
    return AudioError(path, "changed while it was being measured; run again when nothing writes to it")


class Hashing:
    """Hashes a file in a thread of its own while something else is done with it.

    Examples
    --------
    >>> with Hashing("master.wav") as hashing:  # doctest: +SKIP
    ...     ...  # measure it
    >>> hashing.result()  # doctest: +SKIP
    """

    def __init__(self, path: str | Path) -> None:
        self._path = path
        self._state = state(path)
        self._digest: str | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "Hashing":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            with Path(self._path).open("rb", buffering=0) as file:
                digest = hashlib.sha256()
                piece = bytearray(_PIECE)
                while not self._stop.is_set() and (read := file.readinto(piece)):
                    digest.update(memoryview(piece)[:read])
                stat = os.fstat(file.fileno())
            same = self._state is not None and self._state.endswith(f" {stat.st_ino} {stat.st_dev}")
            if same and not self._stop.is_set():
                self._digest = digest.hexdigest()
        except (OSError, ValueError):  # gone since; `result` says so
            pass

    def result(self) -> str:
        """The checksum, once the `with` block is left.

        Raises
        ------
        AudioError
            The file changed, was replaced or went away meanwhile.
        """
        if self._digest is None:
            raise changed(self._path)
        now = state(self._path)
        if now is None or (now != self._state and sha256(self._path) != self._digest):
            raise changed(self._path)
        return self._digest
