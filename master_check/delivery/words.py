"""Samples as integers: dithered exactly where bits are lost, and never past full scale without a word."""

import hashlib
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels
from master_check.sound.rates import Samples


class Words:
    """Samples on their way to integers of so many bits.

    TPDF dither is two steps wide from peak to peak (the sum of two rectangular ones), so what is added is noise of a
    quarter of a step's square whatever the music does: -96.3 dBFS RMS at 16 bit.

    Parameters
    ----------
    bits : int
    dither : bool
    seed : int
        Of the dither: the same seed and samples give the same words, in pieces of any size.

    Attributes
    ----------
    frames : int
        Frames that went by.
    peak : float
        Largest magnitude that went by, full scale 1.0.
    over : bool
        A sample did not fit.
    """

    def __init__(self, bits: int, dither: bool, seed: int) -> None:
        self._bits = bits
        self._random = np.random.Generator(np.random.PCG64(seed)) if dither else None
        self._digest = hashlib.sha256()
        self.frames = 0
        self.peak = 0.0
        self.over = False

    @property
    def sha256(self) -> str:
        """Of the words, as `sound.audio_checksum` takes it of the file that holds them."""
        return self._digest.hexdigest()

    @property
    def trim_db(self) -> float:
        """By how much the samples have to be turned down to fit, in tenths of a decibel; 0 where they do."""
        if not self.over:
            return 0.0
        steps = 2.0 ** (self._bits - 1)
        return tenths_up((decibels(self.peak) or 0.0) - (decibels((steps - 3.0) / steps) or 0.0))

    def of(self, pieces: Iterator[Samples]) -> Iterator[NDArray[np.int32]]:
        """The words, left-justified in 32 bits; what does not fit is cut, and `over` says so."""
        top = 2 ** (self._bits - 1)
        for piece in pieces:
            scaled = piece * float(top)
            if self._random is not None:
                pairs = self._random.random((*piece.shape, 2))
                scaled += pairs[..., 0] - pairs[..., 1]
            words = np.rint(scaled)
            self.frames += len(piece)
            self.peak = max(self.peak, float(np.abs(piece).max(initial=0.0)))
            self.over |= bool(((words > top - 1) | (words < -top)).any())
            whole = np.clip(words, -top, top - 1).astype(np.int64)
            left = np.ascontiguousarray(whole << (32 - self._bits), "<i4")
            packed = left.view(np.uint8).reshape(-1, 4)[:, 4 - self._bits // 8 :]
            self._digest.update(np.ascontiguousarray(packed).data)
            yield left


def tenths_up(db: float) -> float:
    """Rounded up to tenths of a decibel, at least one."""
    return max(0.1, math.ceil(round(db, 6) * 10.0) / 10.0)


def noise_power(bits: int, dither: bool) -> float:
    """Mean square of what rounding to so many bits adds, full scale 1.0: a quarter of a step's square with TPDF dither,
    else a twelfth."""
    return float((2.0 ** (1 - bits)) ** 2 / (4.0 if dither else 12.0))
