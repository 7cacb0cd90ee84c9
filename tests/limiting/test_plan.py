"""The plan against closed forms, a search by brute force, other meters, and a limiter that is not ours."""

import itertools
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import butter, resample, sosfilt

from master_check.limiting.limiter import Detection, InMemory, limit
from master_check.limiting.plan import Plan, Setting, plan_signal
from master_check.report.wording.plan import summary

RATE = 48_000
STEREO = (1.0, 1.0)
MODES: tuple[Detection, ...] = ("true_peak", "sample_peak")
MUSIC = Path("/usr/share/games/asc/music")


def linear(db: float) -> float:
    return float(10.0 ** (db / 20.0))


def sine(level_dbfs: float, seconds: float = 4.0, channels: int = 2) -> NDArray[np.float32]:
    """997 Hz: in both channels of a stereo pair it reads its own peak level in LUFS (BS.1770-5, Annex 1: one
    channel at 0 dBFS reads -3.01; two are 3.01 more)."""
    tone = linear(level_dbfs) * np.sin(2.0 * np.pi * 997.0 * np.arange(round(seconds * RATE)) / RATE)
    return np.repeat(tone[:, None], channels, axis=1).astype(np.float32)


def band(seconds: float, seed: int = 11, channels: int = 2) -> NDArray[np.float32]:
    """A made-up band: a swelling bed of low-passed noise and drum hits 10 dB and more above it."""
    random = np.random.default_rng(seed)
    n = round(seconds * RATE)
    swell = 1.0 + 0.5 * np.sin(2.0 * np.pi * np.arange(n) / RATE / 3.0)
    out = 0.03 * swell[:, None] * random.standard_normal((n, channels))
    for start in range(RATE // 10, n, RATE // 4):
        time = np.arange(min(n - start, RATE // 3)) / RATE
        hit = random.standard_normal((len(time), channels)) * np.exp(-time / random.uniform(0.01, 0.06))[:, None]
        out[start : start + len(time)] += random.uniform(0.05, 0.25) * hit
    return np.asarray(sosfilt(butter(2, 0.25, output="sos"), out, axis=0), np.float32)


def loudness_elsewhere(frames: NDArray[Any], rate: int) -> float:
    """pyloudnorm with the filters of BS.1770's table."""
    return float(pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(frames.astype(np.float64)))


def true_peak_elsewhere(frames: NDArray[Any]) -> float:
    """dBTP by Fourier interpolation, 4x as BS.1770-5, Annex 2; blocks overlap so that none sees its ends."""
    highest, size, edge = 0.0, 1 << 16, 1 << 11
    padded = np.pad(frames.astype(np.float64), ((edge, size + edge), (0, 0)))
    for start in range(0, len(frames), size):
        block = resample(padded[start : start + size + 2 * edge], 4 * (size + 2 * edge))
        highest = max(highest, float(np.abs(block[4 * edge : -4 * edge]).max()))
    return 20.0 * math.log10(highest)


def existing(setting: Setting | None) -> Setting:
    assert setting is not None
    return setting


def ceiling(setting: Setting) -> float:
    values = [each for each in (setting.ceiling_dbtp, setting.ceiling_dbfs) if each is not None]
    assert len(values) == 1
    return values[0]


def lufs(setting: Setting) -> float:
    assert setting.result.integrated_lufs is not None
    return setting.result.integrated_lufs


def true_peak_of(setting: Setting) -> float:
    assert setting.result.true_peak_dbtp is not None
    return setting.result.true_peak_dbtp


def both(result: Plan) -> tuple[Setting, Setting]:
    return existing(result.true_peak_limiter), existing(result.sample_peak_limiter)


# Where no limiter is needed: closed forms.


@pytest.mark.parametrize(
    ("level", "target", "need", "words"),
    [
        (-20.0, -14.0, "plain_gain", "gain alone reaches -14.0 LUFS: +6.0 dB"),
        (-9.0, -14.0, "turn_down", "turn it down by 5.0 dB"),
        (-14.0, -14.0, "nothing", "no gain needed"),
    ],
)
def test_tone_without_limiter(level: float, target: float, need: str, words: str) -> None:
    result = plan_signal(InMemory(sine(level), RATE), STEREO, target, -1.0, playback_lufs=-16.0)
    plain = existing(result.plain)
    assert result.need == need
    assert plain.gain_db == pytest.approx(target - level, abs=0.02)
    assert lufs(plain) == pytest.approx(target, abs=0.02)
    assert true_peak_of(plain) == pytest.approx(target, abs=0.02)
    assert plain.result.plr_lu == pytest.approx(0.0, abs=0.03)
    assert result.true_peak_limiter is None
    assert result.sample_peak_limiter is None
    assert any(words in line for line in summary(result))
    assert plain.playback is not None
    assert plain.playback.gain_db == pytest.approx(-2.0, abs=0.02)
    assert "turned down by 2.0 dB, PLR stays 0.0 LU" in summary(result)[-1]


def test_mono_tone() -> None:
    # One channel alone reads 3.01 LU less than its peak level (BS.1770-5, Annex 1).
    result = plan_signal(InMemory(sine(-20.0, channels=1), RATE), (1.0,), -14.0, -1.0)
    assert existing(result.plain).gain_db == pytest.approx(9.01, abs=0.02)


def test_tone_beyond_its_ceiling_is_out_of_reach() -> None:
    # A steady tone under a ceiling of -1 dBTP reads -1 LUFS, however hard it is driven.
    result = plan_signal(InMemory(sine(-12.0), RATE), STEREO, -0.5, -1.0)
    assert result.need == "out_of_reach"
    assert result.true_peak_limiter is None
    assert lufs(existing(result.true_peak_affordable)) == pytest.approx(-1.0, abs=0.05)
    assert any("out of reach" in line for line in summary(result))


def test_too_loud_but_peaks_over_still_needs_a_limiter() -> None:
    frames = band(6.0)
    reading, peak_db = loudness_elsewhere(frames, RATE), true_peak_elsewhere(frames)
    peak_limit = peak_db - 4.0
    result = plan_signal(InMemory(frames, RATE), STEREO, reading - 3.0, peak_limit)
    assert result.need == "limiter"
    for setting in both(result):
        assert -3.0 < setting.gain_db < 0.0
        assert lufs(setting) == pytest.approx(reading - 3.0, abs=0.05)
        assert true_peak_of(setting) <= peak_limit


@pytest.mark.parametrize("frames", [np.zeros((RATE, 2), np.float32), sine(-10.0, 0.3)])
def test_nothing_to_plan_with(frames: NDArray[np.float32]) -> None:
    # Silence, and less than the 400 ms of a gating block (BS.1770-5, Annex 1).
    for target in (-14.0, None):
        result = plan_signal(InMemory(frames, RATE), STEREO, target, -1.0)
        assert result.need == "unmeasurable"
        assert result.to_dict()["premaster"]["integrated_lufs"] is None
        assert "nothing to plan" in summary(result)[0]
        json.dumps(result.to_dict(), allow_nan=False)


# The limiter's settings.


@pytest.mark.parametrize("target", [-13.0, -10.0])
def test_plan_against_brute_force(target: float) -> None:
    # Every ceiling in 0.1 dB steps, every gain in 0.2 dB steps (a straight line between), loudness by
    # pyloudnorm and true peak by Fourier interpolation: the highest ceiling legal at the target.
    frames = band(3.0)
    frames *= np.float32(linear(-23.0 - loudness_elsewhere(frames, RATE)))
    by_true_peak, by_sample = both(plan_signal(InMemory(frames, RATE), STEREO, target, -1.0))

    def gain_to_target(ceiling_db: float, mode: Any) -> tuple[float, float]:
        gains = np.arange(target + 23.0, target + 23.0 + 8.0, 0.2)
        previous = -math.inf
        for gain_db in gains:
            out = limit(frames, RATE, gain_db=float(gain_db), ceiling_db=ceiling_db, detection=mode).frames
            reading = loudness_elsewhere(out, RATE)
            if reading >= target:
                back = 0.2 * (reading - target) / (reading - previous)
                return float(gain_db) - back, true_peak_elsewhere(out)
            previous = reading
        raise AssertionError(f"no gain reaches {target} under {ceiling_db}")

    gain_db, peak_db = gain_to_target(-1.0, "true_peak")
    assert ceiling(by_true_peak) == -1.0
    assert by_true_peak.gain_db == pytest.approx(gain_db, abs=0.05)
    assert peak_db <= -1.0 + 0.01

    for tenths in itertools.count(10):
        gain_db, peak_db = gain_to_target(-tenths / 10.0, "sample_peak")
        if peak_db <= -1.0:
            break
    assert ceiling(by_sample) == pytest.approx(-tenths / 10.0, abs=1e-9)
    assert by_sample.gain_db == pytest.approx(gain_db, abs=0.05)


def test_promises_to_the_letter() -> None:
    frames = band(8.0)
    for target, peak_limit in itertools.product((-16.0, -13.0, -11.0), (-2.0, -1.0, -0.25, 0.5)):
        result = plan_signal(InMemory(frames, RATE), STEREO, target, peak_limit)
        assert result.need == "limiter"
        for setting in both(result):
            assert lufs(setting) == pytest.approx(target, abs=0.05)
            assert true_peak_of(setting) <= peak_limit
        by_true_peak, by_sample = both(result)
        assert ceiling(by_true_peak) == peak_limit
        assert ceiling(by_sample) <= 0.0
        assert ceiling(by_sample) * 10.0 == pytest.approx(round(ceiling(by_sample) * 10.0))
        assert true_peak_of(by_true_peak) == pytest.approx(peak_limit, abs=0.01)


def test_sample_peak_ceiling_is_lower_by_the_overshoot() -> None:
    # fs/4 at 45 degrees: true peaks 3.01 dB above the samples (EBU Tech 3341, signal 16), whatever the
    # limiter does. Bursts of it over a quiet tone, so that there is something to limit.
    time = np.arange(8 * RATE)
    tone = np.sin(2.0 * np.pi * time / 4.0 + np.pi / 4.0) * np.where(time % RATE < RATE // 5, 0.3, 0.03)
    frames = np.repeat(tone[:, None], 2, axis=1).astype(np.float32)
    plain = existing(plan_signal(InMemory(frames, RATE), STEREO, None, -1.0).plain)
    result = plan_signal(InMemory(frames, RATE), STEREO, lufs(plain) + 3.0, -1.0)
    by_true_peak, by_sample = both(result)
    assert -4.01 - 0.3 <= ceiling(by_sample) <= -4.01
    assert by_sample.gain_db >= by_true_peak.gain_db


def test_multichannel() -> None:
    # 5.1 as L R C LFE Ls Rs; libebur128 gives six channels the same places and weights.
    frames = band(6.0, channels=6)
    frames[:, 3] *= 3.0  # the LFE is not heard by the loudness, but the limiter must catch it
    weights = (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)
    result = plan_signal(InMemory(frames, RATE), weights, -12.0, -1.0)
    for setting, mode in zip(both(result), MODES, strict=True):
        out = limit(frames, RATE, gain_db=setting.gain_db, ceiling_db=ceiling(setting), detection=mode).frames
        state = pyebur128.R128State(6, RATE, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(out).ravel(), len(out))
        assert pyebur128.get_loudness_global(state) == pytest.approx(-12.0, abs=0.05)
        assert true_peak_elsewhere(out) <= -1.0 + 0.01


def test_no_target() -> None:
    frames = band(5.0)
    peak_db = true_peak_elsewhere(frames)
    result = plan_signal(InMemory(frames, RATE), STEREO, None, -0.5)
    by_true_peak, by_sample = both(result)
    assert result.need == "no_target"
    assert existing(result.plain).gain_db == pytest.approx(-0.5 - peak_db, abs=0.01)
    assert by_true_peak.gain_db == pytest.approx(-0.5 - peak_db, abs=0.01)
    sample_peak_db = 20.0 * math.log10(float(np.abs(frames).max()))
    assert by_sample.gain_db + sample_peak_db == pytest.approx(ceiling(by_sample), abs=0.01)
    for setting in both(result):
        assert setting.gain_reduction is not None
        assert setting.gain_reduction.gain_reduction_max_db < 0.02
        assert true_peak_of(setting) <= -0.5
    assert lufs(existing(result.true_peak_affordable)) > lufs(by_true_peak) + 1.0


# What it costs.


def test_affordable_is_the_loudest_within_the_cost() -> None:
    frames = band(8.0)
    result = plan_signal(InMemory(frames, RATE), STEREO, -7.0, -1.0, max_gain_reduction_db=2.0)
    for costly, affordable in zip(
        both(result), (result.true_peak_affordable, result.sample_peak_affordable), strict=True
    ):
        found = existing(affordable)
        assert costly.gain_reduction is not None
        assert found.gain_reduction is not None
        assert costly.gain_reduction.gain_reduction_p95_db > 2.0
        assert 1.97 <= found.gain_reduction.gain_reduction_p95_db <= 2.0
        assert lufs(found) < -7.0
        assert true_peak_of(found) <= -1.0
    assert sum("costs more than 2.0 dB" in line for line in summary(result)) == 2
    # Asked for what it said can be afforded, it agrees.
    again = plan_signal(
        InMemory(frames, RATE),
        STEREO,
        lufs(existing(result.true_peak_affordable)) - 0.05,
        -1.0,
        max_gain_reduction_db=2.0,
    )
    assert again.true_peak_affordable is None


def test_statistics_of_known_gain_reduction() -> None:
    # A tone that asks for no reduction, with three louder stretches of 300 ms that ask for 2, 4 and 6 dB more
    # than the ceiling allows: maximum 6, the places in that order, mean and share from the lengths.
    level = np.full(20 * RATE, -9.0)
    starts = {5.0: 2.0, 9.0: 6.0, 14.0: 4.0}
    for start, over_db in starts.items():
        level[round(start * RATE) : round((start + 0.3) * RATE)] = -1.0 + over_db
    phase = 2.0 * np.pi * 997.0 * np.arange(len(level)) / RATE
    frames = np.repeat((10.0 ** (level / 20.0) * np.sin(phase))[:, None], 2, axis=1).astype(np.float32)
    as_is = limit(frames, RATE, ceiling_db=-1.0, release_ms=5.0).frames
    result = plan_signal(InMemory(frames, RATE), STEREO, loudness_elsewhere(as_is, RATE), -1.0, release_ms=5.0)
    setting = existing(result.true_peak_limiter)
    work = setting.gain_reduction
    assert work is not None
    assert setting.gain_db == pytest.approx(0.0, abs=0.05)
    assert work.gain_reduction_max_db == pytest.approx(6.0, abs=0.1)
    assert work.gain_reduction_p95_db == pytest.approx(0.0, abs=0.1)  # 0.9 of 20 s is less than 5 %
    assert work.active_percent == pytest.approx(100.0 * 0.9 / 20.0, abs=1.0)  # the release adds some
    assert 3.0 < work.gain_reduction_mean_db < 4.1
    assert [place.gain_reduction_db for place in work.worst] == pytest.approx([6.0, 4.0, 2.0], abs=0.1)
    for place, start in zip(work.worst, (9.0, 14.0, 5.0), strict=True):
        assert start - 0.01 <= place.at_s <= start + 0.31
    assert len(work.curve_db) == 2_000
    assert "0:09." in next(line for line in summary(result) if "limits hardest" in line)


def test_silence_around_the_music_does_not_make_the_limiter_look_idle() -> None:
    # The gain that costs 3 dB at the 95th percentile of the time is a matter of the music alone.
    frames = band(6.0)
    silence = np.zeros((10 * RATE, 2), np.float32)
    alone, surrounded = (
        existing(plan_signal(InMemory(each, RATE), STEREO, None, -1.0).true_peak_affordable)
        for each in (frames, np.concatenate([silence, frames, silence]))
    )
    assert surrounded.gain_db == pytest.approx(alone.gain_db, abs=0.05)
    assert surrounded.gain_reduction is not None
    assert alone.gain_reduction is not None
    assert surrounded.gain_reduction.active_percent == pytest.approx(alone.gain_reduction.active_percent, abs=1.0)
    assert surrounded.gain_reduction.worst[0].at_s == pytest.approx(
        alone.gain_reduction.worst[0].at_s + 10.0, abs=0.011
    )


def test_playback_turns_down_and_keeps_the_plr() -> None:
    result = plan_signal(InMemory(band(6.0), RATE), STEREO, -11.0, -1.0, playback_lufs=-14.0)
    for setting in both(result):
        assert setting.playback is not None
        assert setting.playback.gain_db == pytest.approx(-3.0, abs=0.05)
        assert setting.playback.plr_lu == setting.result.plr_lu
        assert setting.playback.true_peak_dbtp == pytest.approx(-4.0, abs=0.15)
    quiet = plan_signal(InMemory(sine(-20.0), RATE), STEREO, -18.0, -1.0, playback_lufs=-14.0)
    assert "turned up by 4.0 dB if the player turns up at all" in summary(quiet)[-1]


# Handing it over.


def test_json_and_lines() -> None:
    result = plan_signal(InMemory(band(6.0), RATE), STEREO, -10.0, -1.0, playback_lufs=-14.0)
    text = json.dumps(result.to_dict(), allow_nan=False)
    read = json.loads(text)
    assert read["true_peak_limiter"]["ceiling_dbtp"] == -1.0
    assert read["true_peak_limiter"]["ceiling_dbfs"] is None
    assert read["sample_peak_limiter"]["ceiling_dbfs"] == ceiling(both(result)[1])
    assert read["true_peak_limiter"]["gain_reduction"]["worst"][0].keys() == {"at_s", "gain_reduction_db"}
    assert "curve_db" not in text
    lines = summary(result)
    assert any(re.fullmatch(r"true-peak limiter: ceiling -1\.0 dBTP, gain \+\d+\.\d dB", line) for line in lines)
    assert any(re.fullmatch(r"sample-peak limiter: ceiling -\d\.\d dBFS, gain \+\d+\.\d dB", line) for line in lines)
    assert not any("nan" in line or "None" in line or "inf" in line for line in lines)


def test_input_untouched() -> None:
    frames = band(3.0)
    kept = frames.copy()
    frames.flags.writeable = False
    plan_signal(InMemory(frames, RATE), STEREO, -12.0, -1.0)
    assert np.array_equal(frames, kept)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"weights": (1.0,)}, "1 weights for 2 channels"),
        ({"target_lufs": math.inf}, "target_lufs"),
        ({"target_lufs": -70.0}, "absolute gate"),
        ({"tp_limit_dbtp": math.nan}, "tp_limit_dbtp"),
        ({"playback_lufs": -math.inf}, "playback_lufs"),
        ({"max_gain_reduction_db": 0.0}, "max_gain_reduction_db"),
        ({"release_ms": 0.0}, "release_ms"),
    ],
)
def test_bad_arguments_are_named(arguments: dict[str, Any], message: str) -> None:
    sound: dict[str, Any] = {
        "signal": InMemory(sine(-20.0), RATE),
        "weights": STEREO,
        "target_lufs": -14.0,
        "tp_limit_dbtp": -1.0,
    }
    with pytest.raises(ValueError, match=message):
        plan_signal(**(sound | arguments))


