"""Curves over time in levels of detail, so that a browser draws an hour of sound without ever having it.

A level has the smallest and the largest value of every column; the next has columns four times as long. They are read
in tiles of a fixed number of columns.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.kept import Signal

COARSER: Final = 4
"""So many columns of a level are one of the next."""

TILE: Final = 1024
"""Columns of a tile."""

BASE: Final = 256
"""Frames in a column of the finest level of a waveform that is kept; finer ones are read from the samples."""

FINER: Final = 4
"""Levels of a waveform below that one: 64, 16, 4 frames and the samples themselves."""

_HIGHEST: Final = 6e4
"""What float16 holds; a sample may be farther above full scale, but not on a picture."""

_READ: Final = BASE * 2048
"""Frames looked at together."""

Columns = NDArray[np.float32]
"""(rows, 2, columns): smallest and largest."""


class Pyramid:
    """A curve's smallest and largest values by columns, finest level first; kept as float16.

    Parameters
    ----------
    low, high : (rows, columns)
        Of the finest level.
    """

    def __init__(self, low: NDArray[np.float16], high: NDArray[np.float16]) -> None:
        self._levels = [np.stack([low, high], axis=1)]
        while self._levels[-1].shape[2] > TILE:
            self._levels.append(_coarser(self._levels[-1]))

    @property
    def levels(self) -> int:
        return len(self._levels)

    @property
    def columns(self) -> int:
        """Of the finest level."""
        return int(self._levels[0].shape[2])

    def tile(self, level: int, index: int) -> Columns:
        """The columns from `index * TILE` on; empty past the end.

        Raises
        ------
        IndexError
            There is no such level.
        """
        if not 0 <= level < len(self._levels) or index < 0:
            raise IndexError(level)
        return self._levels[level][:, :, index * TILE : (index + 1) * TILE].astype(np.float32)


def _coarser(level: NDArray[np.float16]) -> NDArray[np.float16]:
    starts = np.arange(0, level.shape[2], COARSER)
    low = np.minimum.reduceat(level[:, 0], starts, axis=1)
    return np.stack([low, np.maximum.reduceat(level[:, 1], starts, axis=1)], axis=1)


def of_curve(values: NDArray[np.float64], lowest: float) -> Pyramid:
    """A curve with a value every 10 ms; what lies below `lowest`, silence too, is drawn there."""
    row = np.maximum(values, lowest).astype(np.float16)[None, :]
    return Pyramid(row, row)


class Waveform:
    """The samples of a signal as columns: kept levels, and finer ones read when they are asked for.

    Levels count from the samples: at level n a column is 4**n frames.

    Parameters
    ----------
    signal : Signal
        Read once, to the end.
    """

    def __init__(self, signal: Signal) -> None:
        self._signal = signal
        parts = [
            _columns(signal.read(start, min(start + _READ, signal.frames)), BASE)
            for start in range(0, signal.frames, _READ)
        ]
        both = np.concatenate(parts, axis=2)
        kept = np.clip(both, -_HIGHEST, _HIGHEST).astype(np.float16)
        self._pyramid = Pyramid(kept[:, 0], kept[:, 1])

    @property
    def levels(self) -> int:
        return FINER + self._pyramid.levels

    def tile(self, level: int, index: int) -> Columns:
        """As `Pyramid.tile`."""
        if level >= FINER:
            return self._pyramid.tile(level - FINER, index)
        if level < 0 or index < 0:
            raise IndexError(level)
        frames = COARSER**level
        start = index * TILE * frames
        stop = min(start + TILE * frames, self._signal.frames)
        if start >= stop:
            return np.empty((self._signal.channels, 2, 0), np.float32)
        return _columns(self._signal.read(start, stop), frames)


def _columns(frames: NDArray[np.float32], length: int) -> Columns:
    """Smallest and largest of every `length` frames; what is left over at the end is a column too."""
    rows = np.ascontiguousarray(frames.T)
    if length == 1:
        return np.stack([rows, rows], axis=1)
    spare = -rows.shape[1] % length
    if spare:  # the last value again changes neither extreme
        rows = np.pad(rows, ((0, 0), (0, spare)), mode="edge")
    columns = rows.reshape(len(rows), -1, length)
    return np.stack([columns.min(axis=2), columns.max(axis=2)], axis=1)
