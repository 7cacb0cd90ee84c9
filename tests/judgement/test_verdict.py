"""Rules held against values: every kind of limit, every level, and words that never contradict the result."""

from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from master_check.judgement.profile import Profile
from master_check.judgement.profile_keys import contents
from master_check.judgement.verdict import Finding, Verdict, judge, judge_album, limit_text, worst
from master_check.measurement.measurement import Measurement, Series
from master_check.sound.format import AudioFormat
from master_check.tables.layouts import parse
from master_check.tables.quantities import QUANTITIES, Value


def measurement(at_s: dict[str, float] | None = None, **values: Value) -> Measurement:
    """A file of which only these values are known."""
    nothing = Series(48_000, (), np.zeros(0), np.zeros((2, 0), np.float32), np.zeros((4, 30)))
    format = AudioFormat("WAV", "PCM_24", 48_000, 2, parse("stereo"), 24)
    return Measurement("a.wav", format, dict.fromkeys(QUANTITIES) | values, at_s or {}, (), (), nothing)


def profile(*rules: dict[str, Any], album: tuple[dict[str, Any], ...] = ()) -> Profile:
    head = {"name": "ours", "title": "Our house"}
    found = contents({"profile": head, "rule": list(rules), "album_rule": list(album)})
    assert found.faults == []
    return Profile(**found.head, rules=tuple(found.rules), album_rules=tuple(found.album_rules))


def held(rule: dict[str, Any], at_s: dict[str, float] | None = None, **values: Value) -> Finding:
    (finding,) = judge(measurement(at_s, **values), profile(rule)).findings
    return finding


PEAK, LOUD = "true_peak_dbtp", "integrated_lufs"


@pytest.mark.parametrize(
    ("limits", "value", "meets"),
    [
        ({"max": -1.0}, -1.0, True),
        ({"max": -1.0}, -0.9999, False),
        ({"min": -6.0}, -6.0, True),
        ({"min": -6.0}, -6.0001, False),
        ({"min": -6.0, "max": -1.0}, -3.0, True),
        ({"min": -6.0, "max": -1.0}, -7.0, False),
        ({"min": -6.0, "max": -1.0}, 0.0, False),
        ({"max": -1.0, "tolerance": 0.3}, -0.71, True),
        ({"max": -1.0, "tolerance": 0.3}, -0.69, False),
        ({"min": -6.0, "tolerance": 0.3}, -6.29, True),
        ({"min": -6.0, "tolerance": 0.3}, -6.31, False),
        ({"target": -3.0, "tolerance": 1.0}, -2.0, True),
        ({"target": -3.0, "tolerance": 1.0}, -4.0, True),
        ({"target": -3.0, "tolerance": 1.0}, -1.99, False),
        ({"target": -3.0, "tolerance": 0.0}, -3.0, True),
        ({"one_of": [-3.0, -1.0]}, -1.0, True),
        ({"one_of": [-3.0, -1.0]}, -2.0, False),
    ],
)
def test_limits(limits: dict[str, Any], value: float, meets: bool) -> None:
    for level, broken in (("must", "fail"), ("should", "warn")):
        finding = held({"measure": PEAK, "level": level} | limits, true_peak_dbtp=value)
        assert finding.result == ("pass" if meets else broken)
    assert held({"measure": PEAK, "level": "note"} | limits, true_peak_dbtp=value).result == "skip"


def test_words_are_compared_as_words() -> None:
    rule = {"measure": "container", "one_of": ["WAV", "FLAC"]}
    assert held(rule, container="FLAC").result == "pass"
    finding = held(rule, container="MP3")
    assert (finding.result, finding.shown, finding.limit) == ("fail", "MP3", "one of WAV, FLAC")


@pytest.mark.parametrize("value", [44_100, 44_100.0])
def test_whole_numbers_and_floats_are_the_same(value: float) -> None:
    finding = held({"measure": "sample_rate_hz", "one_of": [44_100.0]}, sample_rate_hz=value)
    assert (finding.result, finding.shown, finding.limit) == ("pass", "44100 Hz", "= 44100")


def test_what_a_file_cannot_have_is_skipped_unless_it_is_needed() -> None:
    assert held({"measure": "mono_loss_lu", "max": 3.0}).result == "skip"
    assert not QUANTITIES["mono_loss_lu"].needed
    assert held({"measure": LOUD, "min": -16.0}).result == "fail"  # silence meets no loudness
    assert held({"measure": "bit_depth", "one_of": [16.0], "level": "should"}).result == "warn"  # nor an MP3 a depth
    assert held({"measure": LOUD, "min": -16.0}).shown == "–"
    assert held({"measure": LOUD, "target": -16.0, "tolerance": 1.0}).result == "fail"
    assert held({"measure": LOUD, "max": -8.0}).result == "skip"  # nothing is not too loud


@pytest.mark.parametrize(
    ("loudness", "result"),
    [(-14.0, "skip"), (-13.0, "fail"), (-9.0, "fail"), (-8.0, "fail"), (-7.9, "skip"), (None, "skip")],
)
def test_a_rule_may_apply_only_where_another_quantity_lies_in_a_range(loudness: float | None, result: str) -> None:
    rule = {"measure": PEAK, "max": -2.0, "when": {"measure": LOUD, "min": -13.0, "max": -8.0}}
    assert held(rule, true_peak_dbtp=-1.0, integrated_lufs=loudness).result == result


def test_a_finding_carries_time_reason_advice_and_source() -> None:
    rule = {"measure": PEAK, "max": -1.0, "why": "encoders", "source": "AES TD1008"}
    finding = held(rule, {PEAK: 12.5}, true_peak_dbtp=0.3)
    assert (finding.at_s, finding.why, finding.source) == (12.5, "encoders", "AES TD1008")
    assert finding.do == QUANTITIES[PEAK].remedy != ""
    assert held(rule | {"do": "ring us"}, true_peak_dbtp=0.3).do == "ring us"
    assert finding.quantity is QUANTITIES[PEAK]


