"""A voice made of syllables: glides, vibrato, formants, breath, bursts of 5 to 10 kHz; no code of the project."""

import numpy as np
import scipy.signal

from tests.balance.songs import RATE, Floats

FORMANTS_HZ = ((350.0, 800.0), (900.0, 2_200.0), (2_500.0, 2_900.0), (3_300.0, 3_700.0))
HEIGHTS = (1.0, 0.6, 0.3, 0.2)


def voice(seed: int, seconds: float = 12.0, burst_db: float = -14.0) -> tuple[Floats, list[tuple[float, float]]]:
    """Samples (n, 1) of about -20 dBFS while it sounds, and where the bursts are, in seconds.

    burst_db : level of the bursts against the voice.
    """
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * RATE))
    bursts: list[tuple[float, Floats]] = []
    at, last = 0.2, 220.0
    while at < seconds - 1.2:
        length = rng.uniform(0.25, 0.8)
        pitch = 220.0 * 2.0 ** (rng.choice([0, 2, 3, 5, 7, 8, 10, 12]) / 12.0)
        syllable = _syllable(rng, length, last, pitch)
        first = round(at * RATE)
        out[first : first + len(syllable)] += syllable
        at, last = at + length, pitch
        if rng.random() < 0.35:
            hiss = rng.standard_normal(round(rng.uniform(0.08, 0.14) * RATE))
            sections = scipy.signal.butter(2, [5_000.0, 10_000.0], "band", fs=RATE, output="sos")
            hiss = scipy.signal.sosfilt(sections, hiss) * np.hanning(len(hiss))
            bursts.append((at, hiss / np.sqrt(np.mean(hiss**2))))
            at += len(hiss) / RATE
        at += rng.uniform(0.3, 1.0) if rng.random() < 0.2 else 0.0
    out /= np.sqrt(np.mean(out[np.abs(out) > 1e-4] ** 2))
    for start, hiss in bursts:
        first = round(start * RATE)
        out[first : first + len(hiss)] += hiss * 10.0 ** (burst_db / 20.0)
    return 0.1 * out[:, None], [(start, start + len(hiss) / RATE) for start, hiss in bursts]


def _syllable(rng: np.random.Generator, length: float, before: float, pitch: float) -> Floats:
    n = round(length * RATE)
    time = np.arange(n) / RATE
    glide = pitch + (before - pitch) * np.exp(-time / 0.04)
    vibrato = 0.012 * np.sin(2.0 * np.pi * 5.5 * time + rng.uniform(0.0, 6.0)) * np.minimum(1.0, time / 0.2)
    drift = 0.002 * np.cumsum(rng.standard_normal(n)) / np.sqrt(n)
    phase = 2.0 * np.pi * np.cumsum(glide * (1.0 + vibrato + drift)) / RATE
    source = sum(np.sin(k * phase) / k**1.2 for k in range(1, 40)) + 0.05 * rng.standard_normal(n)
    sound = 0.05 * source
    for (low, high), height in zip(FORMANTS_HZ, HEIGHTS, strict=True):
        b, a = scipy.signal.iirpeak(rng.uniform(low, high), 8.0, fs=RATE)
        sound = sound + height * scipy.signal.lfilter(b, a, source)
    ends = np.minimum(1.0, time / 0.03) * np.minimum(1.0, (time[-1] - time) / 0.06)
    return np.asarray(sound * ends * rng.uniform(0.6, 1.0))
