"""Loudness against BS.1770's tables, two other implementations and closed forms."""

from itertools import pairwise
from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from numpy.typing import NDArray

from master_check.meters.loudness import biquads, integrated, k_weighting
from master_check.selftest.published import Step, Tone
from master_check.tables import layouts
from tests.signals import RATE, Frames, measured, noise, programme, silence, sine, value
from tests.standards.reference import TABLES_48K, integrated_of_steps, other_k_weighting

AGREEMENT_LU = 0.02
"""What meters of the same arithmetic may differ by."""

LRA_AGREEMENT_LU = 0.3
"""libebur128 takes a short-term value every second where EBU Tech 3342 asks for one every 100 ms at least."""

Music = tuple[NDArray[np.float32], int]


# The filter


def test_k_weighting_at_48_khz_is_the_table_of_bs1770() -> None:
    for (b, a), (b_table, a_table) in zip(biquads(48_000), TABLES_48K, strict=True):
        np.testing.assert_allclose(b, b_table, atol=1e-10)
        np.testing.assert_allclose(a, a_table, atol=1e-10)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000, 384_000])
def test_k_weighting_at_other_rates_is_that_of_pyloudnorm(rate: int) -> None:
    """Its filter class "DeMan" follows the same analogue prototypes."""
    for (b, a), (b_other, a_other) in zip(biquads(rate), other_k_weighting(rate), strict=True):
        np.testing.assert_allclose(b, b_other, atol=1e-12)
        np.testing.assert_allclose(a, a_other, atol=1e-12)


def test_the_filter_as_it_is_run_is_the_two_stages() -> None:
    taps, poles = k_weighting(48_000)
    (b_shelf, a_shelf), (b_high, a_high) = TABLES_48K
    np.testing.assert_allclose(taps, np.convolve(b_shelf, b_high), atol=1e-9)
    np.testing.assert_allclose(poles, [*a_shelf[1:], *a_high[1:]], atol=1e-10)


# Channels


@pytest.mark.parametrize(
    ("layout", "label", "weight"),
    [  # BS.1770-5, Annex 1, Table 3 (5.1) and Annex 3 (others, by azimuth and elevation)
        ("5.1", "L", 1.0),
        ("5.1", "R", 1.0),
        ("5.1", "C", 1.0),
        ("5.1", "Ls", 1.41),
        ("5.1", "Rs", 1.41),
        ("7.1", "Lss", 1.41),
        ("7.1", "Rss", 1.41),
        ("7.1", "Lrs", 1.0),
        ("7.1", "Rrs", 1.0),
        ("5.1.4", "Ltf", 1.0),
        ("5.1.4", "Rtr", 1.0),
    ],
)
def test_a_full_scale_997_hz_sine_in_one_channel_reads_minus_3_01_plus_its_weight(
    layout: str, label: str, weight: float
) -> None:
    labels = layouts.NAMED[layout]
    frames = silence(1.0, len(labels))
    frames[:, labels.index(label)] = sine(1.0)[:, 0]
    read = value(measured(frames, layout=layout), "integrated_lufs")
    assert read == pytest.approx(-3.01 + 10.0 * np.log10(weight), abs=0.005)


def test_lfe_counts_for_nothing() -> None:
    frames = silence(1.0, 6)
    frames[:, 3] = sine(1.0)[:, 0]
    found = measured(frames, layout="5.1")
    for key in ("integrated_lufs", "momentary_max_lufs", "plr_lu"):
        assert found.values[key] is None, key
    assert value(found, "sample_peak_dbfs") == pytest.approx(0.0, abs=0.01)


# Other implementations


def library(frames: Frames, rate: int, mode: Any) -> Any:
    state = pyebur128.R128State(frames.shape[1], rate, mode)
    state.add_frames(np.ascontiguousarray(frames).ravel(), len(frames))
    return state


def other_integrated(frames: Frames, rate: int) -> dict[str, float]:
    i = pyebur128.MeasurementMode.MODE_I
    read = {"libebur128": pyebur128.get_loudness_global(library(frames, rate, i))}
    if frames.shape[1] <= 5:
        other = pyloudnorm.Meter(rate, filter_class="DeMan")
        read["pyloudnorm"] = other.integrated_loudness(frames.astype(np.float64))
    return read


def test_integrated_loudness_of_music_is_what_two_other_meters_read(music: Music) -> None:
    read = value(measured(*music), "integrated_lufs")
    for name, other in other_integrated(*music).items():
        assert read == pytest.approx(other, abs=AGREEMENT_LU), name


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_integrated_loudness_of_noise_is_what_two_other_meters_read(rate: int, channels: int) -> None:
    frames = programme(20.0, channels, rate, seed=rate + channels)
    read = value(measured(frames, rate), "integrated_lufs")
    for name, other in other_integrated(frames, rate).items():
        assert read == pytest.approx(other, abs=AGREEMENT_LU), name


def test_integrated_loudness_of_5_1_is_what_the_c_library_reads() -> None:
    frames = programme(20.0, 6, seed=51)
    read = value(measured(frames, layout="5.1"), "integrated_lufs")
    assert read == pytest.approx(other_integrated(frames, RATE)["libebur128"], abs=AGREEMENT_LU)


def test_loudness_range_of_music_is_what_two_other_meters_read(music: Music) -> None:
    frames, rate = music
    read = value(measured(frames, rate), "loudness_range_lu")
    state = library(frames, rate, pyebur128.MeasurementMode.MODE_LRA)
    assert read == pytest.approx(pyebur128.get_loudness_range(state), abs=LRA_AGREEMENT_LU)
    other = pyloudnorm.Meter(rate, filter_class="DeMan").loudness_range(frames.astype(np.float64))
    assert read == pytest.approx(other, abs=LRA_AGREEMENT_LU)


