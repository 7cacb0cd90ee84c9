"""What is done to premasters whose masters have a known truth; no code of the project."""

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import scipy.signal
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.optimize import brentq

Floats = NDArray[np.float64]


def side_of(frames: Floats, side: str) -> Floats:
    """Left, right, (L + R) / 2 or (L - R) / 2."""
    left, right = frames[:, 0], frames[:, 1]
    return {"left": left, "right": right, "mid": (left + right) / 2, "side": (left - right) / 2}[side]


def sine_thd(curve: Callable[[Floats], Floats], peak: float) -> float:
    """The definition, written down once more: root of the summed squares of all harmonics over the fundamental."""
    wave = curve(peak * np.sin(2.0 * np.pi * np.arange(8192) / 8192.0))
    lines = np.abs(np.fft.rfft(wave))
    return float(100.0 * np.sqrt(np.sum(lines[2:2048] ** 2)) / lines[1])


def peak_level(signal: Floats) -> float:
    return float(np.quantile(np.abs(signal), 0.9999))


def tanh_of(signal: Floats, percent: float) -> Floats:
    """tanh that distorts a sine at the signal's peak level by so much; small signals keep their level."""
    peak = peak_level(signal)
    drive = brentq(lambda k: sine_thd(lambda x: np.tanh(k * x), peak) - percent, 1e-3 / peak, 50.0 / peak)
    return np.asarray(np.tanh(drive * signal) / drive)


def shaped(frames: Floats, shape: Callable[[Floats], Floats], sides: str) -> Floats:
    """`shape` on left, right, both, mid or side."""
    if sides in ("mid", "side"):
        parts = {"mid": side_of(frames, "mid"), "side": side_of(frames, "side")}
        parts[sides] = shape(parts[sides])
        return np.stack([parts["mid"] + parts["side"], parts["mid"] - parts["side"]], axis=1)
    out = frames.copy()
    for channel in {"left": [0], "right": [1], "both": [0, 1]}[sides]:
        out[:, channel] = shape(out[:, channel])
    return out


def equalised(frames: Floats, rate: int) -> Floats:
    """High-pass at 28 Hz, a bell of +4 dB at 250 Hz, a high shelf: second-order sections, minimum phase."""
    out = scipy.signal.sosfilt(scipy.signal.butter(2, 28.0, "high", fs=rate, output="sos"), frames, axis=0)
    out = out + 0.6 * scipy.signal.lfilter(*scipy.signal.iirpeak(250.0, 1.5, fs=rate), out, axis=0)
    return np.asarray(
        out + 0.3 * scipy.signal.sosfilt(scipy.signal.butter(1, 6000.0, "high", fs=rate, output="sos"), out, axis=0)
    )


def compressed(frames: Floats, rate: int, detector: str = "rms") -> Floats:
    """2:1, attack 30 ms, release 150 ms, threshold 3 dB under the RMS: some 3 to 6 dB of gain reduction throughout.

    Feed-forward; the detector smooths the level, the square of it, or the gain reduction in dB (all three are common).
    """
    threshold_db = 20.0 * np.log10(np.sqrt(np.mean(frames**2))) - 3.0
    level = np.abs(frames).max(axis=1)

    def over(db: Floats) -> Floats:
        return np.asarray(np.maximum(0.0, db - threshold_db))

    signal = {
        "level": level,
        "rms": level**2,
        "decibels": over(20.0 * np.log10(level + 1e-9)),
    }[detector]
    attack, release = (-np.expm1(-1.0 / (seconds * rate)) for seconds in (0.030, 0.150))
    smooth, state = np.empty(len(signal)), 0.0
    for n, value in enumerate(signal.tolist()):
        state += (attack if value > state else release) * (value - state)
        smooth[n] = state
    above = {
        "level": over(20.0 * np.log10(smooth + 1e-9)),
        "rms": over(10.0 * np.log10(smooth + 1e-12)),
        "decibels": smooth,
    }[detector]
    return np.asarray(frames * 10.0 ** (-0.5 * above / 20.0)[:, None])


def _smooth(over: Floats, attack: float, release: float) -> Floats:
    out, state = np.empty(len(over)), 0.0
    for n in range(len(over)):
        state += (attack if over[n] > state else release) * (over[n] - state)
        out[n] = state
    return out


_smoothed: Callable[[Floats, float, float], Floats] = cast(Any, njit)(_smooth)


def compressor_gain(
    detected: Floats, rate: int, attack_s: float, release_s: float, ratio: float, reduction_db: float
) -> Floats:
    """A feed-forward compressor's gain, (n,), its threshold such that it reduces so much at the 95th percentile."""
    level = 20.0 * np.log10(np.abs(detected).max(axis=1) + 1e-9)
    attack, release = (-np.expm1(-1.0 / (seconds * rate)) for seconds in (attack_s, release_s))

    def reduced(threshold_db: float) -> Floats:
        return _smoothed(np.maximum(0.0, level - threshold_db) * (1.0 - 1.0 / ratio), attack, release)

    threshold = brentq(lambda db: np.quantile(reduced(db), 0.95) - reduction_db, -110.0, 0.0, xtol=1e-3)
    return np.asarray(10.0 ** (-reduced(threshold) / 20.0))


def bass_compressor_gain(frames: Floats, rate: int, reduction_db: float) -> Floats:
    """The same, triggered by what lies below 120 Hz: it pumps with the kick drum."""
    low = scipy.signal.sosfilt(scipy.signal.butter(2, 120.0, "low", fs=rate, output="sos"), frames, axis=0)
    return compressor_gain(low, rate, 0.005, 0.1, 4.0, reduction_db)


def limiter_gain(frames: Floats, rate: int, reduction_db: float) -> Floats:
    """A limiter with 1.5 ms of look-ahead and 80 ms of release, its ceiling so far below the level of rare peaks."""
    ahead = round(0.0015 * rate)
    top = np.quantile(np.abs(frames), 0.9999) * 10.0 ** (-reduction_db / 20.0)
    needed = np.minimum(1.0, top / np.maximum(np.abs(frames).max(axis=1), 1e-9))
    held = -20.0 * np.log10(minimum_filter1d(needed, 2 * ahead + 1))
    gain = 10.0 ** (-_smoothed(held, 1.0, -np.expm1(-1.0 / (0.08 * rate))) / 20.0)
    return np.asarray(uniform_filter1d(gain, 2 * ahead + 1))


def multiband(frames: Floats, rate: int, reduction_db: float = 3.0) -> Floats:
    """Three bands, each through a compressor of its own."""
    split = [
        scipy.signal.butter(4, 200.0, "low", fs=rate, output="sos"),
        scipy.signal.butter(4, [200.0, 2_000.0], "band", fs=rate, output="sos"),
        scipy.signal.butter(4, 2_000.0, "high", fs=rate, output="sos"),
    ]
    bands = [scipy.signal.sosfiltfilt(sos, frames, axis=0) for sos in split]
    return np.asarray(sum(band * compressor_gain(band, rate, 0.01, 0.1, 2.5, reduction_db)[:, None] for band in bands))


def clipped(frames: Floats, db: float) -> Floats:
    """So much off the highest peak of all channels."""
    top = np.abs(frames).max() * 10.0 ** (-db / 20.0)
    return np.asarray(np.clip(frames, -top, top))
