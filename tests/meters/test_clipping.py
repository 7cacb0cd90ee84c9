"""Clipping and flat tops against constructed truth. No standard defines them: the definitions are common practice."""

from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from master_check.measurement.one_pass import measure
from tests.signals import RATE, Frames, amplitude, measured, noise, quantised, sine, value, write

Music = tuple[NDArray[np.float32], int]

KEYS = ("clipped_runs", "clipped_samples", "clipped_longest_samples")
LARGEST_16_BIT = 32767.0 / 32768.0


def with_runs(*runs: tuple[int, int, float], seconds: float = 1.0) -> Frames:
    """Quiet noise with runs of (first sample, samples, value) in it."""
    frames = noise(seconds, -40.0, 1)
    for first, samples, level in runs:
        frames[first : first + samples] = level
    return frames


def longest_runs(row: NDArray[np.float32], full: float, sign: float) -> NDArray[np.int64]:
    """Lengths of all runs at or beyond full scale, found by numpy."""
    at_full = np.concatenate([[0], (sign * row >= full).astype(int), [0]])
    edges = np.diff(at_full)
    return np.asarray(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1))


# Runs at full scale


@pytest.mark.parametrize("hops", [1, 7, 100])
def test_runs_of_three_and_more_samples_count_wherever_they_are(hops: int) -> None:
    frames = with_runs(
        (1_000, 1, 1.0),
        (2_000, 2, 1.0),
        (3_000, 3, 1.0),
        (4_798, 5, -1.0),  # across a 10 ms hop
        (23_990, 2_000, 1.0),  # over several hops
    )
    found = measured(frames, hops=hops)
    assert [found.values[key] for key in KEYS] == [3, 2_008, 2_000]
    assert found.at_s["clipped_runs"] == 3_000 / RATE
    assert found.at_s["clipped_samples"] == 3_000 / RATE


def test_two_in_a_row_are_none() -> None:
    found = measured(with_runs(*((1_000 * n, 2, (-1.0) ** n) for n in range(1, 40))))
    assert [found.values[key] for key in KEYS] == [0, 0, 0]
    assert not set(KEYS) & set(found.at_s)


def test_samples_of_opposite_sign_do_not_join() -> None:
    assert measured(with_runs((1_000, 2, 1.0), (1_002, 2, -1.0))).values["clipped_runs"] == 0
    found = measured(with_runs((1_000, 3, 1.0), (1_003, 4, -1.0)))
    assert [found.values[key] for key in KEYS] == [2, 7, 4]


def test_a_run_may_be_the_first_or_the_last_of_the_file() -> None:
    found = measured(with_runs((0, 3, 1.0), (RATE - 3, 3, -1.0)))
    assert [found.values[key] for key in KEYS] == [2, 6, 3]
    assert found.at_s["clipped_runs"] == 0.0


def test_every_channel_has_its_own() -> None:
    left, right = with_runs((9_000, 4, 1.0)), with_runs((5_000, 3, 1.0), (7_000, 9, -1.0))
    found = measured(np.hstack([left, right]))
    assert [found.values[key] for key in KEYS] == [3, 16, 9]
    assert [[channel[key] for key in KEYS] for channel in found.channels] == [[1, 4, 4], [2, 12, 9]]
    assert found.at_s["clipped_runs"] == 5_000 / RATE


@pytest.mark.parametrize(
    ("encoding", "level", "clips"),
    [
        ("PCM_16", LARGEST_16_BIT, True),
        ("PCM_16", -1.0, True),
        ("PCM_16", 32766.0 / 32768.0, False),
        ("PCM_24", 1.0 - 2.0**-23, True),
        ("PCM_24", LARGEST_16_BIT, True),  # a 16-bit master that was padded
        ("PCM_24", LARGEST_16_BIT - 2.0**-23, False),
        ("PCM_32", 1.0, True),
        ("PCM_U8", 127.0 / 128.0, True),
        ("PCM_U8", 126.0 / 128.0, False),
        ("FLOAT", 1.0, True),
        ("FLOAT", 1.3, True),
        ("FLOAT", 0.9999, False),
    ],
)
def test_full_scale_is_the_largest_word(tmp_path: Path, encoding: str, level: float, clips: bool) -> None:
    path = write(tmp_path / "file.wav", with_runs((1_000, 5, level)).astype(np.float64), RATE, encoding)
    assert measure(path).values["clipped_runs"] == int(clips)


@pytest.mark.parametrize("seed", range(3))
def test_clipped_noise_has_the_runs_that_numpy_finds(seed: int) -> None:
    frames = quantised(noise(1.0, -3.0, 2, seed=seed) * 2.0, 16)
    found = measured(frames, bits=16)
    runs = [longest_runs(row, LARGEST_16_BIT, sign) for row in frames.T for sign in (1.0, -1.0)]
    counted = np.concatenate([own[own >= 3] for own in runs])
    assert len(counted) > 100
    assert [found.values[key] for key in KEYS] == [len(counted), counted.sum(), counted.max()]


