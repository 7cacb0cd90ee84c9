"""The limiter against its own definition written out in NumPy, closed forms, and SciPy's interpolation."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, resample, sosfiltfilt

from master_check.limiting.limiter import CURVE_STEP_S, Detection, InMemory, Limiter, limit
from master_check.meters.true_peak import true_peak

RATE = 48_000
MODES: tuple[Detection, ...] = ("sample_peak", "true_peak")
PROBE = 1e-3
"""Level of a channel that never asks for gain reduction itself: divided out again, it shows the gain."""


def linear(db: float) -> float:
    return float(10.0 ** (db / 20.0))


def drums(seconds: float, seed: int = 1, channels: int = 2, rate: int = RATE) -> NDArray[np.float32]:
    """Noise bursts of random level and decay over a quiet bed: peaks far above the average, all treble."""
    random = np.random.default_rng(seed)
    n = round(seconds * rate)
    out = 0.05 * random.standard_normal((n, channels))
    for start in range(0, n, rate // 5):
        time = np.arange(min(n - start, rate // 2)) / rate
        hit = random.standard_normal((len(time), channels)) * np.exp(-time / random.uniform(0.005, 0.1))[:, None]
        out[start : start + len(time)] += random.uniform(0.1, 0.5) * hit
    return out.astype(np.float32)


def hard_signals() -> dict[str, NDArray[np.float64]]:
    random = np.random.default_rng(7)
    n = RATE // 2
    clicks = np.zeros((n, 2))
    clicks[random.integers(0, n, 40), random.integers(0, 2, 40)] = random.uniform(-9.0, 9.0, 40)
    square = np.sign(np.sin(2.0 * np.pi * 3_001.0 * np.arange(n) / RATE))
    ends = np.zeros((n, 2))
    ends[0], ends[-1] = 4.0, -4.0
    return {
        "white noise": random.standard_normal((n, 2)),
        "clicks": clicks,
        "square": np.stack([square, 0.3 * square], axis=1),
        "alternating full scale": np.tile([[1.0], [-1.0]], (n // 2, 2)),
        "constant": np.full((n, 1), 0.9),
        "first and last sample": ends,
        "drums, six channels": drums(0.5, channels=6).astype(np.float64),
        "one sample": np.array([[3.0, -2.0]]),
        "steps of level": np.repeat(random.uniform(-3.0, 3.0, (n // 100, 2)), 100, axis=0),
    }


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("name", hard_signals())
def test_never_above_the_ceiling(name: str, mode: Detection, dtype: type) -> None:
    # A brick wall by definition: no tolerance, whatever the dtype rounds to.
    frames: NDArray[Any] = hard_signals()[name].astype(dtype)
    for gain_db, ceiling_db in ((0.0, -1.0), (12.0, -0.3), (40.0, -2.0), (-6.0, 0.0)):
        out = limit(frames, RATE, gain_db=gain_db, ceiling_db=ceiling_db, detection=mode).frames
        assert out.dtype == frames.dtype
        assert out.shape == frames.shape
        assert np.isfinite(out).all()
        assert np.abs(out).astype(np.float64).max() <= linear(ceiling_db)
        if mode == "true_peak":
            assert true_peak(out).max() <= linear(ceiling_db)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    gain_db=st.floats(-12.0, 36.0),
    ceiling_db=st.floats(-24.0, 0.0),
    look_ahead_ms=st.floats(0.01, 20.0),
    release_ms=st.floats(0.1, 1000.0),
    rate=st.sampled_from([8_000, 44_100, 48_000, 96_000]),
)
def test_never_above_the_ceiling_whatever_the_settings(
    seed: int, gain_db: float, ceiling_db: float, look_ahead_ms: float, release_ms: float, rate: int
) -> None:
    frames = drums(0.2, seed, rate=rate)
    for mode in MODES:
        out = limit(
            frames,
            rate,
            gain_db=gain_db,
            ceiling_db=ceiling_db,
            detection=mode,
            look_ahead_ms=look_ahead_ms,
            release_ms=release_ms,
        ).frames
        assert np.abs(out).astype(np.float64).max() <= linear(ceiling_db)
        if mode == "true_peak":
            assert true_peak(out).max() <= linear(ceiling_db)


def test_true_peak_by_another_interpolator() -> None:
    # scipy.signal.resample is exact (Fourier) interpolation of the padded signal, 4x as in ITU-R BS.1770-5,
    # Annex 2. The tolerance, 0.02 dB, is a tenth of what EBU Tech 3341 allows a true-peak meter upwards.
    band = butter(8, 0.85, output="sos")
    frames = sosfiltfilt(band, drums(4.0, 3), axis=0).astype(np.float32)
    for gain_db in (6.0, 12.0, 20.0):
        out = limit(frames, RATE, gain_db=gain_db, ceiling_db=-1.0).frames.astype(np.float64)
        padded = np.pad(out, ((4_000, 4_000), (0, 0)))
        assert np.abs(resample(padded, 4 * len(padded))).max() <= linear(-1.0 + 0.02)


def test_sample_peak_mode_leaves_true_peaks_over() -> None:
    # The reason for two modes: fs/4 at 45 degrees has its true peaks 3.01 dB above its samples (as in EBU
    # Tech 3341, signal 16), so a limiter that sees samples only lets them pass.
    tone = np.sin(2.0 * np.pi * np.arange(RATE) / 4.0 + np.pi / 4.0)[:, None]
    by_samples = limit(tone, RATE, ceiling_db=-6.0, detection="sample_peak").frames
    by_true_peaks = limit(tone, RATE, ceiling_db=-6.0, detection="true_peak").frames
    middle = slice(RATE // 4, -RATE // 4)
    assert 20.0 * np.log10(true_peak(by_samples[middle]).max()) > -3.1
    assert np.abs(by_samples[middle]).max() == pytest.approx(linear(-6.0), rel=1e-6)
    assert np.abs(by_true_peaks[middle]).max() == pytest.approx(linear(-6.0 - 3.01), rel=2e-3)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("mode", MODES)
def test_nothing_changes_below_the_threshold(mode: Detection, dtype: type) -> None:
    frames: NDArray[Any] = drums(1.0).astype(dtype)
    frames *= dtype(0.5 / true_peak(frames.astype(np.float32)).max())
    limited = limit(frames, RATE, ceiling_db=-5.8, detection=mode)
    assert np.array_equal(limited.frames, frames)
    assert not limited.gain_reduction_db.any()
    assert limited.detector_ceiling_db == -5.8


@pytest.mark.parametrize("mode", MODES)
def test_only_the_reach_of_a_peak_changes(mode: Detection) -> None:
    # Bit for bit: before the peak nothing beyond the look-ahead (and half the detector's width), after it
    # nothing once the release is over: exp(-t / release) = 1e-5 after 11.5 release times.
    frames = 0.2 * drums(3.0)
    frames *= np.float32(0.5) / np.abs(frames).max()
    at = RATE
    frames[at] = 1.0
    limited = limit(frames, RATE, ceiling_db=-1.0, detection=mode, look_ahead_ms=2.0, release_ms=50.0).frames
    changed = np.flatnonzero((limited != frames).any(axis=1))
    assert at - 96 - 24 <= changed[0] < at
    assert at < changed[-1] <= at + 11.6 * 0.05 * RATE
    assert changed[-1] > at + 5 * 0.05 * RATE


@pytest.mark.parametrize("mode", MODES)
def test_image_kept(mode: Detection) -> None:
    frames = drums(1.0, channels=3).astype(np.float64)
    frames[:, 1] *= -0.01
    frames[:, 2] = 0.0
    out = limit(frames, RATE, gain_db=15.0, detection=mode).frames
    np.testing.assert_allclose(out[:, 0] * frames[:, 1], out[:, 1] * frames[:, 0], rtol=1e-6, atol=1e-12)
    assert not out[:, 2].any()


def probed(signal: NDArray[Any], **arguments: Any) -> NDArray[np.float64]:
    """The limiter's gain at every sample, seen on a quiet constant channel beside the signal."""
    frames = np.stack([signal.astype(np.float64), np.full(len(signal), PROBE)], axis=1)
    return np.asarray(limit(frames, RATE, **arguments).frames[:, 1] / PROBE)


