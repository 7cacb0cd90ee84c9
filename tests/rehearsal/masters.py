"""Masters for rehearsals, and second opinions on what came out."""

from pathlib import Path
from typing import Any

import av
import numpy as np
import scipy.signal

from master_check.judgement.profile import Profile, Rehearsal, Rule
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.rehearsal.conversion import Conversion, Master
from master_check.sound.kept import ArraySignal
from master_check.sound.source import ArraySource
from tests.signals import Floats, Frames

RATE = 44_100


def loud(seconds: float, peak_dbfs: float = -0.3, rate: int = RATE, channels: int = 2, seed: int = 1) -> Frames:
    """Bursts of noise below 5 kHz over a bass, clipped 9 dB below their own peak: encoders overshoot on it."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate)) / rate
    sections = scipy.signal.butter(2, 5000.0, fs=rate, output="sos")
    hiss = scipy.signal.sosfilt(sections, rng.standard_normal((len(t), channels)), axis=0)
    frames = np.exp(-9.0 * (t % 0.4))[:, None] * hiss + 0.8 * np.sin(2.0 * np.pi * 55.0 * t)[:, None]
    top = 0.35 * np.abs(frames).max()
    return np.asarray(np.clip(frames, -top, top) / top * 10.0 ** (peak_dbfs / 20.0), np.float32)


def master_of(frames: Frames, rate: int = RATE, **others: Frames) -> Master:
    """A master in memory; `others` are the same at other rates, named r48000 and so on."""
    signals = {rate: ArraySignal(frames, rate)}
    signals |= {int(name[1:]): ArraySignal(own, int(name[1:])) for name, own in others.items()}
    return Master(measurement_of(frames, rate), signals)


def measurement_of(frames: Frames, rate: int) -> Measurement:
    return measure(ArraySource(frames, rate))


def conversion(master: Master, folder: Path, kind: str, **keys: Any) -> Conversion:
    return Conversion(master, Rehearsal(kind, kind, **keys), folder)


def profile_of(*rehearsals: Rehearsal, ceiling: float = -1.0) -> Profile:
    return Profile("place", "A place", rules=(Rule("true_peak_dbtp", max=ceiling),), rehearsals=rehearsals)


def peak_rule(most: float = 0.0, level: Any = "should") -> tuple[Rule, ...]:
    return (Rule("true_peak_dbtp", max=most, level=level),)


def second_decoder(path: Path) -> Floats:
    """What libavcodec's own decoders make of a file, (n, channels)."""
    with av.open(str(path)) as file:
        parts = [frame.to_ndarray() for frame in file.decode(audio=0)]
    return np.concatenate([part.T for part in parts]).astype(np.float64)


def peak_16_times(frames: Any) -> float:
    """True peak, dBTP, of a Fourier transform's interpolation at 16 times the rate, between zeros."""
    padded = np.pad(np.asarray(frames, np.float64), ((2048, 2048), (0, 0)))
    size = int(scipy.fft.next_fast_len(len(padded), real=True))
    padded = np.pad(padded, ((0, size - len(padded)), (0, 0)))
    return float(20.0 * np.log10(np.abs(scipy.signal.resample(padded, 16 * size, axis=0)).max()))
