"""Cross-spectra of passages that lie nearly alike, and what is read from their phases: lags, signs, coherence.

A lag is where the correlation is highest once all frequencies count alike (generalised cross-correlation with phase
transform; Knapp and Carter, IEEE Transactions on Acoustics, Speech and Signal Processing 24, 1976), each weighted by
how coherent it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log2
from typing import Final

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from master_check.sound.kept import Frames, Signal

Complex = NDArray[np.complex128]

WINDOW_S: Final = 0.17
WINDOWS: Final = 8
"""About how long a window of the spectra is, and how many, overlapping by half, lie in a passage."""

FINER: Final = 16
"""Points of a correlation between two samples; what lies between them is a parabola."""


@dataclass(frozen=True, slots=True)
class Peak:
    """Where two signals go together.

    Attributes
    ----------
    lag : float
        Samples by which the second is later.
    value : float
        -1 to 1: what share of the weighted frequencies agrees, negative where the polarity is reversed.
    height : float
        How far it stands out, in units of what the correlation is at other lags.
    """

    lag: float
    value: float
    height: float

    @property
    def sign(self) -> float:
        return -1.0 if self.value < 0.0 else 1.0


@dataclass(frozen=True, slots=True)
class Spectra:
    """What passages of two signals have in common.

    Attributes
    ----------
    cross : (passages, rows, rows, bins) complex128
        Conjugate of the first's rows times the second's.
    first, second : (rows, rows, bins) complex128
        The same of each with itself, all passages together.
    """

    cross: Complex
    first: Complex
    second: Complex

    @property
    def size(self) -> int:
        """Samples in a window."""
        return 2 * (int(self.cross.shape[-1]) - 1)


def window_of(rate: int, frames: int) -> int:
    """Samples in a window, a power of two, such that a passage fits into so many frames."""
    longest = 2 * frames // (WINDOWS + 1)
    return int(min(2 ** round(log2(WINDOW_S * rate)), 2 ** (max(longest, 16).bit_length() - 1)))


def passage_of(window: int) -> int:
    """Samples in a passage."""
    return (WINDOWS + 1) * window // 2


def rows_of(frames: Frames, count: int) -> Frames:
    """Channels as so many rows, (rows, n): themselves, or every other one, or all of them together."""
    return np.stack([frames[:, row::count].sum(axis=1) for row in range(count)])


def spectra(first: Signal, second: Signal, starts: Sequence[int], window: int, rows: int) -> Spectra:
    """Of passages of two signals, from the same samples on in both."""
    shape = np.hanning(window + 1)[:-1].astype(np.float32)
    cross = np.zeros((len(starts), rows, rows, window // 2 + 1), np.complex128)
    own = np.zeros((2, *cross.shape[1:]), np.complex128)
    for n, start in enumerate(starts):
        lines = []
        for signal in (first, second):
            piece = rows_of(signal.read(start, start + passage_of(window)), rows)
            cut = np.lib.stride_tricks.sliding_window_view(piece, window, axis=1)[:, :: window // 2]
            lines.append(scipy.fft.rfft((cut - cut.mean(axis=2, keepdims=True)) * shape, axis=2))
        # Every passage counts the same, however loud.
        a, b = (line / max(float(np.linalg.norm(line)), 1e-30) for line in lines)
        cross[n] = np.einsum("iwf,jwf->ijf", a.conj(), b)
        own[0] += np.einsum("iwf,jwf->ijf", a.conj(), a)
        own[1] += np.einsum("iwf,jwf->ijf", b.conj(), b)
    return Spectra(cross, own[0], own[1])


def coherence(cross: Complex, first: Complex, second: Complex) -> NDArray[np.float64]:
    """Magnitude-squared coherence of every bin, 0 to 1; 0 where one of them has nothing."""
    power = first.real * second.real
    return np.asarray(np.divide(np.square(np.abs(cross)), power, out=np.zeros_like(power), where=power > 0.0))


def peak(phases: Complex, near: float | None = None) -> Peak:
    """The highest point of the correlation whose spectrum is given, in either polarity.

    Parameters
    ----------
    phases : (bins,) complex128
    near : float, optional
        Samples around no lag to look at; all if not given.
    """
    size = 2 * (len(phases) - 1)
    total = float(np.abs(phases).sum()) or 1.0
    dense = scipy.fft.irfft(phases, size * FINER) * (size * FINER / (2.0 * total))
    if near is not None:
        reach = min(round(near * FINER), size * FINER // 2 - 1)
        around = np.concatenate([dense[-reach:], dense[: reach + 1]])
    else:
        reach = size * FINER // 2
        around = np.fft.fftshift(dense)
    best = int(np.argmax(np.abs(around)))
    spread = float(np.sqrt(np.mean(np.square(dense))))
    lag = (best - reach + _vertex(np.abs(around), best)) / FINER
    value = float(around[best])
    return Peak(lag, value, abs(value) / spread if spread else 0.0)


def phase(cross: Complex) -> Complex:
    """The same with every bin of magnitude 1; 0 where there is nothing."""
    magnitude = np.abs(cross)
    return np.divide(cross, magnitude, out=np.zeros_like(cross), where=magnitude > 1e-12 * magnitude.max(initial=0.0))


def _vertex(values: NDArray[np.float64], at: int) -> float:
    if not 0 < at < len(values) - 1:
        return 0.0
    left, top, right = values[at - 1 : at + 2]
    bend = left - 2.0 * top + right
    return float(0.5 * (left - right) / bend) if bend < 0.0 else 0.0
