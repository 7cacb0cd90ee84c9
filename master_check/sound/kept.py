"""Samples that can be read anywhere, and again: a file is decoded once, whatever it takes to understand it.

What a source holds goes into a temporary file while its blocks are measured. Length costs disk then, and no memory.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block
from master_check.sound.format import AudioError, AudioFormat
from master_check.sound.source import Source

Frames = NDArray[np.float32]
"""(n, channels), full scale 1.0."""


class Signal(Protocol):
    """Samples that can be read anywhere.

    Attributes
    ----------
    rate : int
        Hz.
    channels, frames : int
    """

    @property
    def rate(self) -> int: ...
    @property
    def channels(self) -> int: ...
    @property
    def frames(self) -> int: ...

    def read(self, start: int, stop: int) -> Frames:
        """Frames `start` to `stop`, which may lie before the first or past the last: there are zeros."""
        ...


class ArraySignal:
    """Samples in memory as a `Signal`: (n, channels), kept as float32.

    Examples
    --------
    >>> ArraySignal(np.ones((2, 1)), 48_000).read(1, 3).tolist()
    [[1.0], [0.0]]
    """

    def __init__(self, samples: NDArray[Any], rate: int) -> None:
        self.rate = rate
        self._samples = np.asarray(samples, np.float32)

    @property
    def channels(self) -> int:
        return int(self._samples.shape[1])

    @property
    def frames(self) -> int:
        return len(self._samples)

    def read(self, start: int, stop: int) -> Frames:
        found = np.zeros((stop - start, self.channels), np.float32)
        part = self._samples[max(start, 0) : max(stop, 0)]
        at = max(-start, 0)
        found[at : at + len(part)] = part
        return found


class Kept:
    """A source whose samples can be read anywhere once its blocks are through: a `Source` and a `Signal`.

    Parameters
    ----------
    source : Source
        Read once, by `blocks`.

    Raises
    ------
    AudioError
        By `blocks`: as the source's own; or there is no room for the samples.
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._file = tempfile.TemporaryFile()  # noqa: SIM115
        self._using = Lock()
        self._kept = 0

    def __enter__(self) -> "Kept":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the room back; nothing can be read any more."""
        self._file.close()

    @property
    def name(self) -> str:
        return self._source.name

    @property
    def format(self) -> AudioFormat:
        return self._source.format

    @property
    def notes(self) -> list[str]:
        return self._source.notes

    @property
    def rate(self) -> int:
        return self.format.rate

    @property
    def channels(self) -> int:
        return self.format.channels

    @property
    def frames(self) -> int:
        """What there is; what the source promises, as long as nothing has been read."""
        return self._kept or self._source.frames

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The source's blocks, kept as they go by."""
        self._file.seek(0)
        kept = 0
        for block in self._source.blocks(hops, ahead):
            self._write(block)
            kept += block.length
            yield block
        self._kept = kept

    def read(self, start: int, stop: int) -> Frames:
        found = np.zeros((stop - start, self.channels), np.float32)
        first, last = max(start, 0), min(stop, self._kept)
        if first < last:
            with self._using:
                self._file.seek(first * self.channels * found.itemsize)
                self._file.readinto(found[first - start : last - start].data.cast("B"))
        return found

    def _write(self, block: Block) -> None:
        try:
            self._file.write(np.ascontiguousarray(block.frames.T).data.cast("B"))
        except OSError as error:
            where = Path(tempfile.gettempdir())
            raise AudioError(
                self.name, f"its samples cannot be kept in {where} ({error.strerror}); make room there or set TMPDIR"
            ) from None