# Real music.


def another_limiter(
    frames: NDArray[Any], rate: int, gain_db: float, ceiling_db: float, see_between: bool
) -> NDArray[np.float64]:
    """A limiter of another make: 5 ms Hann look-ahead, release by 20 dB a second and 40 ms of hold, in dB.

    (Common practice as well, but nothing in it is as in limiter.py.)
    """
    x = frames.astype(np.float64) * linear(gain_db)
    peaks = np.abs(x).max(axis=1)
    if see_between:
        fine = np.abs(resample(x, 4 * len(x))).max(axis=1)
        peaks = maximum_filter1d(fine, 7)[::4]
    ahead = round(0.005 * rate)
    over = np.maximum(20.0 * np.log10(np.maximum(peaks, 1e-9)) - ceiling_db, 0.0)
    held = maximum_filter1d(over, 2 * ahead + 1)
    now, fall, falling = 0.0, 20.0 / rate, []
    for value in held.tolist():
        now = max(value, now - fall)
        falling.append(now)
    window = np.hanning(2 * ahead + 1)
    reduction = np.convolve(falling, window / window.sum(), mode="same")
    return np.asarray(np.clip(x * (10.0 ** (-reduction / 20.0))[:, None], -linear(ceiling_db), linear(ceiling_db)))


