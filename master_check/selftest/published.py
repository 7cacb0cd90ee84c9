"""The published test signals and what a meter has to read from them, as data.

EBU Tech 3341 and Tech 3342 describe their signals as steps of a sine, which is what stands here: every signal is
synthesised at the rate asked for. The tests and `sendoff selftest` read the same tables. 3341's signals 7 and 8 are
recorded programme and not among them. The tables are from memory of the documents, not from a copy at hand.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import inf, log10
from typing import Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of
from master_check.measurement.all_meters import Meters
from master_check.measurement.measurement import Measurement
from master_check.sound.blocks import blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables import layouts

RATES: Final = (44_100, 48_000, 96_000)
"""Hz. The documents ask for 48 kHz; delivery asks for the others too."""

SILENCE: Final = -inf

MeasureFrames = Callable[[NDArray[np.float32], int, str], Measurement]
"""Measures (n, channels) samples of a rate and a named layout."""


class Signal(Protocol):
    """A signal that can be synthesised at any rate."""

    def frames(self, rate: int) -> NDArray[np.float32]:
        """(n, channels) float32, full scale 1.0."""
        ...


@dataclass(frozen=True, slots=True)
class Step:
    """A stretch of tone: how long, and its peak level in dBFS on every channel."""

    seconds: float
    peaks_dbfs: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Tone:
    """Steps of one sine, of whole Hz, that runs through from the first to the last."""

    steps: tuple[Step, ...]
    frequency_hz: int = 1000

    def frames(self, rate: int) -> NDArray[np.float32]:
        second = np.sin(2.0 * np.pi * self.frequency_hz / rate * np.arange(rate))
        ends = np.cumsum([step.seconds for step in self.steps])
        edges = [0, *(round(float(end) * rate) for end in ends)]
        frames = np.empty((edges[-1], len(self.steps[0].peaks_dbfs)), np.float32)
        for step, first, last in zip(self.steps, edges[:-1], edges[1:], strict=True):
            wave = second[np.arange(first, last) % rate]
            for channel, peak in enumerate(step.peaks_dbfs):
                frames[first:last, channel] = amplitude_of(peak) * wave
        return frames


@dataclass(frozen=True, slots=True)
class SteadySine:
    """A sine of `period` samples, faded in and out, so that its highest point is that of the steady sine."""

    period: int
    phase_degrees: float
    amplitude: float

    def frames(self, rate: int) -> NDArray[np.float32]:
        fade = 0.5 - 0.5 * np.cos(np.pi * np.arange(rate // 10) / (rate // 10))
        envelope = np.concatenate([fade, np.ones(rate), fade[::-1]])
        # Phases by whole numbers, so that every period is the same to the last bit.
        cycle = np.sin(2.0 * np.pi * np.arange(self.period) / self.period + np.radians(self.phase_degrees))
        wave = self.amplitude * envelope * cycle[np.arange(len(envelope)) % self.period]
        return np.column_stack([wave, wave]).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Pulse:
    """A band-limited pulse of 0 dBTP, made at four times the rate and decimated from sample `offset` on."""

    offset: int

    def frames(self, rate: int) -> NDArray[np.float32]:
        reach = 4 * 64
        at = np.arange(-reach, reach + 1)
        # A sinc with its edge at 0.4 of the rate; the Blackman window widens that to 0.425. Its middle is 1.0.
        pulse = np.sinc(0.8 * at / 4.0) * np.blackman(2 * reach + 1)
        oversampled = np.zeros(4 * rate)
        oversampled[2 * rate - reach : 2 * rate + reach + 1] = pulse
        wave = oversampled[self.offset :: 4]
        return np.column_stack([wave, wave]).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Case:
    """One published signal, or a set of files that are one in the document, and what has to be read.

    Attributes
    ----------
    name : str
        Document and number.
    source : str
    title : str
        The signal in words.
    signals : tuple of Signal
        One a file.
    measure : str
        Key of the table of quantities.
    expected : tuple of float
        The document's figure for every reading, or one for all.
    below, above : float
        The document's tolerance.
    exact : tuple of float or None
        The same without the document's rounding, where it is known in closed form, for a K-weighting filter whose
        gain at the tone is exactly 0.691 dB. (At 1 kHz it is up to 0.011 dB off, depending on the rate.)
    layout : str
        A name of `layouts.NAMED`.
    reading : str
        `figure`: the figure of that key, of every file. `constant`: smallest and largest momentary or short-term
        loudness once `seconds` have passed. `maxima`: the highest so far, each time `seconds` have passed.
    seconds : float
    """

    name: str
    source: str
    title: str
    signals: tuple[Signal, ...]
    measure: str
    expected: tuple[float, ...]
    below: float
    above: float
    exact: tuple[float, ...] | None = None
    layout: str = "stereo"
    reading: Literal["figure", "constant", "maxima"] = "figure"
    seconds: float = 0.0

    def read(self, rate: int, measured: MeasureFrames | None = None) -> tuple[float, ...]:
        """What is read from the signals at a rate; NaN where there is no figure.

        `measured` measures (frames, rate, layout); without it, `measure_frames` does, in memory.
        """
        meter = measured or measure_frames
        return tuple(
            value
            for signal in self.signals
            for frames in (signal.frames(rate),)
            for value in self._read(meter(frames, rate, self.layout), len(frames) / rate)
        )

    def _read(self, measurement: Measurement, duration_s: float) -> Iterator[float]:
        if self.reading == "figure":
            value = measurement.values[self.measure]
            yield float("nan") if value is None else float(value)
            return
        momentary = self.measure == "momentary_max_lufs"
        loudness = measurement.series.momentary() if momentary else measurement.series.short_term()
        # loudness[h] is that of the window that ends at ends[h]
        ends = np.arange(len(loudness)) / 100.0 + (0.4 if momentary else 3.0)
        if self.reading == "constant":
            steady = loudness[ends >= self.seconds]
            yield from (float(steady.min()), float(steady.max()))
            return
        for after in range(1, round(duration_s / self.seconds) + 1):
            yield float(loudness[ends <= after * self.seconds + 1e-6].max())

    def misses(self, readings: Sequence[float]) -> list[tuple[float, float]]:
        """Readings outside the document's tolerance, each with what was expected; empty where the case is passed."""
        expected = self.expected * (len(readings) // len(self.expected))
        return [
            (value, wanted)
            for value, wanted in zip(readings, expected, strict=True)
            if not wanted - self.below <= value <= wanted + self.above
        ]


def measure_frames(frames: NDArray[np.float32], rate: int, layout: str = "stereo") -> Measurement:
    """Everything measured of (n, channels) float32 samples in memory, as if they were a file."""
    parsed = layouts.parse(layout)
    meters = Meters(AudioFormat("", "FLOAT", rate, len(parsed.labels), parsed, bit_depth=32, floating=True))
    for block in blocks_of(frames, rate):
        meters.feed(block)
    return meters.measurement("", len(frames), [])


def _tone(*steps: tuple[float, float], channels: int = 2) -> Tone:
    """Steps of (level in dBFS, seconds), the same on all channels."""
    return Tone(tuple(Step(seconds, (level,) * channels) for level, seconds in steps))


_3341: Final = "EBU Tech 3341 (2023), Table 1"
_3342: Final = "EBU Tech 3342 (2023), Table 1"
_1770: Final = "ITU-R BS.1770-5, Annex 1"

M: Final = "momentary_max_lufs"
S: Final = "short_term_max_lufs"
I: Final = "integrated_lufs"  # noqa: E741 - the document's own letter
TP: Final = "true_peak_dbtp"
LRA: Final = "loudness_range_lu"


def _loudness(
    number: int,
    title: str,
    signals: Signal | tuple[Signal, ...],
    measure: str,
    expected: float | tuple[float, ...],
    exact: float | None = None,
    layout: str = "stereo",
    reading: Literal["figure", "constant", "maxima"] = "figure",
    seconds: float = 0.0,
) -> Case:
    """A signal of Tech 3341 with its +-0.1 LU; `exact` defaults to `expected`."""
    expected = expected if isinstance(expected, tuple) else (expected,)
    return Case(
        f"EBU Tech 3341 #{number}",
        _3341,
        title,
        signals if isinstance(signals, tuple) else (signals,),
        measure,
        expected,
        0.1,
        0.1,
        expected if exact is None else (exact,),
        layout,
        reading,
        seconds,
    )


def _peak(number: int, title: str, signal: Signal, expected: float, amplitude: float) -> Case:
    return Case(
        f"EBU Tech 3341 #{number}",
        _3341,
        title,
        (signal,),
        TP,
        (expected,),
        0.4,
        0.2,
        (20.0 * log10(amplitude),),
    )


def _range(number: int, expected: float, *levels: float) -> Case:
    return Case(
        f"EBU Tech 3342 #{number}",
        _3342,
        ", ".join(f"{level:g}" for level in levels) + " dBFS, 20 s each",
        (_tone(*((level, 20.0) for level in levels)),),
        LRA,
        (expected,),
        1.0,
        1.0,
        (expected,),
    )


def _check_value(label: str) -> Case:
    """A 997 Hz sine at full scale in one channel of five."""
    peaks = tuple(0.0 if label == other else SILENCE for other in layouts.NAMED["5.0"])
    weight = 10.0 * log10(layouts.weight(label))
    return Case(
        f"BS.1770 997 Hz {label}",
        _1770,
        f"997 Hz, 0 dBFS, {label} alone",
        (Tone((Step(5.0, peaks),), 997),),
        I,
        (-3.01 + weight,),
        0.1,  # Report ITU-R BS.2217, as Tech 3341
        0.1,
        (10.0 * log10(0.5) + weight,),
        "5.0",
    )


# Signal 6: two at -28, one at -24, two at -30 dBFS weighted 1.41; a sine's power is half its peak's.
_SIX: Final = 10.0 * log10((2 * 10**-2.8 + 10**-2.4 + 2 * 1.41 * 10**-3.0) / 2)

# Gating blocks across a step are counted too: three each side, of 25, 50 and 75 % of the louder power.
_SHORT_TERM_STEPS: Final = tuple(((SILENCE, 0.15 * i), (-38.0 + i, 3.0), (SILENCE, 3.0 - 0.15 * i)) for i in range(20))
_MOMENTARY_STEPS: Final = tuple(((SILENCE, 0.02 * i), (-38.0 + i, 0.4), (SILENCE, 0.4 - 0.02 * i)) for i in range(20))
_RISING: Final = tuple(-38.0 + i for i in range(20))

CASES: Final[tuple[Case, ...]] = (
    *(_check_value(label) for label in layouts.NAMED["5.0"]),
    *(_loudness(1, "-23 dBFS", _tone((-23.0, 20.0)), measure, -23.0) for measure in (M, S, I)),
    *(_loudness(2, "-33 dBFS", _tone((-33.0, 20.0)), measure, -33.0) for measure in (M, S, I)),
    _loudness(3, "-36, -23, -36 dBFS", _tone((-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)), I, -23.0, -23.0206),
    _loudness(
        4,
        "-72, -36, -23, -36, -72 dBFS",
        _tone((-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)),
        I,
        -23.0,
        -23.0206,
    ),
    _loudness(5, "-26, -20, -26 dBFS", _tone((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)), I, -23.0, -22.9854),
    _loudness(
        6,
        "5.0: L, R -28, C -24, Ls, Rs -30 dBFS",
        Tone((Step(20.0, (-28.0, -28.0, -24.0, -30.0, -30.0)),)),
        I,
        -23.0,
        _SIX,
        layout="5.0",
    ),
    _loudness(
        9,
        "-20 (1.34 s), -30 (1.66 s), five times",
        _tone(*((-20.0, 1.34), (-30.0, 1.66)) * 5),
        S,
        -23.0,
        10.0 * log10((1.34 * 10**-2.0 + 1.66 * 10**-3.0) / 3.0),
        reading="constant",
        seconds=3.0,
    ),
    _loudness(
        10,
        "20 files: -23 dBFS for 3 s, 0.15 s later each",
        tuple(_tone((SILENCE, 0.15 * i), (-23.0, 3.0), (SILENCE, 1.0)) for i in range(20)),
        S,
        -23.0,
    ),
    _loudness(
        11,
        "20 tones of 3 s, 1 dB louder each",
        _tone(*(step for segment in _SHORT_TERM_STEPS for step in segment)),
        S,
        _RISING,
        reading="maxima",
        seconds=6.0,
    ),
    _loudness(
        12,
        "-20 (0.18 s), -30 (0.22 s), 25 times",
        _tone(*((-20.0, 0.18), (-30.0, 0.22)) * 25),
        M,
        -23.0,
        10.0 * log10((0.18 * 10**-2.0 + 0.22 * 10**-3.0) / 0.4),
        reading="constant",
        seconds=1.0,
    ),
    _loudness(
        13,
        "20 files: -23 dBFS for 0.4 s, 0.02 s later each",
        tuple(_tone((SILENCE, 0.02 * i), (-23.0, 0.4), (SILENCE, 1.0)) for i in range(20)),
        M,
        -23.0,
    ),
    _loudness(
        14,
        "20 tones of 0.4 s, 1 dB louder each",
        _tone(*(step for segment in _MOMENTARY_STEPS for step in segment)),
        M,
        _RISING,
        reading="maxima",
        seconds=0.8,
    ),
    _peak(15, "fs/4, 0 degrees, 0.50", SteadySine(4, 0.0, 0.50), -6.0, 0.50),
    _peak(16, "fs/4, 45 degrees, 0.50", SteadySine(4, 45.0, 0.50), -6.0, 0.50),
    _peak(17, "fs/6, 60 degrees, 0.50", SteadySine(6, 60.0, 0.50), -6.0, 0.50),
    _peak(18, "fs/8, 67.5 degrees, 0.50", SteadySine(8, 67.5, 0.50), -6.0, 0.50),
    _peak(19, "fs/4, 45 degrees, 1.41", SteadySine(4, 45.0, 1.41), 3.0, 1.41),
    *(_peak(20 + k, f"pulse of 0 dBTP, offset {k}", Pulse(k), 0.0, 1.0) for k in range(4)),
    _range(1, 10.0, -20.0, -30.0),
    _range(2, 5.0, -20.0, -15.0),
    _range(3, 20.0, -40.0, -20.0),
    _range(4, 15.0, -50.0, -35.0, -20.0, -35.0, -50.0),
)
