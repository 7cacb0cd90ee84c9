"""What a file says of itself, in words."""

from collections.abc import Sequence
from typing import Final

from master_check.judgement.tags import TagField, TaggedFile
from master_check.tables.quantities import QUANTITIES, Value
from master_check.text import clock

TITLES: Final = {
    "title": "Title",
    "artist": "Artist",
    "album": "Album",
    "date": "Date",
    "isrc": "ISRC",
    "description": "Description",
    "originator": "Originator",
    "originator_reference": "Originator's reference",
    "origination_date": "Date of origination",
    "origination_time": "Time of origination",
    "time_reference_samples": "Time reference",
    "umid": "UMID",
    "coding_history": "Coding history",
    "loudness_lufs": "Integrated loudness",
    "loudness_range_lu": "Loudness range",
    "true_peak_dbtp": "True peak",
    "momentary_max_lufs": "Momentary maximum",
    "short_term_max_lufs": "Short-term maximum",
    "replaygain_track_gain_db": "ReplayGain, track",
    "replaygain_track_peak": "ReplayGain, track peak",
    "replaygain_album_gain_db": "ReplayGain, album",
    "replaygain_album_peak": "ReplayGain, album peak",
    "replaygain_reference_loudness": "ReplayGain, reference",
    "r128_track_gain": "R128 gain, track",
    "r128_album_gain": "R128 gain, album",
    "sample_rate_hz": "Sample rate",
    "bit_depth": "Word length",
    "project": "Project",
    "scene": "Scene",
    "take": "Take",
    "tape": "Tape",
    "note": "Note",
    "comment": "Comment",
    "software": "Software",
    "cue_point_samples": "Cue point",
}
"""What is said of each kind of statement; a test holds it to the kinds there are."""

_UNITS: Final = {
    "loudness_lufs": "LUFS",
    "loudness_range_lu": "LU",
    "true_peak_dbtp": "dBTP",
    "momentary_max_lufs": "LUFS",
    "short_term_max_lufs": "LUFS",
    "replaygain_track_gain_db": "dB",
    "replaygain_album_gain_db": "dB",
}

NOTHING: Final = "The file says nothing of itself."

MOST_FIELDS: Final = 100
"""Statements shown to people; JSON and CSV have all."""


def headline(files: Sequence[TaggedFile]) -> str:
    """All files in a sentence."""
    wrong = sum(field.result in ("warn", "fail") for file in files for field in file.fields)
    count = sum(len(file.fields) for file in files)
    if not count:
        return NOTHING if len(files) == 1 else "The files say nothing of themselves."
    if not wrong:
        return "Nothing stated in the metadata is contradicted"
    return f"{wrong} of {count} statements {'is' if wrong == 1 else 'are'} wrong"


def shown(field: TagField, value: Value, rate: int) -> str:
    """A value of a statement for people, with its unit; a dash where there is none."""
    if value is None:
        return "–"
    if isinstance(value, str):
        return " / ".join(line.strip() for line in value.splitlines() if line.strip())
    if field.name in ("time_reference_samples", "cue_point_samples"):
        seconds = value / rate
        return clock(seconds) if seconds < 1e9 else f"{value} samples"
    if field.name in _UNITS:
        return f"{value:z.2f} {_UNITS[field.name]}"
    if field.name.startswith("r128"):
        return f"{value:.0f} ({value / 256.0:+z.2f} dB)"
    if field.name in ("sample_rate_hz", "bit_depth"):
        return QUANTITIES[field.name].format(value)
    return f"{value:.6g}"


def more(count: int) -> str:
    return f"and {count} more statements"
