"""What is looked at of a signal to find it in another: two rows at a low rate, made even in tone and level."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from master_check.alignment.views import Converted
from master_check.sound.kept import Signal

LOW_RATE: Final = 4_000
"""Hz. What lies below half of it is in every loudspeaker and every encode, and an hour of it is quickly searched."""

HOPS_PER_SECOND: Final = 100

_ZEROS: Final = 8
_CHUNK_S: Final = 10
_BAND_HZ: Final = 40.0
"""Width over which a spectrum is averaged before it is made even: no partial of the music is taken away."""

_LEVEL_S: Final = 1.0
"""The same over time: no beat is."""

_LOWEST_HZ: Final = 40.0
_FLOOR: Final = 1e-6
"""Bands weaker than this (-60 dB) against the strongest, and moments against the loudest, are not raised to it."""


@dataclass(frozen=True, slots=True)
class Overview:
    """A signal seen from afar.

    Attributes
    ----------
    rows : (2 or 1, n) float32
        At `LOW_RATE`: left and right, or every other channel together; spectrum and level made even, mean square 1.
    energy : (hops,) float64
        Sum of squares of all channels in every 10 ms of the signal as it is.
    """

    rows: NDArray[np.float32]
    energy: NDArray[np.float64]

    def power_between(self, start_s: float, stop_s: float) -> float:
        """Sum of squares between two times."""
        total = np.concatenate([[0.0], np.cumsum(self.energy)])
        at = np.array([start_s, stop_s]) * HOPS_PER_SECOND
        return float(np.diff(np.interp(at, np.arange(len(total)), total))[0])


def overview(signal: Signal) -> Overview:
    """Read a signal through, once."""
    low = Converted(signal, LOW_RATE, _ZEROS)
    rows = np.zeros((min(signal.channels, 2), low.frames), np.float32)
    energies = []
    for chunk in range(0, -(-signal.frames // signal.rate), _CHUNK_S):
        first, last = chunk * LOW_RATE, min((chunk + _CHUNK_S) * LOW_RATE, low.frames)
        if first < last:
            piece = low.read(first, last)
            for n, row in enumerate(rows):
                row[first:last] = piece[:, n :: len(rows)].sum(axis=1)
        edges = np.arange(chunk * HOPS_PER_SECOND, (chunk + _CHUNK_S) * HOPS_PER_SECOND + 1)
        edges = edges * signal.rate // HOPS_PER_SECOND
        squares = np.square(signal.read(edges[0], edges[-1])).sum(axis=1, dtype=np.float64)
        energies.append(np.add.reduceat(squares, edges[:-1] - edges[0]))
    energy = np.concatenate(energies) if energies else np.zeros(0)
    return Overview(_even(rows), energy[: -(-signal.frames * HOPS_PER_SECOND // signal.rate)])


def _even(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rows whose spectrum and level are the same everywhere; what is silent stays so."""
    size = scipy.fft.next_fast_len(rows.shape[1] + int(LOW_RATE * _LEVEL_S), real=True)
    hz = np.arange(size // 2 + 1) * (LOW_RATE / size)
    heard = (hz > _LOWEST_HZ) & (hz < 0.45 * LOW_RATE)
    for row in rows:
        spectrum = scipy.fft.rfft(row, size)
        spectrum *= _evened(np.square(np.abs(spectrum)), round(_BAND_HZ * size / LOW_RATE)) * heard
        row[:] = scipy.fft.irfft(spectrum, size)[: len(row)]
        row *= _evened(np.square(row), round(_LEVEL_S * LOW_RATE))
    return rows


def _evened(power: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """The factor that brings every power to the average of those around it."""
    width = max(1, min(width, len(power)))
    around = uniform_filter1d(uniform_filter1d(power, width, mode="constant"), width, mode="constant")
    floor = max(_FLOOR * float(around.max(initial=0.0)), 1e-30)
    return np.asarray(1.0 / np.sqrt(np.maximum(around, floor)), np.float32)
