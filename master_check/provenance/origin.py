"""Where a file comes from, as far as it can be told: a meter that is asked for, since it takes longer than all others.

Each finding says whether something was found, how sure that is, and by which figures. Nothing found proves nothing: it
never means that a file was not converted or encoded.
"""

from typing import Final

import numpy as np

from master_check.meters import Reading
from master_check.provenance.bandwidth import (
    RateStep,
    SpectrumEnd,
    converted_from,
    dither_level,
    spectrum,
    spectrum_end,
)
from master_check.provenance.codec import mp3_kbps, strongest_trace
from master_check.provenance.finding import KINDS, ORIGIN_KEYS, Confidence, OriginFinding, Reason
from master_check.provenance.passages import Passage, Passages
from master_check.provenance.word_steps import grid_step
from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import Value

SOUND: Final = 1e-3
"""Passages whose largest sample is below -60 dBFS tell nothing."""

TRACE: Final = 6.0
SURE_TRACE: Final = 12.0
"""Standard deviations by which a codec's trace stands out: found, and certain."""

SURE_STEP_DB: Final = 40.0

MONO_DB: Final = -60.0
SURE_MONO_DB: Final = -80.0
"""What is left of one channel less the other, relative to it: mono. A narrow stereo mix leaves more than -40 dB."""

NARROW: Final = 0.9
"""A spectrum that ends below this share of half the sample rate is worth a word; filters of converters end above.
Of a file converted from a lower rate, of half that."""


class OriginMeter:
    """Keeps passages as blocks go by, and looks at them at the end."""

    def __init__(self, format: AudioFormat) -> None:
        self._format = format
        self._passages = Passages(format.rate)

    def feed(self, block: Block) -> None:
        self._passages.feed(block)

    def result(self) -> Reading:
        values, self._findings = _judged(self._format, self._passages.all())
        return Reading(values)

    def findings(self) -> tuple[OriginFinding, ...]:
        """What `result` found, question by question."""
        return self._findings


def _judged(format: AudioFormat, passages: list[Passage]) -> tuple[dict[str, Value], tuple[OriginFinding, ...]]:
    heard = [passage for passage in passages if np.abs(passage.samples).max() > SOUND]
    if not heard:
        reason: Reason = "quiet" if passages else "short"
        return dict.fromkeys(ORIGIN_KEYS), tuple(OriginFinding(kind, "undecided", None, reason) for kind in KINDS)
    hz, levels = spectrum(heard, format.rate)
    words = _word_length(format, heard)
    bits = 16 if words.result == "found" else min(format.bit_depth or 24, 24)
    step = converted_from(hz, levels, format.rate, dither_level(bits, format.channels))
    end = spectrum_end(hz, levels)
    findings = (
        words,
        _sample_rate(step),
        _encode(format, heard, step, end),
        _bandwidth(step.rate or format.rate, end),
        _channels(format, heard),
    )
    values: dict[str, Value] = dict.fromkeys(ORIGIN_KEYS)
    for finding in findings:
        values |= {key: value for key, value in finding.values.items() if key in values}
    return values, findings


def _word_length(format: AudioFormat, passages: list[Passage]) -> OriginFinding:
    """16-bit steps in a file of longer words: of every channel that has sound."""
    if format.bit_depth is None:
        return OriginFinding("word_length", "undecided", None, "lossy_file")
    if format.bit_depth <= 16:
        return OriginFinding("word_length", "nothing")
    rows = np.concatenate([passage.samples for passage in passages], axis=1)
    steps = [grid_step(row) for row in rows if np.abs(row).max() > SOUND]
    if not all(steps):
        return OriginFinding("word_length", "nothing")
    step = max(step for step in steps if step)
    gain_db = 20.0 * float(np.log10(step / 256.0))
    return OriginFinding("word_length", "found", "certain", None, {"source_bits": 16, "source_gain_db": gain_db})


def _sample_rate(step: RateStep) -> OriginFinding:
    if step.rate is None:
        dark = step.dark
        return OriginFinding("sample_rate", "undecided" if dark else "nothing", None, "dark" if dark else None)
    sure: Confidence = "certain" if step.step_db >= SURE_STEP_DB else "likely"
    return OriginFinding("sample_rate", "found", sure, None, {"source_rate_hz": step.rate, "step_db": step.step_db})


def _encode(format: AudioFormat, passages: list[Passage], step: RateStep, end: SpectrumEnd | None) -> OriginFinding:
    if format.bit_depth is None:
        return OriginFinding("encode", "undecided", None, "lossy_file")
    trace = strongest_trace(passages, _front(format), format.rate)
    if trace is None:
        return OriginFinding("encode", "undecided", None, "short")
    values: dict[str, Value] = {"codec_trace": trace.deviations}
    if trace.deviations < TRACE:
        converted = step.rate is not None
        return OriginFinding(
            "encode", "undecided" if converted else "nothing", None, "converted" if converted else None, values
        )
    values |= {"source_codec": trace.codec}
    kbps = mp3_kbps(end.hz) if end and trace.codec == "MP3" else None
    if kbps is not None:
        values |= {"about_kbps": kbps}
    return OriginFinding("encode", "found", "certain" if trace.deviations >= SURE_TRACE else "likely", None, values)


def _front(format: AudioFormat) -> tuple[int, int]:
    """The left and right loudspeaker's channels; twice the first where there are none."""
    labels = format.labels
    return (labels.index("L"), labels.index("R")) if {"L", "R"} <= set(labels) else (0, 0)


def _bandwidth(rate: int, end: SpectrumEnd | None) -> OriginFinding:
    if end is None:
        return OriginFinding("bandwidth", "nothing")
    values: dict[str, Value] = {"spectrum_end_hz": end.hz, "spectrum_drop_db": end.drop_db}
    if end.hz >= NARROW * rate / 2.0:
        return OriginFinding("bandwidth", "nothing", None, None, values)
    sure: Confidence = "certain" if end.drop_db >= SURE_STEP_DB else "likely"
    return OriginFinding("bandwidth", "found", sure, None, values)


def _channels(format: AudioFormat, passages: list[Passage]) -> OriginFinding:
    """Stereo that holds one channel twice, at whatever levels and polarity."""
    if not format.stereo:
        return OriginFinding("channels", "nothing")
    left, right = np.concatenate([passage.samples for passage in passages], axis=1).astype(np.float64)
    squares, products = (left @ left, right @ right), left @ right
    if min(squares) == 0.0:
        return OriginFinding("channels", "undecided", None, "quiet")
    rest = max(0.0, 1.0 - products * products / (squares[0] * squares[1]))
    rest_db = 10.0 * float(np.log10(max(rest, 1e-15)))
    if rest_db > MONO_DB:
        return OriginFinding("channels", "nothing", None, None, {"difference_db": rest_db})
    sure: Confidence = "certain" if rest_db <= SURE_MONO_DB else "likely"
    same = bool(np.array_equal(left, right))
    return OriginFinding(
        "channels", "found", sure, None, {"source_channels": 1, "difference_db": None if same else rest_db}
    )
