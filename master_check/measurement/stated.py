"""What a file states of itself, held against what was measured of it."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from master_check.measurement.measurement import Measurement
from master_check.sound.tags.tag import Tag, Tags, is_number
from master_check.tables.quantities import Value

REPLAYGAIN_LUFS: Final = -18.0
"""Reference of ReplayGain 2 (from memory)."""

R128_LUFS: Final = -23.0
"""Reference of R128_TRACK_GAIN (RFC 7845, section 5.2.1)."""

_SPL_OFFSET_DB: Final = 107.0
"""Of the old way to name ReplayGain's reference: 89 dB is -18 LUFS (from memory)."""

_STATED: Final = {
    "loudness_lufs": ("stated_loudness_error_lu", "integrated_lufs"),
    "loudness_range_lu": ("stated_range_error_lu", "loudness_range_lu"),
    "true_peak_dbtp": ("stated_true_peak_error_db", "true_peak_dbtp"),
    "momentary_max_lufs": ("stated_momentary_error_lu", "momentary_max_lufs"),
    "short_term_max_lufs": ("stated_short_term_error_lu", "short_term_max_lufs"),
}
"""Statements of loudness and peaks: the quantity of their error, and the one that they state."""

_ISRC: Final = re.compile("[A-Z]{2}[A-Z0-9]{3}[0-9]{7}")

_CHANNELS: Final = {"mono": 1, "stereo": 2, "dual-mono": 2, "joint-stereo": 2}
"""Modes of a coding history (EBU R 98)."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement of a file beside what was measured.

    Attributes
    ----------
    tag : Tag
    measured : number, word or None
        What should stand there; None where nothing was measured that it can be held against.
    measure : str or None
        The quantity that tells how far it is off.
    value : number or None
        What this statement alone makes of that quantity.
    """

    tag: Tag
    measured: Value = None
    measure: str | None = None
    value: float | None = None


def statements(tags: Tags, measured: Mapping[str, Value]) -> list[Statement]:
    """Every statement, in its order, beside what was measured."""
    reference = _replaygain_reference(tags)
    return [_statement(tag, measured, reference) for tag in tags.all]


def with_tags(measurement: Measurement, tags: Tags) -> Measurement:
    """A measurement completed by what its file states: the quantities on metadata, and notes on what is damaged."""
    values: dict[str, Value] = {"isrcs": len({_plain_isrc(tag.value) for tag in tags.named("isrc")})}
    for each in statements(tags, measurement.values):
        if each.measure is None or each.value is None:
            continue
        before = values.get(each.measure)
        if each.measure in ("malformed_isrcs", "format_conflicts", "cue_points_outside"):
            values[each.measure] = int(each.value) + int(before or 0)
        elif before is None or abs(each.value) > abs(float(before)):
            values[each.measure] = each.value
    return replace(measurement, values=measurement.values | values, notes=(*measurement.notes, *tags.notes), tags=tags)


def _statement(tag: Tag, measured: Mapping[str, Value], replaygain_lufs: float) -> Statement:
    integrated = measured["integrated_lufs"]
    if tag.name in _STATED:
        measure, of = _STATED[tag.name]
        return _number(tag, measure, measured[of])
    if tag.name == "replaygain_track_gain_db":
        return _number(tag, "replaygain_error_db", _gain(replaygain_lufs, integrated))
    if tag.name == "replaygain_track_peak":
        return _peak(tag, measured)
    if tag.name == "r128_track_gain":
        return _r128(tag, _gain(R128_LUFS, integrated))
    if tag.name == "isrc":
        return Statement(tag, None, "malformed_isrcs", int(not _ISRC.fullmatch(_plain_isrc(tag.value))))
    if tag.name == "coding_history":
        return _history(tag, measured)
    if tag.name in ("sample_rate_hz", "bit_depth") and is_number(tag.value):
        found = measured[tag.name]
        return Statement(tag, found, "format_conflicts", None if found is None else int(found != tag.value))
    if tag.name == "time_reference_samples" and is_number(tag.value):
        return Statement(tag, None, "time_reference_s", tag.value / float(measured["sample_rate_hz"] or 1))
    if tag.name == "cue_point_samples" and is_number(tag.value):
        frames = round(float(measured["duration_s"] or 0.0) * float(measured["sample_rate_hz"] or 0))
        return Statement(tag, None, "cue_points_outside", int(tag.value > frames))
    return Statement(tag)


def _number(tag: Tag, measure: str, measured: Value) -> Statement:
    """A stated number against a measured one."""
    if not is_number(tag.value) or measured is None:
        return Statement(tag, measured, measure)
    return Statement(tag, measured, measure, tag.value - float(measured))


def _peak(tag: Tag, measured: Mapping[str, Value]) -> Statement:
    """A linear peak; some programs give the highest sample, others the true peak."""
    peaks = [float(level) for key in ("sample_peak_dbfs", "true_peak_dbtp") if (level := measured[key]) is not None]
    if not is_number(tag.value) or tag.value <= 0.0 or not peaks:
        return Statement(tag, None, "replaygain_peak_error_db")
    stated = 20.0 * math.log10(tag.value)
    nearest = min(peaks, key=lambda level: abs(level - stated))
    return Statement(tag, 10.0 ** (nearest / 20.0), "replaygain_peak_error_db", stated - nearest)


def _r128(tag: Tag, gain: float | None) -> Statement:
    """An integer, 256 for each decibel."""
    if not is_number(tag.value) or gain is None:
        return Statement(tag, None, "r128_gain_error_db")
    return Statement(tag, round(256.0 * gain), "r128_gain_error_db", tag.value / 256.0 - gain)


def _history(tag: Tag, measured: Mapping[str, Value]) -> Statement:
    """The last line of a coding history against the file: F sample rate, W word length, M mode (EBU R 98)."""
    lines = [line for line in str(tag.value).splitlines() if line.strip()]
    stated = dict(part.strip().upper().partition("=")[::2] for part in lines[-1].split(",")) if lines else {}
    claims = (
        ("sample_rate_hz", _whole(stated.get("F", ""))),
        ("bit_depth", _whole(stated.get("W", ""))),
        ("channels", _CHANNELS.get(stated.get("M", "").lower())),
    )
    held = [(measured[key], claim) for key, claim in claims if claim is not None and measured[key] is not None]
    if not held:
        return Statement(tag)
    words = ("F={sample_rate_hz}", "W={bit_depth}", "{channels} channels")
    found = ", ".join(word.format_map(measured) for word, (key, _) in zip(words, claims, strict=True) if measured[key])
    return Statement(tag, found, "format_conflicts", sum(value != claim for value, claim in held))


def _whole(text: str) -> int | None:
    text = text.strip()
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else None


def _gain(reference_lufs: float, integrated: Value) -> float | None:
    return None if integrated is None else reference_lufs - float(integrated)


def _replaygain_reference(tags: Tags) -> float:
    """The loudness that gains lead to: -18 LUFS unless the tags name another."""
    for tag in tags.named("replaygain_reference_loudness"):
        if is_number(tag.value):
            level = tag.value
            return level - _SPL_OFFSET_DB if level > 0.0 else level
    return REPLAYGAIN_LUFS


def _plain_isrc(value: str | int | float) -> str:
    """Without the hyphens and the prefix that people write for reading."""
    return str(value).upper().replace("-", "").replace(" ", "").removeprefix("ISRC").removeprefix(":")
