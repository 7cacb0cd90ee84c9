"""Signals and sound files that the tests share. Levels are dB relative to full scale; frames are (n, channels)."""

from pathlib import Path
from typing import Any

import numpy as np
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.measurement.all_meters import Meters
from master_check.measurement.measurement import Measurement
from master_check.sound.blocks import HOPS_PER_SECOND, blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables import layouts

Frames = NDArray[np.float32]
Floats = NDArray[np.float64]

RATE = 48_000


def db(amplitude: Any) -> Any:
    """20 log10 of an amplitude or an array of them."""
    return 20.0 * np.log10(np.asarray(amplitude, np.float64))


def amplitude(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def sine(
    seconds: float, peak_db: float = 0.0, hz: float = 997.0, channels: int = 1, rate: int = RATE, phase: float = 0.0
) -> Frames:
    """A sine of a peak level, the same on every channel."""
    wave = amplitude(peak_db) * np.sin(2.0 * np.pi * hz * np.arange(round(seconds * rate)) / rate + phase)
    return np.asarray(np.tile(wave[:, None], (1, channels)), np.float32)


def noise(seconds: float, rms_db: float = -20.0, channels: int = 2, rate: int = RATE, seed: int = 0) -> Frames:
    """Gaussian noise of an RMS level, every channel its own."""
    rng = np.random.default_rng(seed)
    return np.asarray(amplitude(rms_db) * rng.standard_normal((round(seconds * rate), channels)), np.float32)


def programme(seconds: float, channels: int = 2, rate: int = RATE, seed: int = 0) -> Frames:
    """Noise that swells and fades within 30 dB over seconds, so that loudness gates and ranges have work to do."""
    length = round(seconds * rate)
    rng = np.random.default_rng(seed)
    at = np.linspace(0.0, seconds, int(seconds / 2.0) + 2)
    swell = np.interp(np.arange(length) / rate, at, rng.uniform(-50.0, -20.0, len(at)))
    return np.asarray(noise(seconds, 0.0, channels, rate, seed) * 10.0 ** (swell[:, None] / 20.0), np.float32)


def silence(seconds: float, channels: int = 1, rate: int = RATE) -> Frames:
    return np.zeros((round(seconds * rate), channels), np.float32)


def quantised(frames: Frames, bits: int, dither_seed: int | None = None) -> Frames:
    """Rounded to words of `bits`, with TPDF dither of +-1 step where a seed is given; never above full scale."""
    steps = 2.0 ** (bits - 1)
    scaled = np.asarray(frames, np.float64) * steps
    if dither_seed is not None:
        rng = np.random.default_rng(dither_seed)
        scaled += rng.uniform(-0.5, 0.5, scaled.shape) + rng.uniform(-0.5, 0.5, scaled.shape)
    return np.asarray(np.clip(np.round(scaled), -steps, steps - 1) / steps, np.float32)


def ideal_true_peaks(frames: Frames) -> Floats:
    """True peak of every channel, linear: a Fourier transform interpolates between the samples four times.

    The signal is set between zeros, as the meter sees it, since a transform thinks it periodic.
    """
    pad = np.zeros((8192, frames.shape[1]))
    padded = np.concatenate([pad, np.asarray(frames, np.float64), pad])
    size = int(scipy.fft.next_fast_len(len(padded), real=True))
    padded = np.concatenate([padded, np.zeros((size - len(padded), frames.shape[1]))])
    return np.asarray(np.abs(scipy.signal.resample(padded, 4 * size, axis=0)).max(axis=0))


def measured(
    frames: Frames,
    rate: int = RATE,
    layout: str | None = None,
    bits: int | None = None,
    hops: int = HOPS_PER_SECOND,
) -> Measurement:
    """Everything measured of samples in memory: a float file, or one with words of so many bits."""
    named = layouts.parse(layout) if layout else layouts.of_count(frames.shape[1])
    assert named is not None
    format = AudioFormat(
        "WAV", f"PCM_{bits}" if bits else "FLOAT", rate, frames.shape[1], named, bits or 32, floating=not bits
    )
    meters = Meters(format)
    for block in blocks_of(frames, rate, hops):
        meters.feed(block)
    return meters.measurement("in memory", len(frames), [])


def value(measurement: Measurement, key: str) -> float:
    """A figure that has to be there and be a number."""
    found = measurement.values[key]
    assert isinstance(found, (int, float)), f"{key} is {found!r}"
    return float(found)


def write(path: Path, frames: Any, rate: int = RATE, subtype: str = "PCM_24", format: str | None = None) -> Path:
    """A sound file, by libsndfile."""
    soundfile.write(path, frames, rate, subtype=subtype, format=format)
    return path
