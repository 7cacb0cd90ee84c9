"""Songs made stem by stem, and what producers and buses do to them; no code of the project."""

from collections.abc import Mapping

import numpy as np
import scipy.signal
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE = 48_000


def song(seed: int, seconds: float = 24.0, rate: int = RATE) -> dict[str, Floats]:
    """Eight stems, (n, 1) or (n, 2): drums, bass, two pads, a lead with gaps, a guitar, hats and a shaker."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    beat = 60.0 / rng.uniform(90.0, 130.0)
    root = 55.0 * 2.0 ** (rng.integers(0, 7) / 12.0)
    chords = [root * 2.0 ** (rng.choice([0, 3, 5, 7, 8, 10]) / 12.0) for _ in range(8)]

    def hits(every: float, start: float, sound: Floats, jitter: float = 0.004) -> Floats:
        out = np.zeros(n + len(sound))
        for at in np.arange(start, seconds, every):
            first = round((at + rng.normal() * jitter) * rate)
            if 0 <= first < n:
                out[first : first + len(sound)] += sound * rng.uniform(0.6, 1.0)
        return out[:n]

    def decay(length: float, fall: float) -> Floats:
        return np.asarray(np.exp(-np.arange(round(length * rate)) / (fall * rate)))

    time = np.arange(round(0.4 * rate)) / rate
    kick = np.sin(2 * np.pi * (50.0 * time + 8.0 * (1 - np.exp(-time / 0.03)))) * decay(0.4, 0.12)
    noise = rng.standard_normal(round(0.3 * rate))
    snare = (0.7 * noise + np.sin(2 * np.pi * 190.0 * np.arange(len(noise)) / rate)) * decay(0.3, 0.07)
    high = scipy.signal.butter(2, 7_000.0, "high", fs=rate, output="sos")
    hat = scipy.signal.sosfilt(high, rng.standard_normal(round(0.12 * rate))) * decay(0.12, 0.03)
    middle = scipy.signal.butter(2, [3_000.0, 9_000.0], "band", fs=rate, output="sos")
    shake = scipy.signal.sosfilt(middle, rng.standard_normal(round(0.15 * rate))) * np.hanning(round(0.15 * rate))

    def notes(partials: int, tilt: float, every: float, octave: float, play: float, attack: float = 0.01) -> Floats:
        out = np.zeros(n)
        for at in np.arange(0.0, seconds, every):
            if rng.random() > play:
                continue
            first, last = round(at * rate), min(n, round((at + 0.95 * every) * rate))
            t = np.arange(last - first) / rate
            pitch = octave * chords[int(at / (4 * beat)) % 8] * 2.0 ** (rng.choice([0, 0, 7, 12]) / 12.0)
            vibrato = 0.003 * np.sin(2 * np.pi * 5.3 * t) / (2 * np.pi * 5.3)
            tone = sum(
                np.sin(2 * np.pi * p * pitch * (t + vibrato) + rng.uniform(0, 6)) / p**tilt
                for p in range(1, partials + 1)
                if p * pitch < 0.4 * rate
            )
            envelope = np.minimum(1.0, t / attack) * np.minimum(1.0, (t[-1] - t) / 0.02 if len(t) else 1.0)
            out[first:last] += tone * envelope * rng.uniform(0.6, 1.0)
        return out

    def wide(mono: Floats, seed_: int) -> Floats:
        spread = np.random.default_rng(seed_).standard_normal(round(0.03 * rate)) * decay(0.03, 0.01)
        side = scipy.signal.oaconvolve(mono, spread / np.sqrt(np.sum(spread**2)))[: len(mono)]
        return np.stack([mono + 0.4 * side, mono - 0.4 * side], axis=1)

    def panned(mono: Floats, pan: float) -> Floats:
        return np.stack([np.cos((pan + 1) * np.pi / 4) * mono, np.sin((pan + 1) * np.pi / 4) * mono], axis=1)

    breath = scipy.signal.sosfilt(high, rng.standard_normal(n)) * 0.02
    lead = notes(24, 1.1, 2 * beat, 8.0, 0.7, 0.05)
    stems = {
        "drums/kick": hits(beat, 0.0, kick)[:, None],
        "drums/snare": hits(2 * beat, beat, snare)[:, None],
        "drums/hats": panned(hits(beat / 2, 0.0, hat), 0.4),
        "bass/bass": notes(12, 1.4, beat, 1.0, 0.9)[:, None],
        "music/pad": wide(notes(16, 1.3, 4 * beat, 4.0, 1.0, 0.3), 1),
        "music/guitar": panned(notes(30, 0.9, beat / 2, 4.0, 0.6), -0.5),
        "music/shaker": panned(hits(beat / 4, 0.0, shake), -0.3),
        "vocals/lead": (lead + breath * (np.abs(lead) > 0.05))[:, None],
    }
    levels = {
        "kick": -14,
        "snare": -17,
        "hats": -26,
        "bass": -16,
        "pad": -20,
        "guitar": -22,
        "shaker": -28,
        "lead": -16,
    }
    for name, frames in stems.items():
        level = 10.0 ** ((levels[name.split("/")[1]] + rng.uniform(-2, 2)) / 20.0)
        stems[name] = frames * level / np.sqrt(np.mean(frames**2) * frames.shape[1])
    return stems


def mixed(stems: Mapping[str, Floats], gains_db: Mapping[str, float] | None = None) -> Floats:
    """The sum, mono stems in the centre."""
    gains_db = gains_db or {}
    return np.asarray(
        sum(np.broadcast_to(x, (len(x), 2)) * 10.0 ** (gains_db.get(name, 0.0) / 20.0) for name, x in stems.items())
    )


def delayed(frames: Floats, samples: int) -> Floats:
    out = np.zeros_like(frames)
    out[max(samples, 0) : len(out) + min(samples, 0)] = frames[max(-samples, 0) : len(out) - max(samples, 0)]
    return out
