"""By how much each stem comes late or early in a mix, and with which polarity.

All stems but one are taken off the mix as far as they are known, and the one is looked for in what is left: the
cross-correlation of the two, whitened so that the bass does not hide the rest. In turns, until nothing moves.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

from master_check.balance.statistics import Part
from master_check.sound.kept import Signal

Floats = NDArray[np.float64]

LONGEST_S: Final = 0.25
HIGHEST_HZ: Final = 8_000.0
TURNS: Final = 6

FINER: Final = 8
"""The peak is looked for between samples."""

BETTER: Final = 1.15
"""Another delay has to explain so many times more of what is left."""

LEAST: Final = 0.05
"""Height of a peak (1: nothing else is left) below which it is chance."""

PARTS: Final = 12


TOGETHER: Final = 0.5
"""Samples within which stems count as playing together."""

CLEARER: Final = 1.05
"""A delay against the others has to leave so many times less where the stem is to be heard."""


@dataclass(frozen=True)
class Delays:
    """Where stems are in a mix.

    Attributes
    ----------
    common : float
        By how many samples most of them are later than was thought.
    samples : (stems,) float64
        How much later than those each stem is.
    """

    common: float
    samples: Floats


def delays(stems: Sequence[Signal], mix: Signal, parts: Sequence[Part]) -> Delays:
    """Look for each stem around where it should be.

    Parameters
    ----------
    stems : sequence of Signal
        Where the mix should have them.
    mix : Signal
        Of the same rate.
    parts : sequence of Part
        Passages of the mix.
    """
    parts = [parts[n] for n in sorted({round(n) for n in np.linspace(0, len(parts) - 1, PARTS)})]
    length = parts[0].stop - parts[0].start
    size = scipy.fft.next_fast_len(length + round(LONGEST_S * mix.rate), real=True)
    bins = min(size // 2 + 1, round(HIGHEST_HZ * size / mix.rate))
    own = np.empty((len(stems), len(parts), bins), np.complex64)
    for spectra, signal in zip(own, stems, strict=True):
        spectra[:] = _spectra(signal, parts, size, bins)
    target = _spectra(mix, parts, size, bins)
    power = np.square(np.abs(target))
    smooth = scipy.ndimage.uniform_filter1d(power, max(3, bins // 200), axis=1)
    whitening = 1.0 / (smooth + 1e-4 * smooth.mean() + 1e-30)
    return _Search(own, target, whitening.astype(np.float32), size, mix.rate).found()


def _spectra(signal: Signal, parts: Sequence[Part], size: int, bins: int) -> NDArray[np.complex64]:
    rows = np.stack([signal.read(part.start, part.stop).mean(axis=1) for part in parts])
    return np.asarray(scipy.fft.rfft(rows, size, axis=1, workers=2)[:, :bins])


class _Search:
    def __init__(
        self,
        own: NDArray[np.complex64],
        target: NDArray[np.complex64],
        whitening: NDArray[np.float32],
        size: int,
        rate: int,
    ) -> None:
        self._own, self._target, self._whitening = own, target, whitening
        self._size, self._rate = size, rate
        self._sizes = np.sqrt([np.sum(np.square(np.abs(each)) * whitening, dtype=np.float64) for each in own])
        self._turn = -2j * np.pi * np.arange(own.shape[2]) / size
        # Correlations are read at twice the rate of what the bins hold.
        self._points = scipy.fft.next_fast_len(4 * own.shape[2], real=True)
        self._reach = round(LONGEST_S * rate / size * self._points)

    def found(self) -> Delays:
        late = np.zeros(len(self._own))
        for _ in range(TURNS):
            levels = self._levels(late)
            left = self._left(late, levels)
            moved = False
            for stem in np.argsort(-np.abs(levels) * self._sizes):
                better = self._better(int(stem), left, float(late[stem]), float(levels[stem]))
                if better is not None:
                    left += levels[stem] * self._moved(int(stem), late[stem])
                    late[stem], level = better
                    left -= level * self._moved(int(stem), late[stem])
                    moved = True
            if not moved:
                break
        levels = self._levels(late)
        common = self._common(late, levels)
        return Delays(common, self._settled(late, common) - common)

    def _common(self, late: Floats, levels: Floats) -> float:
        """The delay that most stems have, each counting by what it explains of the mix."""
        weight = np.abs(levels) * self._sizes
        near = np.abs(late[:, None] - late[None, :]) < TOGETHER
        best = near[int(np.argmax(near @ weight))]
        return float(np.average(late[best], weights=weight[best] + 1e-30))

    def _settled(self, late: Floats, common: float) -> Floats:
        """Without delays that explain hardly more than the common one: those of the bus's filters, or chance."""
        late = late.copy()
        for stem in np.argsort(np.abs(late - common)):
            if late[stem] == common:
                continue
            other = late.copy()
            other[stem] = common
            lefts = [np.square(np.abs(self._left(each, self._levels(each)))) for each in (late, other)]
            floor = scipy.ndimage.uniform_filter1d(lefts[0], max(3, lefts[0].shape[1] // 200), axis=1) + 1e-30
            heard = np.square(np.abs(self._own[stem]))
            weight = heard / (heard + floor) / floor
            if np.sum(weight * lefts[1]) < CLEARER * np.sum(weight * lefts[0]):
                late = other
        return late

    def _moved(self, stem: int, late: float) -> NDArray[np.complex64]:
        """A stem's spectra, later by so many samples."""
        return np.asarray(self._own[stem] * np.exp(self._turn * late).astype(np.complex64))

    def _left(self, late: Floats, levels: Floats) -> NDArray[np.complex64]:
        left = self._target.copy()
        for stem, (delay, level) in enumerate(zip(late, levels, strict=True)):
            left -= np.float32(level) * self._moved(stem, float(delay))
        return left

    def _levels(self, late: Floats) -> Floats:
        """By least squares, passage by passage: all stems at once would need much room."""
        turns = np.exp(np.outer(late, self._turn)).astype(np.complex64)
        count = len(self._own)
        normal, right = np.zeros((count, count)), np.zeros(count)
        for part, whitening in enumerate(np.sqrt(self._whitening)):
            rows = self._own[:, part] * turns * whitening
            normal += (rows.conj() @ rows.T).real
            right += (rows.conj() @ (self._target[part] * whitening)).real
        normal += np.diag(1e-6 * np.diag(normal) + 1e-30)
        return np.asarray(np.linalg.solve(normal, right))

    def _better(self, stem: int, left: NDArray[np.complex64], late: float, level: float) -> tuple[float, float] | None:
        """Another delay and level, where they explain clearly more."""
        own = self._own[stem]
        rest = left + np.float32(level) * self._moved(stem, late)
        cross = (own.conj() * rest * self._whitening).sum(axis=0)
        power = float((np.square(np.abs(own)) * self._whitening).sum(dtype=np.float64))
        whole = np.sqrt(power * float((np.square(np.abs(rest)) * self._whitening).sum(dtype=np.float64))) + 1e-30
        row = scipy.fft.irfft(cross, self._points) * self._points / 2.0
        row = np.concatenate([row[-self._reach :], row[: self._reach + 1]])
        peak = int(np.argmax(np.abs(row)))
        guess = (peak - self._reach) * self._size / self._points
        found = self._refined(cross, guess)
        height, old = (abs(self._at(cross, each)) / whole for each in (found, late))
        if height < LEAST or height < BETTER * old:
            return None
        return found, float(self._at(cross, found)) / (power or 1.0)

    def _at(self, cross: NDArray[np.complex64], late: float) -> float:
        return float((cross * np.exp(-self._turn * late)).real.sum(dtype=np.float64))

    def _refined(self, cross: NDArray[np.complex64], guess: float) -> float:
        step = self._size / self._points
        for _ in range(4):
            near = guess + step * np.linspace(-1.0, 1.0, 2 * FINER + 1)
            guess = float(near[np.argmax([abs(self._at(cross, each)) for each in near])])
            step /= FINER
        return guess