def test_gain_is_the_definition_written_out() -> None:
    # The docstring of limiter.py, literally and slowly: needed gain; lowest of the look-ahead; exponential
    # release; triangular-like weights (two averages). The weights' sum is 1 and each is met by look-ahead.
    signal = 4.0 * drums(0.3, 5)[:, 0].astype(np.float64)
    ahead, release, ceiling = 96, 0.03, linear(-3.0)
    got = probed(signal, ceiling_db=-3.0, detection="sample_peak", look_ahead_ms=2.0, release_ms=30.0)
    peaks = np.concatenate([np.zeros(ahead), np.maximum(np.abs(signal), PROBE), np.zeros(ahead)])
    held = [peaks[n : n + ahead + 1].max() for n in range(len(signal) + ahead)]
    gain, gains = 1.0, []
    for level in held:
        gain = min(1.0 - (1.0 - gain) * math.exp(-1.0 / (release * RATE)), ceiling / max(level, ceiling))
        gains.append(gain)
    weights = np.convolve(np.full(ahead // 2 + 1, 1.0), np.full(ahead // 2 + 1, 1.0))
    expected = np.convolve(gains, weights / weights.sum(), mode="valid")
    assert expected.min() < 0.7  # it has something to do
    # 1e-5 is where the release is cut off; the curve is kept as float32.
    np.testing.assert_allclose(got, expected, atol=1.2e-5)
    assert (got * np.abs(signal) <= ceiling * (1.0 + 2e-7)).all()


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("look_ahead_ms", [1.0, 2.0, 5.0])
def test_gain_curve_is_smooth(mode: Detection, look_ahead_ms: float) -> None:
    # Two averages of half the look-ahead each: one step moves by at most 1 / half of the deepest reduction,
    # and the change of the step by twice that over half again.
    signal = 4.0 * drums(1.0, 9)[:, 0]
    gain = probed(signal, detection=mode, look_ahead_ms=look_ahead_ms)
    half = 1e-3 * look_ahead_ms * RATE / 2.0
    deepest = 1.0 - gain.min()
    assert deepest > 0.5
    assert np.abs(np.diff(gain)).max() <= deepest / half
    assert np.abs(np.diff(gain, 2)).max() <= 2.0 * deepest / half**2 + 1e-6  # 1e-6: the curve is float32


def test_release_time() -> None:
    # Closed form: after the peak the reduction decays as exp(-t / release), so a release time apart it is in
    # the ratio e. (Both averages of an exponential are the exponential again.)
    signal = np.full(RATE, 0.01)
    signal[1_000] = 1.0
    reduction = 1.0 - probed(signal, ceiling_db=-6.0, detection="sample_peak", release_ms=60.0)
    apart = round(0.060 * RATE)
    assert reduction[2_000] / reduction[2_000 + apart] == pytest.approx(math.e, rel=1e-4)
    assert reduction[1_000] == pytest.approx(1.0 - linear(-6.0), abs=2e-3)


def test_steady_tone_gets_the_needed_gain() -> None:
    # 997 Hz: peaks every 24 samples, within every look-ahead, so the gain settles at ceiling / peak. 0.5 % is
    # the release between two look-aheads and the peak falling between samples.
    tone = 0.5 * np.sin(2.0 * np.pi * 997.0 * np.arange(RATE) / RATE)
    gain = probed(tone, gain_db=9.0, ceiling_db=-1.0, detection="true_peak")[RATE // 2 :] / linear(9.0)
    assert gain == pytest.approx(np.full(gain.shape, linear(-1.0) / (0.5 * linear(9.0))), rel=5e-3)


@pytest.mark.parametrize("mode", MODES)
def test_more_gain_never_makes_a_sample_smaller(mode: Detection) -> None:
    # Follows from the definition: gain x curve rises with the gain at every stage. What the solver relies on.
    before = np.zeros((RATE, 2), np.float32)
    with Limiter(InMemory(drums(1.0), RATE), mode) as limiter:
        for gain_db in np.arange(0.0, 30.0, 3.0):
            after = np.empty_like(before)
            limiter.shape(float(gain_db), -1.0, after)
            assert (np.abs(after) >= np.abs(before) * (1.0 - 1e-6)).all()
            before = after


def test_curve_reports_the_deepest_of_each_step() -> None:
    signal = drums(1.234, 4)[:, 0]
    gain = probed(signal, ceiling_db=-6.0, detection="sample_peak")
    frames = np.stack([signal, np.full(len(signal), PROBE, np.float32)], axis=1)
    reported = limit(frames, RATE, ceiling_db=-6.0, detection="sample_peak").gain_reduction_db
    step = round(CURVE_STEP_S * RATE)
    expected = [-20.0 * math.log10(gain[at : at + step].min()) for at in range(0, len(gain), step)]
    assert reported == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("mode", MODES)
def test_silence(mode: Detection) -> None:
    limited = limit(np.zeros((1_000, 2), np.float32), RATE, gain_db=60.0, detection=mode)
    assert not limited.frames.any()
    assert not limited.gain_reduction_db.any()


def test_input_untouched_and_result_repeatable() -> None:
    frames = drums(0.5)
    kept = frames.copy()
    frames.flags.writeable = False
    first, again = np.empty_like(frames), np.empty_like(frames)
    with Limiter(InMemory(frames, RATE), "true_peak") as limiter:
        limiter.shape(12.0, -1.0, first)
        limiter.shape(30.0, -6.0, again)
        limiter.shape(12.0, -1.0, again)
    assert np.array_equal(frames, kept)
    assert np.array_equal(first, again)


@pytest.mark.parametrize(
    ("frames", "arguments", "message"),
    [
        (np.zeros(10, np.float32), {}, "channels"),
        (np.zeros((0, 2), np.float32), {}, "empty"),
        (np.zeros((9, 2), np.int16), {}, "int16"),
        (np.full((9, 2), np.nan, np.float32), {}, "NaN"),
        (np.full((9, 2), np.inf), {}, "infinity"),
        (np.zeros((9, 2)), {"rate": 0}, "rate"),
        (np.zeros((9, 2)), {"look_ahead_ms": 0.0}, "look_ahead_ms"),
        (np.zeros((9, 2)), {"look_ahead_ms": 101.0}, "look_ahead_ms"),
        (np.zeros((9, 2)), {"release_ms": -1.0}, "release_ms"),
        (np.zeros((9, 2)), {"release_ms": math.nan}, "release_ms"),
        (np.zeros((9, 2)), {"detection": "rms"}, "rms"),
    ],
)
def test_bad_arguments_are_named(frames: NDArray[Any], arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        limit(frames, **{"rate": RATE, **arguments})
