"""What a stem's own meters read of samples, and signals for them."""

from typing import Any

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.measurement.one_pass import measure_source
from master_check.sound.source import ArraySource
from master_check.stem.kinds import kind_of
from master_check.stem.one_pass import Own, StemMeters
from master_check.stem.sheet import Tapped
from tests.balance.songs import RATE

Floats = NDArray[np.float64]


def own(frames: Any, name: str = "stem", group: str | None = None, rate: int = RATE) -> Own:
    source = ArraySource(np.asarray(frames, np.float32), rate)
    meters = StemMeters(source.format, kind_of(name, group))
    return meters.result(measure_source(Tapped(source, meters)))


def rms(frames: Floats) -> float:
    """dBFS; a sine of full scale reads 0, as EBU R 68 has it."""
    return float(10.0 * np.log10(2.0 * np.mean(np.square(frames))))


def at(frames: Floats, dbfs: float) -> Floats:
    """Brought to a level."""
    return np.asarray(frames * 10.0 ** ((dbfs - rms(frames)) / 20.0))


def band(frames: Floats, low: float, high: float, rate: int = RATE) -> Floats:
    return np.asarray(
        scipy.signal.sosfilt(scipy.signal.butter(2, [low, high], "band", fs=rate, output="sos"), frames, axis=0)
    )


def white(seconds: float, seed: int, channels: int = 1) -> Floats:
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE), channels))


def hum(seconds: float, mains: float) -> Floats:
    """Mains and its second, third and fifth harmonic."""
    time = np.arange(round(seconds * RATE)) / RATE
    parts = ((1, 1.0), (2, 0.5), (3, 0.6), (5, 0.2))
    return np.asarray(sum(a * np.sin(2.0 * np.pi * mains * k * time + k) for k, a in parts))[:, None]


def with_gaps(frames: Floats, *gaps: tuple[float, float]) -> Floats:
    """Silent from when to when, in seconds, with ends of 10 ms."""
    open_ = np.ones(len(frames))
    for start, end in gaps:
        open_[round(start * RATE) : round(end * RATE)] = 0.0
    width = RATE // 100
    return np.asarray(frames * np.convolve(open_, np.hanning(width) / np.hanning(width).sum(), "same")[:, None])
