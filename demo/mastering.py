"""The mastering chain of the demo EP: equaliser, compressor, saturated sides, clipper, limiter, word length.

A recipe (`Chain`) is plain data with every number in it; `master` does what it says, in the order of its fields, so
a tool that compares premaster and master can be held against it. All stages work on (n, 2) float64.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import firwin, resample, resample_poly, sosfilt

Audio = NDArray[np.float64]


def gain(db: float) -> float:
    """Decibels to a factor."""
    return float(10.0 ** (db / 20.0))


@dataclass(frozen=True, slots=True)
class Band:
    """One band of the equaliser, minimum phase."""

    shape: Literal["low_shelf", "peak", "high_shelf"]
    frequency_hz: float
    gain_db: float
    q: float = 0.7071


@dataclass(frozen=True, slots=True)
class Compressor:
    """Feed-forward compressor, hard knee, both channels turned down by the same gain, no make-up gain.

    The level is the mean square of 1 ms of both channels; what is over the threshold is divided by the ratio; the
    gain, in dB, goes down with a time constant of `attack_ms` and up with one of `release_ms`, `look_ahead_ms` early.
    """

    threshold_db: float
    ratio: float
    attack_ms: float
    release_ms: float
    look_ahead_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class Limiter:
    """Look-ahead brick-wall limiter, both channels turned down by the same gain.

    `detection` says what stays under the ceiling: the samples, or the four-times oversampled curve through them.
    """

    detection: Literal["sample_peak", "true_peak"]
    ceiling_db: float
    look_ahead_ms: float = 1.5
    release_db_per_s: float = 40.0


@dataclass(frozen=True, slots=True)
class Chain:
    """How one master is made from its premaster: the stages in this order, None where there is none.

    Attributes
    ----------
    head_cut : int
        Samples (at the premaster's rate) taken off the head.
    frames : int
        Samples (at the premaster's rate) kept after that: whole CD frames, so a multiple of 588.
    sample_rate : int
        Converted to this rate before anything else, Hz.
    equaliser : tuple of Band
    compressor : Compressor or None
    side_drive : float or None
        (L - R) / 2 goes through p tanh(d s / p) / d, p its own peak and d this number. Small samples keep their
        level, the middle is not touched.
    gain_db : float
        Into the stages below.
    dc_left : float
        Added to the left channel, full scale 1 (an analogue stage out of adjustment).
    clip : bool
        Cut at full scale, hard.
    limiter : Limiter or None
    output_db : float
        Output level after everything above.
    word_bits : int
        24: rounded. 16: TPDF dither, rounded to 16 bits, padded to 24 again.
    """

    head_cut: int
    frames: int
    equaliser: tuple[Band, ...]
    gain_db: float
    sample_rate: int = 44_100
    compressor: Compressor | None = None
    side_drive: float | None = None
    dc_left: float = 0.0
    clip: bool = False
    limiter: Limiter | None = None
    output_db: float = 0.0
    word_bits: int = 24


FULL = 1.0 - 2.0**-23
"""The largest sample of 24 bits."""


def master(premaster: Audio, rate: int, chain: Chain, seed: int) -> NDArray[np.int32]:
    """Send a premaster through a chain.

    Parameters
    ----------
    premaster : (n, 2) float64
        As read back from its 24-bit file, full scale 1.
    rate : int
        Its sample rate, Hz.
    chain : Chain
    seed : int
        Of the dither.

    Returns
    -------
    (m, 2) int32
        24-bit samples, left-justified in 32 bits.
    """
    audio = premaster[chain.head_cut : chain.head_cut + chain.frames]
    audio = convert(audio, rate, chain.sample_rate)
    for band in chain.equaliser:
        audio = equalise(audio, chain.sample_rate, band)
    if chain.compressor:
        audio = compress(audio, chain.sample_rate, chain.compressor)
    if chain.side_drive is not None:
        audio = saturate_sides(audio, chain.side_drive)
    audio = audio * gain(chain.gain_db)
    audio[:, 0] += chain.dc_left
    if chain.clip:
        audio = np.clip(audio, -FULL, FULL)
    if chain.limiter:
        audio = limit(audio, chain.sample_rate, chain.limiter)
    audio = audio * gain(chain.output_db)
    return words(audio, chain.word_bits, seed)


def words(audio: Audio, bits: int = 24, seed: int = 0) -> NDArray[np.int32]:
    """Round to `bits`, left-justified in 32; below 24 with TPDF dither of two steps' width."""
    if bits < 24:
        random = np.random.default_rng(seed)
        audio = audio + (random.random(audio.shape) - random.random(audio.shape)) * 2.0 ** (1 - bits)
    top = 2 ** (bits - 1)
    codes = np.clip(np.rint(audio * top), -top, top - 1).astype(np.int64)
    return np.asarray(codes << (32 - bits)).astype(np.int32)


def convert(audio: Audio, rate: int, to: int) -> Audio:
    """Another sample rate, by a linear-phase filter as wide as 64 samples of the lower rate either side."""
    ratio = Fraction(to, rate)
    if ratio == 1:
        return audio
    widest = max(ratio.numerator, ratio.denominator)
    filter_ = firwin(128 * widest + 1, 0.96 / widest, window=("kaiser", 9.0))
    return np.asarray(resample_poly(audio, ratio.numerator, ratio.denominator, axis=0, window=filter_))


def equalise(audio: Audio, rate: int, band: Band) -> Audio:
    """One second-order section (R. Bristow-Johnson's audio EQ formulas, from memory)."""
    a, w = 10.0 ** (band.gain_db / 40.0), 2.0 * np.pi * band.frequency_hz / rate
    c, alpha = np.cos(w), np.sin(w) / (2.0 * band.q)
    if band.shape == "peak":
        top, bottom = (1 + alpha * a, -2 * c, 1 - alpha * a), (1 + alpha / a, -2 * c, 1 - alpha / a)
    else:
        s = -1.0 if band.shape == "low_shelf" else 1.0  # the high shelf is the low one with c turned round
        k = 2.0 * np.sqrt(a) * alpha
        up, down = a + 1 + s * (a - 1) * c, a + 1 - s * (a - 1) * c
        top = (a * (up + k), -s * 2 * a * (a - 1 + s * (a + 1) * c), a * (up - k))
        bottom = (down + k, s * 2 * (a - 1 - s * (a + 1) * c), down - k)
    section = np.array([[*top, *bottom]]) / bottom[0]
    return np.asarray(sosfilt(section, audio, axis=0))


def compress(audio: Audio, rate: int, settings: Compressor) -> Audio:
    """See `Compressor`. The gain is worked out once a millisecond and drawn straight in between."""
    hop = rate // 1000
    hops = len(audio) // hop
    power = (audio[: hops * hop].reshape(hops, -1) ** 2).mean(axis=1)
    over = np.maximum(0.0, 10.0 * np.log10(power + 1e-12) - settings.threshold_db)
    wanted = over * (1.0 - 1.0 / settings.ratio)
    down, up = (1.0 - np.exp(-1.0 / ms) for ms in (settings.attack_ms, settings.release_ms))
    reduction, now = np.empty(hops), 0.0
    for i, goal in enumerate(wanted.tolist()):
        now += (down if goal > now else up) * (goal - now)
        reduction[i] = now
    at = (np.arange(hops) + 1.0 - settings.look_ahead_ms) * hop
    curve = np.interp(np.arange(len(audio)), at, reduction)
    return np.asarray(audio * (10.0 ** (-curve / 20.0))[:, None])


def saturate_sides(audio: Audio, drive: float) -> Audio:
    """tanh on (L - R) / 2, driven so that its own peak meets `drive`; unity gain for small samples."""
    middle, side = audio.mean(axis=1), 0.5 * (audio[:, 0] - audio[:, 1])
    scale = np.abs(side).max() / drive
    side = scale * np.tanh(side / scale)
    return np.stack([middle + side, middle - side], axis=1)


def tanh_thd_percent(drive: float) -> float:
    """Harmonic distortion that tanh gives a sine of peak `drive`: RMS of the harmonics over the fundamental."""
    spectrum = np.abs(np.fft.rfft(np.tanh(drive * np.sin(2.0 * np.pi * np.arange(4096) / 4096.0))))
    return float(100.0 * np.sqrt((spectrum[2:] ** 2).sum()) / spectrum[1])


def limit(audio: Audio, rate: int, settings: Limiter) -> Audio:
    """See `Limiter`. In true-peak mode the detector's ceiling is lowered until the result reads under the ceiling.

    The reduction needed at a sample is held for the look-ahead before it, recovers in a straight line (in dB) after
    it, and is smoothed by two moving averages that together are as long as the look-ahead: it is there in time.
    """
    inner_db = settings.ceiling_db
    peaks = np.abs(audio).max(axis=1)
    if settings.detection == "true_peak":
        between = oversampled(audio).reshape(len(audio), -1).max(axis=1)
        peaks = np.maximum(np.maximum(peaks, between), np.append(0.0, between[:-1]))
    while True:
        out = audio * _limiter_gain(peaks, rate, settings, inner_db)[:, None]
        if settings.detection == "sample_peak":
            return np.asarray(out)
        excess_db = float(20.0 * np.log10(oversampled(out).max() + 1e-12)) - settings.ceiling_db
        if excess_db <= 0.0:
            return np.asarray(out)
        inner_db -= excess_db + 0.001


def _limiter_gain(peaks: Audio, rate: int, settings: Limiter, ceiling_db: float) -> Audio:
    needed = np.maximum(0.0, 20.0 * np.log10(peaks + 1e-12) - ceiling_db)
    half = max(1, round(0.5e-3 * settings.look_ahead_ms * rate))
    ahead = 2 * half
    # A filter of size s covers [i - s // 2 - origin, ... ]: moved to [i, i + ahead], and below to [i - half, i].
    held = maximum_filter1d(needed, ahead + 1, origin=-half, mode="constant")
    fall = settings.release_db_per_s / rate * np.arange(len(held))
    held = np.maximum(0.0, np.maximum.accumulate(held + fall) - fall)
    for _ in range(2):
        held = uniform_filter1d(held, half + 1, origin=half - (half + 1) // 2, mode="nearest")
    return np.asarray(10.0 ** (-held / 20.0))


def oversampled(audio: Audio) -> Audio:
    """Magnitude at four times the rate, (4 n, channels): ITU-R BS.1770-5, Annex 2, by FFT, so with an ideal filter."""
    n = next_fast_len(len(audio) + 4096, real=True)
    padded = np.zeros((n, audio.shape[1]))
    padded[2048 : 2048 + len(audio)] = audio
    return np.asarray(np.abs(resample(padded, 4 * n, axis=0)[4 * 2048 : 4 * (2048 + len(audio))]))
