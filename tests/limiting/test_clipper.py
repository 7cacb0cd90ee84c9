"""Clipping ahead of the limiter: textbook series of a clipped sine, and the chain set up again without ours."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from master_check.limiting.clipper import Clip, ClipLimit, Clipped, Shape, thd_percent
from master_check.limiting.limiter import Detection, InMemory, limit
from master_check.limiting.plan import Plan, Setting, plan_signal
from master_check.report.wording.plan import other_releases, summary
from tests.limiting.test_plan import (
    RATE,
    STEREO,
    band,
    ceiling,
    existing,
    linear,
    loudness_elsewhere,
    lufs,
    sine,
    true_peak_elsewhere,
)


def hard_sine_thd(by_db: float) -> float:
    """Fourier series of a sine cut at T, from memory of any textbook: b1 and the sum of all squares, in closed form."""
    top = linear(-by_db)
    angle = math.asin(top)
    first = 2.0 / math.pi * (angle + top * math.sqrt(1.0 - top * top))
    # Mean square: below the level a sine's, above it the level's own.
    power = (angle - 0.5 * math.sin(2.0 * angle)) / math.pi + top * top * (1.0 - 2.0 * angle / math.pi)
    return 100.0 * math.sqrt(2.0 * power / first**2 - 1.0)


@pytest.mark.parametrize("by_db", [0.5, 1.0, 2.0, 3.0, 6.0, 12.0])
def test_thd_of_hard_clipping_is_the_textbook_series(by_db: float) -> None:
    assert thd_percent("hard", by_db) == pytest.approx(hard_sine_thd(by_db), rel=2e-3)


@pytest.mark.parametrize("by_db", [0.5, 1.0, 2.0, 3.4])
def test_thd_of_the_cubic_is_its_third_harmonic(by_db: float) -> None:
    # sin^3 = 3/4 sin - 1/4 sin 3: a cubic of a sine has one harmonic.
    drive = math.sqrt((1.0 - linear(-by_db)) * 27.0 / 4.0)
    cubic = 4.0 / 27.0 * drive**3
    assert thd_percent("soft", by_db) == pytest.approx(100.0 * (cubic / 4.0) / (drive - 0.75 * cubic), rel=1e-6)


@pytest.mark.parametrize("shape", ["hard", "soft"])
@pytest.mark.parametrize("by_db", [0.3, 2.0, 3.6, 8.0])
def test_the_highest_peak_is_lowered_by_so_much(shape: Shape, by_db: float) -> None:
    frames = band(2.0).astype(np.float64)
    peak = float(np.abs(frames).max())
    out = Clipped(InMemory(frames, RATE), peak, shape, by_db).read(0, len(frames))
    assert np.abs(out).max() == pytest.approx(peak * linear(-by_db), rel=1e-9)
    quiet = np.abs(frames) < 0.02 * peak
    np.testing.assert_allclose(out[quiet], frames[quiet], rtol=2e-3)  # the soft curve bends these by 0.1 % at most
    assert (np.diff(out.ravel()[np.argsort(frames.ravel())]) >= 0.0).all()


@pytest.mark.parametrize("shape", ["hard", "soft"])
def test_a_limit_in_thd_is_one_in_db(shape: Shape) -> None:
    limited = ClipLimit(shape, None, 3.0)
    assert thd_percent(shape, limited.deepest_db()) == pytest.approx(3.0, abs=0.05)
    assert thd_percent(shape, limited.deepest_db()) <= 3.0
    assert ClipLimit(shape, 1.7, None).deepest_db() == 1.7


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("hard", None, None), "either in dB or in THD"),
        (("hard", 1.0, 1.0), "either in dB or in THD"),
        (("hard", 0.0, None), "0.1 to 12 dB"),
        (("hard", math.nan, None), "0.1 to 12 dB"),
        (("hard", 13.0, None), "0.1 to 12 dB"),
        (("soft", None, 99.0), "THD must be"),
        (("hard", None, 0.001), "THD must be"),
        (("round", 1.0, None), "hard or soft"),
    ],
)
def test_bad_limits_are_named(arguments: tuple[Any, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        ClipLimit(*arguments)


def planned(frames: NDArray[np.float32], target: float, limit_of: ClipLimit, cost_db: float = 3.0) -> Plan:
    return plan_signal(InMemory(frames, RATE), STEREO, target, -1.0, max_gain_reduction_db=cost_db, clip=limit_of)


def p95(setting: Setting) -> float:
    assert setting.gain_reduction is not None
    return setting.gain_reduction.gain_reduction_p95_db


@pytest.mark.parametrize("shape", ["hard", "soft"])
def test_splits_simulated_again_with_numpy(shape: Shape) -> None:
    """Clipper, gain and limiter, set to the printed levels; loudness by pyloudnorm, true peak by Fourier."""
    frames = band(4.0)
    result = planned(frames, -10.0, ClipLimit(shape, 2.0, None))
    assert [0.0 if each.clip is None else each.clip.by_db for each in result.splits] == [0.0, 0.5, 1.0, 1.5, 2.0]
    work = [p95(each) for each in result.splits]
    assert work == sorted(work, reverse=True)
    for setting in (result.splits[1], result.splits[-1]):
        clip = clip_of(setting)
        top, mix = linear(clip.at_dbfs), frames.astype(np.float64)
        cut = np.clip(mix, -top, top)
        if shape == "soft":
            inside = np.clip(mix / top, -1.5, 1.5)
            cut = top * (inside - 4.0 / 27.0 * inside**3)
        assert np.abs(cut).max() == pytest.approx(np.abs(mix).max() * linear(-clip.by_db), rel=1e-4)
        out = limit(cut, RATE, gain_db=setting.gain_db, ceiling_db=-1.0, detection="true_peak").frames
        assert loudness_elsewhere(out, RATE) == pytest.approx(-10.0, abs=0.05)
        assert true_peak_elsewhere(out) <= -1.0 + 0.01


def clip_of(setting: Setting) -> Clip:
    assert setting.clip is not None
    return setting.clip


def test_the_least_clipping_within_the_cost() -> None:
    frames = band(4.0)
    work = [p95(each) for each in planned(frames, -14.0, ClipLimit("hard", 4.0, None)).splits]
    for cost in (0.5 * (work[2] + work[3]), work[-1] - 0.1, work[0] + 0.1):
        result = planned(frames, -14.0, ClipLimit("hard", 4.0, None), cost)
        within = [n for n, each in enumerate(work) if each <= cost]
        assert result.clipped == result.splits[within[0] if within else int(np.argmin(np.round(work, 1)))]
        words = " ".join(summary(result))
        kind = "no clipping needed" if within[:1] == [0] else "least clipping that stays" if within else "comes nearest"
        assert kind in words


def test_nothing_is_clipped_where_no_limiter_is_needed() -> None:
    result = planned(sine(-20.0), -14.0, ClipLimit("hard", 2.0, None))
    assert result.need == "plain_gain"
    assert result.splits == ()
    assert result.clipped is None
    assert "clip" not in " ".join(summary(result))


def test_clipping_that_helps_nobody_is_not_recommended() -> None:
    # One click far above the music: taking 2 dB off it changes nothing that is heard for 5 % of the time.
    frames = band(4.0)
    frames[RATE] = 4.0 * np.abs(frames).max()
    result = planned(frames, -8.0, ClipLimit("hard", 2.0, None))
    assert existing(result.clipped) == result.splits[0]
    assert p95(result.splits[0]) > 3.0
    assert "clipping does not help" in " ".join(summary(result))


@pytest.mark.parametrize("mode", ["true_peak", "sample_peak"])
def test_other_releases_are_told_where_they_matter(mode: Detection) -> None:
    frames = band(4.0)
    for target, told in ((-16.0, False), (-8.0, True)):
        plan = plan_signal(InMemory(frames, RATE), STEREO, target, -1.0)
        setting = existing(plan.true_peak_limiter if mode == "true_peak" else plan.sample_peak_limiter)
        found = setting.release_range
        assert found is not None
        for release_ms, reading in ((50.0, found.loudest_lufs), (200.0, found.quietest_lufs)):
            out = limit(
                frames,
                RATE,
                gain_db=setting.gain_db,
                ceiling_db=ceiling(setting),
                detection=mode,
                release_ms=release_ms,
            ).frames
            assert loudness_elsewhere(out, RATE) == pytest.approx(reading, abs=0.02)
        assert (other_releases(setting) is not None) == told
        assert told == (found.loudest_lufs - found.quietest_lufs > 0.3)


def test_the_range_over_releases_holds_the_result() -> None:
    # White noise: its curve between the samples is higher than the detector sees, which works to a lower ceiling.
    noise = 0.1 * np.random.default_rng(3).standard_normal((3 * RATE, 1))
    setting = existing(plan_signal(InMemory(noise.astype(np.float32), RATE), (1.0,), -10.0, -1.0).true_peak_limiter)
    assert setting.release_range is not None
    assert setting.release_range.quietest_lufs < lufs(setting) < setting.release_range.loudest_lufs
