"""What a file states, held against what was measured: every figure against the arithmetic of its definition."""

from typing import Any

import pytest

from master_check.measurement.stated import statements, with_tags
from master_check.sound.tags.tag import Tag, Tags
from tests.signals import measured, sine

TONE = measured(sine(10.0, -23.0, 1000.0, channels=2), bits=24)
"""EBU Tech 3341, signal 1: M = S = I = -23.0 LUFS (stereo 1 kHz sine, -23 dBFS), peak -23 dBFS."""


def off_by(*tags: Tag) -> dict[str, Any]:
    values = with_tags(TONE, Tags(tags)).values
    return {key: value for key, value in values.items() if value is not None and TONE.values[key] != value}


@pytest.mark.parametrize(
    ("name", "value", "key", "error"),
    [
        ("loudness_lufs", -20.0, "stated_loudness_error_lu", 3.0),
        ("momentary_max_lufs", -24.5, "stated_momentary_error_lu", -1.5),
        ("short_term_max_lufs", -23.0, "stated_short_term_error_lu", 0.0),
        ("true_peak_dbtp", -22.0, "stated_true_peak_error_db", 1.0),
        ("loudness_range_lu", 4.0, "stated_range_error_lu", 4.0),
        # ReplayGain 2 (from memory): -18 LUFS; so -23 LUFS needs +5 dB.
        ("replaygain_track_gain_db", 5.0, "replaygain_error_db", 0.0),
        ("replaygain_track_gain_db", -5.0, "replaygain_error_db", -10.0),
        ("replaygain_track_peak", 10 ** (-20 / 20), "replaygain_peak_error_db", 3.0),
        # RFC 7845, section 5.2.1: Q7.8 (256 a decibel), to -23 LUFS.
        ("r128_track_gain", 512, "r128_gain_error_db", 2.0),
        # EBU Tech 3285: samples since midnight.
        ("time_reference_samples", 48_000 * 3600, "time_reference_s", 3600.0),
    ],
)
def test_how_far_a_number_is_off(name: str, value: float, key: str, error: float) -> None:
    found = off_by(Tag(name, "bext", value))
    assert set(found) == {key, "isrcs"}
    assert found[key] == pytest.approx(error, abs=0.1)  # Tech 3341's tolerance


def test_the_worst_of_several_counts() -> None:
    tags = [Tag("loudness_lufs", place, value) for place, value in (("bext", -22.0), ("iXML", -28.0), ("x", -23.0))]
    assert off_by(*tags)["stated_loudness_error_lu"] == pytest.approx(-5.0, abs=0.1)


@pytest.mark.parametrize(("reference", "gain"), [(89.0, 5.0), (83.0, -1.0), (-23.0, 0.0)])
def test_replaygain_to_another_reference(reference: float, gain: float) -> None:
    """89 dB SPL is -18 LUFS (ReplayGain 2, from memory); some programs name LUFS."""
    tags = (
        Tag("replaygain_reference_loudness", "ID3", reference),
        Tag("replaygain_track_gain_db", "ID3", gain),
    )
    assert off_by(*tags)["replaygain_error_db"] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    ("code", "malformed"),
    [
        ("GBAAA2612345", 0),
        ("GB-AAA-26-12345", 0),
        ("ISRC GB-A1B-26-12345", 0),
        ("gbaaa2612345", 0),
        ("GBAAA261234", 1),
        ("GBAAA26123456", 1),
        ("G1AAA2612345", 1),
        ("none", 1),
        ("ＧＢAAA2612345", 1),
    ],
)
def test_the_form_of_an_isrc(code: str, malformed: int) -> None:
    """ISO 3901: two letters, three letters or digits, seven digits; hyphens are for reading (ISRC handbook)."""
    assert off_by(Tag("isrc", "ID3", code)) == {"isrcs": 1, "malformed_isrcs": malformed}


def test_one_code_in_two_spellings_is_one_and_two_codes_are_two() -> None:
    one = off_by(Tag("isrc", "ID3", "GBAAA2612345"), Tag("isrc", "LIST-INFO", "GB-AAA-26-12345"))
    two = off_by(Tag("isrc", "ID3", "GBAAA2612345"), Tag("isrc", "LIST-INFO", "GBAAA2612346"))
    assert (one["isrcs"], two["isrcs"]) == (1, 2)


@pytest.mark.parametrize(
    ("history", "conflicts"),
    [
        ("A=PCM,F=48000,W=24,M=stereo,T=x", 0),
        ("A=ANALOGUE,M=stereo,T=tape\r\nA=PCM,F=48000,W=24,M=stereo\r\n\r\n", 0),
        ("A=PCM,F=96000,W=24,M=stereo\r\nA=PCM,F=48000,W=24", 0),
        ("A=PCM,F=48000,W=24,M=stereo\r\nA=PCM,F=44100,W=16,M=mono", 3),
        ("A=PCM,F=44100", 1),
        ("a=pcm, f=48000, w=16", 1),
    ],
)
def test_the_last_line_of_a_coding_history_is_the_file(history: str, conflicts: int) -> None:
    """EBU R 98: a line a process, F sample rate, W word length, M mode."""
    assert off_by(Tag("coding_history", "bext", history))["format_conflicts"] == conflicts


@pytest.mark.parametrize("history", ["made by ear", "A=ANALOGUE,T=tape", "F=,W=x", "F=²", ",,,", "F=" + "9" * 50])
def test_a_history_that_says_nothing_of_the_format_contradicts_nothing(history: str) -> None:
    assert "format_conflicts" not in off_by(Tag("coding_history", "bext", history))


def test_ixml_and_cue_points_against_the_file() -> None:
    tags = (
        Tag("sample_rate_hz", "iXML", 44_100),
        Tag("bit_depth", "iXML", 24),
        *(Tag("cue_point_samples", "cue", at) for at in (0, 480_000, 480_001)),
    )
    found = off_by(*tags)
    assert (found["format_conflicts"], found["cue_points_outside"]) == (1, 1)


def test_what_is_no_number_is_held_against_nothing() -> None:
    tags = [Tag(name, "ID3", "loud") for name in ("replaygain_track_gain_db", "r128_track_gain", "loudness_lufs")]
    assert off_by(*tags, Tag("time_reference_samples", "iXML", "x")) == {"isrcs": 0}
    silent = measured(0.0 * sine(1.0, -20.0, channels=2), bits=24)
    (alone,) = statements(Tags((Tag("loudness_lufs", "bext", -14.0),)), silent.values)
    assert (alone.measured, alone.value) == (None, None)
