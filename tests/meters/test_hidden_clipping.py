"""Clipping that a filter has hidden, against constructed truth. No standard defines it: the figure is our own.

Music is clipped by numpy and hidden by scipy's filters, libsndfile's MP3 encoder or dither; the long statistics are in
`tests/benchmarks/accuracy/hidden_clipping.py`, whose requirements were set before anything was measured.
"""

from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from master_check.limiting.limiter import limit
from tests.benchmarks.accuracy.hidden_clipping import (
    HIDING,
    at_48_khz,
    clipped,
    converted,
    found,
    high_passed,
    made_music,
)
from tests.signals import RATE, Floats, Frames, amplitude, measured, quantised, sine, value

Excerpt = Callable[[str, float], tuple[NDArray[np.float32], int]]

SECONDS = 20.0


@pytest.fixture(scope="module")
def pieces(excerpt: Excerpt) -> list[Floats]:
    """Two of the real pieces, and a made one."""
    real = [excerpt(track, SECONDS) for track in ("machine_wars", "time_to_strike")]
    return [*(at_48_khz(*one) for one in real), made_music(1, SECONDS)]


@pytest.mark.parametrize("how", HIDING)
def test_most_clips_are_found_after_a_filter(pieces: list[Floats], how: str) -> None:
    hide, least = HIDING[how]
    all_true, all_found = 0, 0
    for frames in pieces:
        cut, true, every = clipped(frames)
        total = found(hide(cut))[1]
        assert total <= 1.5 * every  # clips of one and two samples are clips too; an encode blurs where they begin
        all_true += true
        all_found += min(total, true)
    assert all_true > 300
    assert all_found >= least * all_true


@pytest.mark.parametrize("how", HIDING)
def test_music_that_a_limiter_held_was_not_clipped(pieces: list[Floats], how: str) -> None:
    for frames in pieces:
        limited = limit(frames, RATE, gain_db=4.0, ceiling_db=-1.0, look_ahead_ms=1.5, release_ms=60.0).frames
        for clean in (frames, np.asarray(limited, np.float64)):
            assert found(HIDING[how][0](clean))[0] == 0


def smooth_noise(seconds: float, seed: int = 0) -> Floats:
    """Noise below 2 kHz, RMS 1, each channel its own."""
    low_pass = scipy.signal.butter(4, 2_000, fs=RATE, output="sos")
    noise = np.random.default_rng(seed).standard_normal((round(seconds * RATE), 2))
    smooth = scipy.signal.sosfilt(low_pass, noise, axis=0)
    return np.asarray(smooth / smooth.std())


@pytest.mark.parametrize("hide", [converted, high_passed])
def test_blocks_change_nothing(hide: Callable[[Floats], tuple[Frames, int, int | None]]) -> None:
    frames, rate, _ = hide(np.clip(smooth_noise(4.0), -1.8, 1.8) * 0.5)
    expected = measured(frames, rate)
    assert value(expected, "hidden_clipped_runs") > 500
    for hops in (1, 7, 10_000):
        other = measured(frames, rate, hops=hops)
        assert other.values == expected.values
        assert other.at_s == expected.at_s


@pytest.mark.parametrize("hide", [converted, high_passed])
def test_the_first_is_timed(hide: Callable[[Floats], tuple[Frames, int, int | None]]) -> None:
    frames = smooth_noise(6.0) * 0.5
    frames[: 2 * RATE] *= 0.4  # nothing is clipped in the first two seconds
    found_at = measured(*hide(np.clip(frames, -0.9, 0.9))[:2]).at_s["hidden_clipped_runs"]
    first = np.flatnonzero(np.abs(frames).max(axis=1) > 0.9)[0] / RATE
    assert first - 0.001 <= found_at <= first + 0.1


def test_each_channel_is_told_by_itself() -> None:
    frames = smooth_noise(4.0) * 0.25
    frames[:, 0] = np.clip(frames[:, 0], -0.45, 0.45)
    left, right = measured(*converted(frames)[:2]).channels
    true = clips_of(frames[:, 0], 0.45)
    assert 0.9 * true <= int(left["hidden_clipped_runs"] or 0) <= 1.5 * true
    assert right["hidden_clipped_runs"] == 0


def clips_of(row: Floats, ceiling: float) -> int:
    return int(sum(((s * row[1:] >= ceiling) & (s * row[:-1] < ceiling)).sum() for s in (1.0, -1.0)))


def test_what_is_flat_still_is_not_told_twice() -> None:
    frames = np.clip(smooth_noise(4.0), -1.8, 1.8)
    for level, key in ((1.0, "clipped_runs"), (0.5, "flat_top_runs")):
        values = measured(quantised(np.asarray(frames / 1.8 * level, np.float32), 24), bits=24).values
        assert int(values[key] or 0) > 500
        assert values["hidden_clipped_runs"] == 0


@pytest.mark.parametrize("hz", [31.5, 99.7, 440.0, 997.0, 3_000.0])
def test_waves_of_tests_are_not_clipped(hz: float) -> None:
    """Sines, squares and triangles, steady and fading: all their tops are alike."""
    time = np.arange(4 * RATE) / RATE
    fading = np.exp(-time)
    for wave in (np.sin, scipy.signal.square, lambda x: scipy.signal.sawtooth(x, 0.5)):
        steady = 0.5 * wave(2.0 * np.pi * hz * time)
        for frames in (steady, steady * fading, steady * (1.0 + 0.5 * np.sin(7.0 * time))):
            both = np.tile(frames[:, None], (1, 2))
            for file, rate, _ in (converted(both), high_passed(both)):
                assert measured(file, rate).values["hidden_clipped_runs"] == 0


def test_silence_and_the_shortest_files_have_none() -> None:
    for frames in (np.zeros((RATE, 1)), np.zeros((1, 2)), sine(0.001), np.full((RATE, 1), amplitude(-1.0))):
        assert measured(np.asarray(frames, np.float32)).values["hidden_clipped_runs"] == 0
