"""The instruments of the demo EP: every function makes one note or one hit, in float64, about full scale.

Nothing here waveshapes: what a mix of them shows of saturation was put there later, on purpose.
"""

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

RATE = 44_100
"""Sample rate of the session, Hz."""

Audio = NDArray[np.float64]
Random = np.random.Generator
Note = Callable[[float, float], Audio]
"""An instrument with a pitch: (frequency in Hz, length in s) -> samples, mono or (n, 2)."""
Hit = Callable[[Random], Audio]
"""A drum: no two hits are the same, so each draws from the random generator."""

_TABLE = 2048
_TOP_HZ = 16_000.0


def hertz(midi: float) -> float:
    """Frequency of a MIDI note number; 69 is 440 Hz."""
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def _time(seconds: float) -> Audio:
    return np.arange(round(seconds * RATE)) / RATE


def _fade(sound: Audio, attack_s: float, release_s: float) -> Audio:
    """Raised-cosine ends."""
    for seconds, ends in ((attack_s, slice(None)), (release_s, slice(None, None, -1))):
        n = min(len(sound), max(2, round(seconds * RATE)))
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
        sound[ends][:n] *= ramp if sound.ndim == 1 else ramp[:, None]
    return sound


@cache
def _wave(partials: int, slope: float, odd: bool) -> Audio:
    """One band-limited cycle with partials falling as 1 / k^slope, and its first point again at the end.

    The partials' phases are spread so that the cycle has low peaks (M. R. Schroeder, 1970, from memory): the ear
    hears the same tone, and the mix needs no limiter to keep its peaks down.
    """
    k = np.arange(1, partials + 1, 2 if odd else 1)
    power = k ** (-2.0 * slope) / (k ** (-2.0 * slope)).sum()
    before = np.cumsum(power) - power
    phase = -2.0 * np.pi * np.cumsum(before)
    spectrum = np.zeros(_TABLE // 2 + 1, np.complex128)
    spectrum[k] = -0.5j * _TABLE * k ** (-slope) * np.exp(1j * phase)
    cycle = np.fft.irfft(spectrum, _TABLE)
    return np.append(cycle, cycle[0])


def _oscillator(frequency: Audio | float, n: int, slope: float, odd: bool = False, start: float = 0.0) -> Audio:
    """A table read at a frequency that may move; `start` is the phase in cycles."""
    highest = float(np.max(frequency))
    table = _wave(max(1, min(_TABLE // 2 - 1, int(_TOP_HZ / highest))), slope, odd)
    phase = start + np.cumsum(np.broadcast_to(np.asarray(frequency) / RATE, n))
    position = (phase % 1.0) * _TABLE
    index = position.astype(np.int64)
    return np.asarray(table[index] + (table[index + 1] - table[index]) * (position - index))


def _swept(
    frequency: Audio | float, n: int, open_: Audio, dark: float, bright: float, odd: bool, start: float
) -> Audio:
    """A tone whose brightness follows `open_` (0 dark, 1 bright): two tables, faded into each other."""
    low = _oscillator(frequency, n, dark, odd, start)
    return low + open_ * (_oscillator(frequency, n, bright, odd, start) - low)


def _band(noise: Audio, low_hz: float, high_hz: float | None = None, order: int = 2) -> Audio:
    if high_hz is None:
        sos = butter(order, low_hz, "highpass", fs=RATE, output="sos")
    else:
        sos = butter(order, (low_hz, high_hz), "bandpass", fs=RATE, output="sos")
    return np.asarray(sosfilt(sos, noise, axis=0))


def kick(low_hz: float = 48.0, decay_s: float = 0.16, click: float = 0.25) -> Hit:
    """A sine that falls to `low_hz`, with a beater's click."""

    def hit(random: Random) -> Audio:
        t = _time(4.0 * decay_s)
        tune = low_hz * random.uniform(0.98, 1.02)
        sweep = tune * (t + 0.045 * (1.0 - np.exp(-t / 0.016)))
        beater = _band(random.standard_normal(len(t)), 1500.0, 6000.0) * np.exp(-t / 0.004)
        return _fade(np.sin(2.0 * np.pi * sweep) * np.exp(-t / decay_s) + click * beater, 0.0005, 0.05)

    return hit


def snare(tune_hz: float = 190.0, decay_s: float = 0.11, wires: float = 0.45) -> Hit:
    """Two shell modes and a burst of band-passed noise."""

    def hit(random: Random) -> Audio:
        t = _time(5.0 * decay_s)
        shell = sum(
            a * np.sin(2.0 * np.pi * tune_hz * r * random.uniform(0.99, 1.01) * t) * np.exp(-t / d)
            for a, r, d in ((0.6, 1.0, 0.07), (0.35, 1.62, 0.045))
        )
        rattle = _band(random.standard_normal(len(t)), 900.0, 9000.0) * np.exp(-t / decay_s)
        return _fade(shell + wires * rattle, 0.0005, 0.03)

    return hit


def hat(decay_s: float = 0.035, low_hz: float = 6500.0) -> Hit:
    """High-passed noise; long decay: an open hat, or a cymbal."""

    def hit(random: Random) -> Audio:
        t = _time(min(6.0 * decay_s, 3.0))
        noise = _band(random.standard_normal(len(t)), low_hz * random.uniform(0.95, 1.05), order=3)
        return _fade(0.4 * noise * np.exp(-t / (decay_s * random.uniform(0.85, 1.15))), 0.001, 0.02)

    return hit


def brush(sweep_s: float = 0.14) -> Hit:
    """Wire brush: a soft swish with a late middle."""

    def hit(random: Random) -> Audio:
        t = _time(3.0 * sweep_s)
        shape = (t / sweep_s) ** 0.5 * np.exp(1.0 - 2.0 * t / sweep_s)
        return _fade(0.5 * _band(random.standard_normal(len(t)), 1200.0, 8000.0) * shape, 0.002, 0.05)

    return hit


def tom(tune_hz: float = 110.0) -> Hit:
    """A drum with a pitch that falls a little."""

    def hit(random: Random) -> Audio:
        t = _time(0.6)
        phase = tune_hz * random.uniform(0.99, 1.01) * (t + 0.012 * (1.0 - np.exp(-t / 0.03)))
        skin = 0.2 * _band(random.standard_normal(len(t)), 600.0, 4000.0) * np.exp(-t / 0.015)
        return _fade(np.sin(2.0 * np.pi * phase) * np.exp(-t / 0.17) + skin, 0.001, 0.05)

    return hit


def bass(slope: float = 1.6, bite: float = 1.1, decay_s: float = 0.25) -> Note:
    """A picked bass: opens with `bite`, closes to `slope`."""

    def note(frequency: float, seconds: float) -> Audio:
        t = _time(seconds)
        tone = _swept(frequency, len(t), np.exp(-t / 0.06), slope, bite, False, 0.0)
        return _fade(0.6 * tone * (0.7 + 0.3 * np.exp(-t / decay_s)), 0.003, 0.02)

    return note


def pad(
    voices: int = 4,
    cents: float = 9.0,
    slope: float = 1.5,
    attack_s: float = 0.25,
    release_s: float = 0.4,
    spread: float = 1.0,
) -> Note:
    """A detuned stack, each voice at its own place between left and right; `spread` 0 puts all in the middle."""

    def note(frequency: float, seconds: float) -> Audio:
        n = round(seconds * RATE)
        out = np.zeros((n, 2))
        places = np.linspace(-1.0, 1.0, voices)
        for v, place in enumerate(places):
            tuned = frequency * 2.0 ** (cents * (place + 0.13 * np.cos(7.0 * v)) / 1200.0)
            wave = _oscillator(tuned, n, slope, start=(0.37 * v + frequency * 0.01) % 1.0)
            out += wave[:, None] * panned(spread * place * (-1.0) ** v)
        return _fade(0.7 / voices * out, min(attack_s, 0.5 * seconds), min(release_s, 0.5 * seconds))

    return note


def stab(slope: float = 1.9, bite: float = 0.9, decay_s: float = 0.3, cents: float = 6.0) -> Note:
    """A synthesiser's short chord note, in stereo: bright at the start, gone soon."""

    def note(frequency: float, seconds: float) -> Audio:
        t = _time(seconds)
        shape, open_ = np.exp(-t / decay_s), np.exp(-t / (0.4 * decay_s))
        sides = [
            _swept(frequency * 2.0 ** (c / 1200.0), len(t), open_, slope, bite, False, start)
            for c, start in ((-cents, 0.1), (cents, 0.62))
        ]
        return _fade(0.5 * shape[:, None] * np.stack(sides, axis=1), 0.003, 0.04)

    return note


def guitar(chug: bool = False, take: int = 0) -> Note:
    """A driven guitar's spectrum on root, fifth and octave (made by adding partials, not by clipping)."""

    def note(frequency: float, seconds: float) -> Audio:
        t = _time(seconds)
        detune = 2.0 ** ((3.0 if take else -3.0) / 1200.0)
        decay = np.exp(-t / (0.09 if chug else 1.4))
        open_ = np.exp(-t / (0.03 if chug else 0.5))
        strings = sum(
            level * _swept(frequency * ratio * detune, len(t), open_, 1.5, 0.75, False, start + 0.3 * take)
            for ratio, level, start in ((1.0, 1.0, 0.0), (1.4983, 0.8, 0.21), (2.0, 0.5, 0.43))
        )
        cabinet = sosfilt(butter(3, (90.0, 4800.0), "bandpass", fs=RATE, output="sos"), strings)
        return _fade(0.35 * cabinet * decay, 0.002, 0.03)

    return note


def electric_piano(frequency: float, seconds: float) -> Audio:
    """Two sines, one bending the other's phase: a struck tine."""
    t = _time(seconds)
    tine = 1.6 * np.exp(-t / 0.25) * np.sin(2.0 * np.pi * frequency * t)
    bell = 0.12 * np.exp(-t / 0.08) * np.sin(2.0 * np.pi * min(14.0 * frequency, 9000.0) * t)
    wobble = 1.0 + 0.18 * np.sin(2.0 * np.pi * 5.2 * t)
    return _fade(0.5 * (np.sin(2.0 * np.pi * frequency * t + tine) * wobble + bell) * np.exp(-t / 1.1), 0.002, 0.06)


def piano(frequency: float, seconds: float) -> Audio:
    """Struck strings: partials a little sharp of the harmonics, the high ones gone sooner."""
    t = _time(seconds)
    out = np.zeros(len(t))
    for k in range(1, 11):
        pitch = frequency * k * (1.0 + 0.0004 * k * k) ** 0.5
        if pitch < _TOP_HZ:
            weight = abs(np.sin(np.pi * k / 7.3)) / k**0.9
            out += weight * np.sin(2.0 * np.pi * pitch * t + 0.7 * k * k + frequency) * np.exp(-t * (0.5 + 0.4 * k))
    return _fade(0.55 * out, 0.002, 0.05)


def bell(frequency: float, seconds: float) -> Audio:
    """Glass: four partials that are no harmonics."""
    t = _time(seconds)
    partials = ((1.0, 1.0, 1.6), (2.76, 0.55, 0.8), (5.4, 0.3, 0.35), (8.93, 0.18, 0.15))
    sound = sum(
        a * np.sin(2.0 * np.pi * frequency * r * t) * np.exp(-t / d) for r, a, d in partials if frequency * r < _TOP_HZ
    )
    return _fade(0.5 * np.asarray(sound), 0.001, 0.1)


def lead(slope: float = 1.2, odd: bool = False, vibrato_cents: float = 12.0, attack_s: float = 0.015) -> Note:
    """A melody voice whose vibrato comes in late."""

    def note(frequency: float, seconds: float) -> Audio:
        t = _time(seconds)
        bend = vibrato_cents * np.clip((t - 0.15) / 0.3, 0.0, 1.0) * np.sin(2.0 * np.pi * 5.4 * t)
        tone = _swept(frequency * 2.0 ** (bend / 1200.0), len(t), np.exp(-t / 0.2), slope + 0.5, slope, odd, 0.0)
        return _fade(0.45 * tone * (0.75 + 0.25 * np.exp(-t / 0.2)), attack_s, min(0.08, 0.4 * seconds))

    return note


def panned(place: float) -> Audio:
    """Gains of left and right at constant power: -1 left, 0 middle, 1 right."""
    angle = 0.25 * np.pi * (1.0 + min(1.0, max(-1.0, place)))
    return np.asarray(np.sqrt(2.0) * np.array([np.cos(angle), np.sin(angle)]))