# The whole verdict


def test_the_worst_finding_is_the_result() -> None:
    order = ["skip", "pass", "warn", "fail"]
    for several in product(order, repeat=3):
        expected = order[max(order.index(result) for result in several)]
        assert worst(several) == ("pass" if expected == "skip" else expected)
    assert worst([]) == "pass"
    assert worst(["fail", "error"]) == "error"


def verdict() -> Verdict:
    rules = (
        {"measure": "sample_peak_dbfs", "max": -6.0, "level": "should"},
        {"measure": PEAK, "max": -1.0},
        {"measure": LOUD, "max": 0.0},
        {"measure": "plr_lu", "min": 8.0, "level": "note"},
    )
    return judge(
        measurement(sample_peak_dbfs=-0.1, true_peak_dbtp=0.2, integrated_lufs=-9.0, plr_lu=9.2), profile(*rules)
    )


def test_findings_keep_the_profiles_order_and_failures_are_told_first() -> None:
    found = verdict()
    assert found.result == "fail"
    assert [finding.result for finding in found.findings] == ["warn", "fail", "pass", "skip"]
    assert [finding.measure for finding in found.broken()] == [PEAK, "sample_peak_dbfs"]
    assert (found.profile, found.title, found.source) == ("ours", "Our house", "common practice")


def test_an_empty_profile_is_passed() -> None:
    assert judge(measurement(), profile()).result == "pass"


def test_an_album_is_held_against_the_album_rules_only() -> None:
    ours = profile({"measure": PEAK, "max": -1.0}, album=({"measure": "total_s", "max": 4797.0},))
    found = judge_album({"total_s": 5000.0}, ours)
    assert [(f.measure, f.result, f.at_s) for f in found.findings] == [("total_s", "fail", None)]


# Limit and value in words


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ({"max": -1.0}, "<= -1.0"),
        ({"max": -1.0, "tolerance": 0.3}, "<= -1.0 (±0.3)"),
        ({"min": -6.0}, ">= -6.0"),
        ({"min": 0.0}, ">= 0.0"),
        ({"min": -16.0, "max": -14.0}, "-16.0 to -14.0"),
        ({"target": -23.0, "tolerance": 0.5}, "-23.0 ±0.5"),
        ({"max": -1.25}, "<= -1.25"),
        ({"one_of": [44_100.0]}, "= 44100"),
        ({"one_of": [44_100.0, 48_000.0]}, "one of 44100, 48000"),
        ({"level": "note"}, ""),
    ],
)
def test_limits_in_words(limits: dict[str, Any], text: str) -> None:
    (own,) = profile({"measure": PEAK} | limits).rules
    assert limit_text(own, 1) == text


@pytest.mark.parametrize(
    ("limits", "value", "limit", "shown"),
    [
        ({"max": -1.0}, -0.96, "<= -1.00", "-0.96 dBTP"),
        ({"max": -1.0}, -0.9996, "<= -1.0000", "-0.9996 dBTP"),
        ({"max": -1.0}, -0.5, "<= -1.0", "-0.5 dBTP"),
        ({"max": -1.0, "tolerance": 0.1}, -0.899, "<= -1.000 (±0.1)", "-0.899 dBTP"),
        ({"min": -6.0, "tolerance": 0.1}, -6.1004, ">= -6.0000 (±0.1)", "-6.1004 dBTP"),
        ({"target": -3.0, "tolerance": 0.2}, -3.203, "-3.000 ±0.2", "-3.203 dBTP"),
        ({"max": -1.0}, -1.04, "<= -1.0", "-1.0 dBTP"),  # met: nothing to tell apart
    ],
)
def test_value_and_limit_are_told_apart_where_the_limit_is_passed(
    limits: dict[str, Any], value: float, limit: str, shown: str
) -> None:
    finding = held({"measure": PEAK} | limits, true_peak_dbtp=value)
    assert (finding.limit, finding.shown) == (limit, shown)


figures = st.floats(-100.0, 20.0).map(lambda x: round(x, 4))


@given(limit=figures, tolerance=st.sampled_from([0.0, 0.1, 0.3, 1.0]), past=st.floats(2e-6, 0.2))
def test_a_value_past_its_limit_never_reads_as_if_it_met_it(limit: float, tolerance: float, past: float) -> None:
    """What is printed, read back as numbers, breaks the rule too."""
    value = limit + tolerance + past
    assume(value > limit + tolerance)
    finding = held({"measure": PEAK, "max": limit, "tolerance": tolerance}, true_peak_dbtp=value)
    assert finding.result == "fail"
    shown = float(finding.shown.removesuffix(" dBTP"))
    printed = float(finding.limit.removeprefix("<= ").split(" (")[0])
    assert shown > printed + tolerance - 1e-12
    assert shown != pytest.approx(printed + tolerance, abs=5e-7)


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("true_peak_dbtp", -0.04, "0.0 dBTP"),  # never -0.0
        ("clipped_runs", 3, "3"),
        ("clipped_longest_samples", 12, "12 samples"),
        ("correlation_min", -0.125, "-0.12"),
        ("head_silence_s", 1.23456, "1.235 s"),
        ("sample_rate_hz", 44_100, "44100 Hz"),
        ("layout", "5.1", "5.1"),
        ("plr_lu", None, "–"),
    ],
)
def test_values_in_words(key: str, value: Value, text: str) -> None:
    assert QUANTITIES[key].format(value) == text
