"""What is left of a mix when its stems are taken away."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from master_check.decibels import power_decibels
from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ
from master_check.sound.kept import Frames, Signal

Floats = NDArray[np.float64]

STEP_S: Final = 1.0
PIECES: Final = 8
TAPS: Final = 511
SAME_DB: Final = 1e-4
"""Of two stems that are one: what of the second's power the first does not explain (-40 dB)."""
NOTHING: Final = 1e-16
"""Power against the mix's below which nothing is left that single precision could tell (-160 dB)."""


@dataclass(frozen=True)
class Null:
    """The stems taken from a mix.

    Attributes
    ----------
    as_they_are_db : float or None
        What is left, against the mix, when the sum of the stems is taken away at the level that leaves least.
    fitted_db : float or None
        The same with every stem at its own level, delay and polarity.
    common_gain_db : float or None
        The level of that sum in the mix.
    step_s : float
    over_time_db : (steps,) float64
        What is left with every stem as it is in the mix, against the mean power of the whole mix; NaN where the mix is
        silent.
    bands_db : (bands,) float64
        The same in third octaves (`meters.spectrum.BANDS_HZ`), against the mix in each; NaN where that has nothing.
    levels, off : (stems,) float64
        Factor of every stem that leaves least, and how far it can be off if all that is left were the stem's.
    """

    as_they_are_db: float | None
    fitted_db: float | None
    common_gain_db: float | None
    step_s: float
    over_time_db: Floats
    bands_db: Floats
    levels: Floats
    off: Floats


class Below:
    """A signal without what lies above a frequency: where rates were converted, converters' filters differ there."""

    def __init__(self, signal: Signal, highest_hz: float) -> None:
        self.rate, self.channels, self.frames = signal.rate, signal.channels, signal.frames
        self._signal = signal
        self._taps = scipy.signal.firwin(TAPS, highest_hz, fs=signal.rate, window=("kaiser", 12.0))[:, None]

    def read(self, start: int, stop: int) -> Frames:
        """As `Signal.read`."""
        wide = self._signal.read(start - TAPS // 2, stop + TAPS // 2)
        return np.asarray(scipy.signal.oaconvolve(wide, self._taps, mode="valid", axes=0), np.float32)


def null(signals: Sequence[Signal], own: Sequence[Signal], mix: Signal) -> Null:
    """Read all of them through.

    Parameters
    ----------
    signals : sequence of Signal
        The stems where the mix should have them.
    own : sequence of Signal
        The same where it has them.
    mix : Signal
    """
    step = round(STEP_S * mix.rate)
    steps = -(-mix.frames // step)
    power, sums, products = np.zeros(steps), np.zeros(steps), np.zeros(steps)
    normal, right = np.zeros((len(own), len(own))), np.zeros(len(own))
    moved = [mine is not other for mine, other in zip(own, signals, strict=True)]
    for n, target, rows, plain in _read(signals, own, mix, moved, step):
        power[n] += np.dot(target, target)
        sums[n] += np.dot(plain, plain)
        products[n] += np.dot(target, plain)
        normal += rows @ rows.T
        right += rows @ target
    whole, total, both = float(power.sum()), float(sums.sum()), float(products.sum())
    gain = both / total if total else 0.0
    levels, inverse = _solved(normal, right)
    over_time, bands = _left(own, mix, levels, step, steps)
    fitted = float(over_time.sum())
    return Null(
        power_decibels(max((whole - gain * both) / whole, NOTHING)) if whole else None,
        power_decibels(max(fitted / whole, NOTHING)) if whole else None,
        20.0 * float(np.log10(abs(gain))) if gain else None,
        STEP_S,
        np.where(power > 0.0, 10.0 * np.log10(np.maximum(over_time / (whole / steps + 1e-300), NOTHING)), np.nan),
        bands,
        levels,
        np.sqrt(fitted * np.maximum(inverse, 0.0)),
    )


def _solved(normal: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Factor of every stem, and the diagonal of the inverse; of stems that are the same, the first has it all."""
    power = np.diag(normal)
    explained = np.square(normal) / np.maximum(np.outer(power, power), 1e-30)
    again = np.array([bool((explained[n, :n] > 1.0 - SAME_DB).any()) for n in range(len(power))])
    own = np.flatnonzero(~again)
    inverse = np.linalg.inv(normal[np.ix_(own, own)] + np.diag(1e-12 * power[own] + 1e-30))
    levels, diagonal = np.zeros(len(power)), np.zeros(len(power))
    levels[own], diagonal[own] = inverse @ right[own], np.diag(inverse)
    return levels, diagonal


def _read(
    signals: Sequence[Signal], own: Sequence[Signal], mix: Signal, moved: Sequence[bool], step: int
) -> Iterator[tuple[int, Floats, Floats, Floats]]:
    """The number of a step, the mix there, every stem as it is in the mix (rows), and the sum of them as they are.

    A piece of the step at a time, for want of room.
    """
    piece = -(-step // PIECES)
    for start in range(0, mix.frames, piece):
        n, stop = start // step, min(start + piece, mix.frames)
        target = mix.read(start, stop).astype(np.float64).ravel()
        rows = np.stack([signal.read(start, stop).ravel() for signal in own]).astype(np.float64)
        plain = np.zeros(len(target))
        for signal, row, other in zip(signals, rows, moved, strict=True):
            plain += signal.read(start, stop).ravel() if other else row
        yield n, target, rows, plain


def _left(own: Sequence[Signal], mix: Signal, levels: Floats, step: int, steps: int) -> tuple[Floats, Floats]:
    over_time = np.zeros(steps)
    edges = np.clip(np.round(np.array(EDGES_HZ) * step / mix.rate).astype(int), 0, step // 2 + 1)
    powers = np.zeros((2, len(BANDS_HZ)))
    window = np.hanning(step + 1)[:-1, None]
    for n, start in enumerate(range(0, mix.frames, step)):
        target = mix.read(start, start + step).astype(np.float64)
        left = target - sum(level * signal.read(start, start + step) for level, signal in zip(levels, own, strict=True))
        over_time[n] = float(np.square(left).sum())
        for row, frames in zip(powers, (left, target), strict=True):
            spectrum = np.square(np.abs(scipy.fft.rfft(frames * window, axis=0))).sum(axis=1)
            total = np.concatenate([[0.0], np.cumsum(spectrum)])
            row += np.diff(total[edges])
    heard = powers[1] > 1e-12 * powers[1].sum()
    shares = np.where(heard, np.maximum(powers[0], NOTHING * powers[1]) / np.where(heard, powers[1], 1.0), 1.0)
    return over_time, np.where(heard, 10.0 * np.log10(shares), np.nan)