@pytest.fixture(scope="module", params=["frontiers", "machine_wars", "time_to_strike"])
def music(request: pytest.FixtureRequest) -> tuple[NDArray[np.float32], int]:
    path = MUSIC / f"{request.param}.mp3"
    if not path.exists():
        pytest.skip("needs the Debian package asc-music")
    with soundfile.SoundFile(path) as file:
        file.seek(60 * file.samplerate)
        frames = file.read(30 * file.samplerate, dtype="float32", always_2d=True)
        # Decoded MP3 passes full scale; a premaster has its peaks at -6 dBFS (common practice).
        return frames * np.float32(linear(-6.0) / np.abs(frames).max()), file.samplerate


def printed(lines: list[str], name: str) -> tuple[float, float]:
    """Ceiling and gain as a person reads them off the screen."""
    for line in lines:
        if found := re.fullmatch(rf"{name}: ceiling (\S+) dB\w+, gain (\S+) dB", line):
            return float(found[1]), float(found[2])
    raise AssertionError(f"no {name} in {lines}")


def test_music_simulated_again(music: tuple[NDArray[np.float32], int]) -> None:
    frames, rate = music
    plain = existing(plan_signal(InMemory(frames, rate), STEREO, None, -1.0).plain)
    target = round(lufs(plain) + 2.0, 1)
    result = plan_signal(InMemory(frames, rate), STEREO, target, -1.0)
    assert result.need == "limiter"
    for setting, mode in zip(both(result), MODES, strict=True):
        out = limit(frames, rate, gain_db=setting.gain_db, ceiling_db=ceiling(setting), detection=mode).frames
        assert loudness_elsewhere(out, rate) == pytest.approx(target, abs=0.02)
        assert true_peak_elsewhere(out) <= -1.0 + 0.01
        # What a person reads off the screen, set on a limiter of another make.
        ceiling_db, gain_db = printed(summary(result), mode.replace("_", "-") + " limiter")
        other = another_limiter(frames, rate, gain_db, ceiling_db, mode == "true_peak")
        assert loudness_elsewhere(other, rate) == pytest.approx(target, abs=0.25)


def test_music_by_another_limiter_at_the_dearest_setting(music: tuple[NDArray[np.float32], int]) -> None:
    # Limiters differ more, the harder they work; 3 dB at the 95th percentile is the most a plan recommends.
    frames, rate = music
    result = plan_signal(InMemory(frames, rate), STEREO, None, -1.0)
    for found, mode in zip((result.true_peak_affordable, result.sample_peak_affordable), MODES, strict=True):
        setting = existing(found)
        other = another_limiter(frames, rate, round(setting.gain_db, 1), ceiling(setting), mode == "true_peak")
        assert loudness_elsewhere(other, rate) == pytest.approx(lufs(setting), abs=0.5)