def test_a_sine_driven_into_the_ceiling_clips_twice_a_period() -> None:
    frames = quantised(sine(1.0, 3.0), 16)
    assert measured(frames, bits=16).values["clipped_runs"] == 2 * 997


# Flat tops below full scale


def low_passed_noise(rate: int, seconds: float = 2.0, seed: int = 0) -> Frames:
    """Noise below 3 kHz, RMS 1: smooth, as music is."""
    low_pass = scipy.signal.butter(4, 3_000, fs=rate, output="sos")
    smooth = scipy.signal.sosfilt(low_pass, noise(seconds, 0.0, 1, rate, seed), axis=0)
    return np.asarray(smooth / smooth.std(), np.float32)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
@pytest.mark.parametrize("turned_down_db", [-0.3, -1.0, -6.0])
@pytest.mark.parametrize(("bits", "dither"), [(16, None), (24, None), (24, 1)])
def test_what_was_clipped_and_turned_down_is_found(
    rate: int, turned_down_db: float, bits: int, dither: int | None
) -> None:
    clipped = np.clip(low_passed_noise(rate), -1.0, 1.0)
    frames = quantised(clipped * np.float32(amplitude(turned_down_db)), bits, dither)
    found = measured(frames, rate, bits=bits)
    true = sum(int((longest_runs(clipped[:, 0], 1.0, sign) >= 3).sum()) for sign in (1.0, -1.0))
    assert true > 2_000
    # A top that barely reached the ceiling has no corners: it may be missed. None may be invented.
    assert 0.98 * true <= value(found, "flat_top_runs") <= true
    assert found.values["clipped_runs"] == 0


def test_the_first_flat_top_is_timed() -> None:
    frames = sine(2.0, -20.0)
    frames[60_000:] = np.clip(2.0 * sine(2.0, 0.0), -0.5, 0.5)[60_000:]
    found = measured(quantised(frames, 24), bits=24)
    true = sum(len(longest_runs(frames[:, 0], 0.5, sign)) for sign in (1.0, -1.0))
    assert 0.99 * true <= value(found, "flat_top_runs") <= true
    assert found.at_s["flat_top_runs"] == pytest.approx(60_000 / RATE, abs=0.002)


def test_each_channel_and_sign_has_its_own_ceiling() -> None:
    smooth = low_passed_noise(RATE)
    frames = np.hstack([np.clip(smooth, -9.0, 1.0) * 0.1, np.clip(smooth, -1.0, 9.0) * 0.15])
    found = measured(quantised(frames, 24), bits=24)
    true = [int((longest_runs(smooth[:, 0], 1.0, sign) >= 3).sum()) for sign in (1.0, -1.0)]
    tops = [int(channel["flat_top_runs"] or 0) for channel in found.channels]
    for counted, expected in zip(tops, true, strict=True):
        assert 0.98 * expected <= counted <= expected


def test_clipping_at_full_scale_is_not_counted_twice() -> None:
    found = measured(quantised(sine(1.0, 3.0), 16), bits=16)
    assert value(found, "clipped_runs") > 0
    assert found.values["flat_top_runs"] == 0


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("bits", "dither"), [(16, None), (16, 1), (24, None), (24, 1)])
def test_clean_sines_have_no_flat_tops(rate: int, bits: int, dither: int | None) -> None:
    """From 20 Hz, whose rounded top is flat for many samples, to 5 kHz."""
    for hz in (20.0, 31.5, 50.0, 99.7, 120.0, 441.0, 997.0, 2_000.0, 5_000.0):
        for level_db in (-0.1, -6.0, -20.0):
            frames = quantised(sine(1.0, level_db, hz, rate=rate), bits, dither)
            assert measured(frames, rate, bits=bits).values["flat_top_runs"] == 0, (hz, level_db)


@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize("bits", [16, 24])
def test_many_tones_at_once_have_none(rate: int, bits: int) -> None:
    rng = np.random.default_rng(7)
    for _ in range(5):
        partials = [(f, a, p) for f, a, p in zip(
            rng.uniform(30.0, 6_000.0, 12), rng.uniform(0.01, 0.08, 12), rng.uniform(0.0, 6.28, 12), strict=True
        )]  # fmt: skip
        frames = np.sum([a * sine(1.0, 0.0, f, rate=rate, phase=p) for f, a, p in partials], axis=0)
        assert measured(quantised(frames, bits), rate, bits=bits).values["flat_top_runs"] == 0


def test_decoded_music_has_none(music: Music) -> None:
    """What a lossy codec gives back has no two equal samples at its top, whatever was done before it."""
    frames = quantised(music[0] * np.float32(0.5), 24)
    found = measured(frames, music[1], bits=24)
    assert found.values["clipped_runs"] == 0
    assert found.values["flat_top_runs"] == 0