def test_momentary_and_short_term_maxima_of_music_are_what_the_c_library_reads(music: Music) -> None:
    """Both asked every 10 ms over 20 s; the times are those of the windows' beginnings."""
    frames, rate = music[0][: 20 * music[1]], music[1]
    found = measured(frames, rate)
    modes = pyebur128.MeasurementMode.MODE_M | pyebur128.MeasurementMode.MODE_S
    state = pyebur128.R128State(frames.shape[1], rate, modes)
    edges = np.arange(20 * 100 + 1) * rate // 100
    momentary, short_term = [], []
    for start, end in pairwise(edges):
        state.add_frames(frames[start:end].ravel(), end - start)
        momentary.append(pyebur128.get_loudness_momentary(state))
        short_term.append(pyebur128.get_loudness_shortterm(state))
    for key, length, loudness in (
        ("momentary_max_lufs", 40, momentary[39:]),
        ("short_term_max_lufs", 300, short_term[299:]),
    ):
        assert length + len(loudness) - 1 == len(momentary)
        assert value(found, key) == pytest.approx(max(loudness), abs=0.001)
        assert found.at_s[key] == pytest.approx(int(np.argmax(loudness)) / 100, abs=0.011)
    np.testing.assert_allclose(found.series.momentary(), momentary[39:], atol=0.001)
    np.testing.assert_allclose(found.series.short_term(), short_term[299:], atol=0.001)


# Gates


@pytest.mark.parametrize(
    "levels",
    [
        (-23.0, -32.9, -23.0),  # within 10 LU below
        (-23.0, -36.0, -23.0),  # the quiet part falls to the relative gate
        (-23.0, -72.0, -23.0),  # and to the absolute one
        (-60.0, -69.0, -65.0),
        (-10.0, -14.0, -18.0, -22.0, -26.0, -30.0),
    ],
    ids=str,
)
def test_gates_keep_what_bs1770_keeps(levels: tuple[float, ...]) -> None:
    tone = Tone(tuple(Step(4.0, (level, level)) for level in levels), 997)
    read = value(measured(tone.frames(RATE)), "integrated_lufs")
    assert read == pytest.approx(integrated_of_steps(tone, (1.0, 1.0)), abs=0.003)


@pytest.mark.parametrize(("level", "heard"), [(-69.9, True), (-70.1, False)])
def test_the_absolute_gate_is_at_minus_70_lufs(level: float, heard: bool) -> None:
    found = measured(sine(2.0, level, channels=2))  # 997 Hz in both channels reads its peak level
    if heard:
        assert value(found, "integrated_lufs") == pytest.approx(level, abs=0.005)
    else:
        assert found.values["integrated_lufs"] is None
        assert value(found, "momentary_max_lufs") == pytest.approx(level, abs=0.005)
        assert found.notes == ("nothing louder than -70 LUFS: no integrated loudness can be given",)


# What is too short or silent has no figure


@pytest.mark.parametrize(
    ("seconds", "there"),
    [
        (0.399, ()),
        (0.4, ("integrated_lufs", "momentary_max_lufs")),
        (2.999, ("integrated_lufs", "momentary_max_lufs")),
        (3.0, ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu")),
    ],
)
def test_a_figure_needs_a_whole_window(seconds: float, there: tuple[str, ...]) -> None:
    found = measured(sine(seconds, -20.0, channels=2))
    for key in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu"):
        assert (found.values[key] is not None) == (key in there), key
    if not there:
        assert found.notes == ("shorter than 400 ms: no loudness can be given",)


def test_a_short_programme_is_told_that_its_range_is_not_stable() -> None:
    note = "shorter than 60 s: the loudness range is not stable (EBU Tech 3341)"
    assert measured(noise(59.0, rate=8_000), 8_000).notes == (note,)
    assert measured(noise(60.0, rate=8_000), 8_000).notes == ()


def test_samples_in_memory_read_as_a_file_does() -> None:
    frames = programme(5.0)
    assert integrated(frames, RATE, (1.0, 1.0)) == value(measured(frames), "integrated_lufs")
    assert integrated(silence(1.0, 2), RATE, (1.0, 1.0)) == -np.inf
    assert integrated(frames[:1000], RATE, (1.0, 1.0)) == -np.inf


# Left against right, stereo against mono


@pytest.mark.parametrize("lean_db", [-6.0, 0.0, 3.5])
def test_balance_is_how_much_louder_the_right_is(lean_db: float) -> None:
    frames = np.hstack([sine(1.0, -20.0), sine(1.0, -20.0 + lean_db)])
    assert value(measured(frames), "balance_lu") == pytest.approx(lean_db, abs=1e-4)


@pytest.mark.parametrize(
    ("right", "loss"),
    [
        ("the same", 0.0),
        ("turned by 90 degrees", 3.0103),  # cos and sin: powers add, as of unrelated channels
        ("silent", 3.0103),
        ("out of phase", 90.0),  # a full cancellation is shown as 90 dB
    ],
)
def test_loss_in_mono(right: str, loss: float) -> None:
    left = sine(2.0, -20.0)
    turned = {"the same": left, "silent": 0.0 * left, "out of phase": -left}
    turned["turned by 90 degrees"] = sine(2.0, -20.0, phase=np.pi / 2.0)
    frames = np.hstack([left, turned[right]])
    assert value(measured(frames), "mono_loss_lu") == pytest.approx(loss, abs=0.01)


@pytest.mark.parametrize(("channels", "layout"), [(1, "mono"), (6, "5.1")])
def test_only_stereo_has_a_balance(channels: int, layout: str) -> None:
    found = measured(noise(1.0, channels=channels), layout=layout)
    assert found.values["balance_lu"] is None
    assert found.values["mono_loss_lu"] is None
