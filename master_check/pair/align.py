"""Laying a premaster and its master over each other: offset, polarity, gain, sample rate; and do they belong together?

Arrays are (frames, channels) float32 or float64. The coarse offset comes from a cross-correlation of both at a low
rate, differentiated so that bass does not blur it; the fine one from their loudest stretch at the full rate,
interpolated to a hundredth of a sample.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import resampy
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

Frames = NDArray[Any]

LOW_RATE: Final = 6_000
"""Hz, about: where the coarse search is done."""

EXCERPT_S: Final = 60.0
"""Sound that the fine search and the coherence look at."""

BELONG: Final = 0.4
"""Coherence from which two files are a pair. Equalised, compressed and clipped music reads above 0.8, other music, or
another part of the same song, below 0.1."""

SHORTEST_S: Final = 1.0


class PairError(Exception):
    """Two files that cannot be compared: why, in one line."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a master lies over its premaster.

    Attributes
    ----------
    offset_s : float
        How much later the same sound is in the master than in the premaster; negative: earlier.
    offset_samples : float
        The same in samples of the master.
    inverted : bool
        The master's polarity is the opposite.
    gain_db : float
        Level of the master over the premaster where they overlap.
    coherence : float
        0 to 1: how much of the master follows linearly from the premaster, mean over 50 Hz to 10 kHz.
    overlap_s : float
        Sound they have in common.
    rate : int
        Hz, that of the master; the premaster was converted where it had another.
    premaster_rate : int
        Hz.
    """

    offset_s: float
    offset_samples: float
    inverted: bool
    gain_db: float
    coherence: float
    overlap_s: float
    rate: int
    premaster_rate: int


def align(premaster: Frames, premaster_rate: int, master: Frames, rate: int) -> tuple[Alignment, Frames, Frames]:
    """Find how the two lie to each other.

    Returns
    -------
    alignment : Alignment
    premaster, master : (n, channels) float64
        What they have in common, at the master's rate; the premaster moved to the master's place to a fraction of a
        sample and turned to its polarity, its level as it was.

    Raises
    ------
    PairError
        Other channels, silence, too short, or no pair.
    """
    if premaster.shape[1] != master.shape[1]:
        raise PairError(f"the premaster has {premaster.shape[1]} channels, the master {master.shape[1]}")
    for name, frames, own in (("premaster", premaster, premaster_rate), ("master", master, rate)):
        if len(frames) < SHORTEST_S * own:
            raise PairError(f"the {name} is shorter than {SHORTEST_S:g} s")
        if not np.any(frames):
            raise PairError(f"the {name} is digital silence")
    first, second = np.asarray(premaster, np.float64), np.asarray(master, np.float64)
    if premaster_rate != rate:
        first = resampy.resample(first, premaster_rate, rate, axis=0, filter="kaiser_best", parallel=False)
    a, b = _listened(first, second)
    lag = _coarse(a, b, rate)
    shift, sign = _fine(a, b, lag, rate)
    whole = int(np.floor(shift))
    start_a, start_b = max(0, -whole), max(0, whole)
    length = min(len(first) - start_a, len(second) - start_b)
    if length < SHORTEST_S * rate:
        raise PairError("the two have less than a second in common")
    moved = sign * _delayed(first[start_a : start_a + length], shift - whole)
    kept = second[start_b : start_b + length]
    coherence = _coherence(*_listened(moved, kept), rate)
    if coherence < BELONG:
        raise PairError(
            f"these do not belong together (coherence {coherence:.2f}, a pair has {BELONG:g} and more); "
            "another song, another take, or another mix"
        )
    gain = 10.0 * np.log10(np.sum(kept**2) / np.sum(moved**2))
    return (
        Alignment(shift / rate, shift, sign < 0, float(gain), coherence, length / rate, rate, premaster_rate),
        moved,
        kept,
    )


def _listened(first: Frames, second: Frames) -> tuple[Frames, Frames]:
    """One row of each to listen to: the middle, or the first channel where there is hardly a middle."""
    middles = first.mean(axis=1), second.mean(axis=1)
    weak = any(
        np.sum(m**2) < 0.01 * np.mean(np.sum(f**2, axis=0)) for m, f in zip(middles, (first, second), strict=True)
    )
    return (first[:, 0], second[:, 0]) if weak else middles


def _coarse(a: Frames, b: Frames, rate: int) -> int:
    """Samples (at `rate`) by which `b` is later, to within some samples of the low rate."""
    down = max(1, rate // LOW_RATE)
    low_a, low_b = (np.diff(scipy.signal.resample_poly(x, 1, down).astype(np.float32)) for x in (a, b))
    found = _correlation(low_a, low_b)
    best = int(np.argmax(np.abs(found)))
    return (best - (len(low_a) - 1)) * down


def _correlation(a: Frames, b: Frames) -> Frames:
    """Of `b` against `a` at lags -(len(a) - 1) to len(b) - 1."""
    size = scipy.fft.next_fast_len(len(a) + len(b) - 1, real=True)
    spectrum = np.conj(scipy.fft.rfft(a, size)) * scipy.fft.rfft(b, size)
    ring = scipy.fft.irfft(spectrum, size)
    return np.concatenate([ring[-(len(a) - 1) :], ring[: len(b)]])


def _fine(a: Frames, b: Frames, lag: int, rate: int) -> tuple[float, float]:
    """Lag of `b` to a fraction of a sample, and the sign of the match, from the loudest stretch they share."""
    reach = rate // 50
    start, stop = max(0, lag), min(len(b), lag + len(a))
    size = min(int(EXCERPT_S * rate), stop - start)
    energy = np.concatenate([[0.0], np.cumsum(b[start:stop] ** 2)])
    at = start + int(np.argmax(energy[size:] - energy[:-size] if len(energy) > size else [0.0]))
    piece_b = np.diff(b[at : at + size])
    piece_a = np.diff(a[max(0, at - lag) : at - lag + size])
    found = _correlation(piece_a, piece_b)
    middle = len(piece_a) - 1
    near = found[max(0, middle - reach) : middle + reach + 1]
    best = int(np.argmax(np.abs(near)))
    sign = 1.0 if near[best] > 0.0 else -1.0
    fraction = _vertex(sign * near, best)
    return lag + best - min(reach, middle) + fraction, sign


def _vertex(correlation: Frames, best: int) -> float:
    """Where between the points the correlation is highest: band-limited interpolation, then a parabola."""
    wide, by = 64, 64
    piece = correlation[max(0, best - wide) : best + wide + 1]
    dense = scipy.signal.resample(piece * np.hanning(len(piece) + 2)[1:-1], len(piece) * by)
    centre = min(best, wide) * by
    around = slice(max(0, centre - by), centre + by + 1)
    return (around.start + int(np.argmax(dense[around])) - centre) / by


def _delayed(frames: Frames, fraction: float) -> Frames:
    """Frames later by a fraction of a sample: a windowed sinc of 64 taps."""
    if abs(fraction) < 1e-6:
        return frames
    n = np.arange(-31, 33) - fraction
    taps = np.sinc(n) * np.kaiser(64, 8.0)
    taps /= taps.sum()
    return np.asarray(scipy.signal.oaconvolve(frames, taps[:, None], axes=0)[31 : 31 + len(frames)])


def _coherence(a: Frames, b: Frames, rate: int) -> float:
    size = min(len(a), int(2 * EXCERPT_S * rate))
    start = (len(a) - size) // 2
    frequencies, found = scipy.signal.coherence(a[start : start + size], b[start : start + size], rate, nperseg=4096)
    heard = (frequencies >= 50.0) & (frequencies <= min(10_000.0, 0.4 * rate))
    return float(np.clip(np.nan_to_num(found[heard]).mean(), 0.0, 1.0))
