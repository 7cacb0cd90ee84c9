"""Saturation from a pair, on real music with known processing: found where it was, and nowhere else.

The true figure of a drive is the distortion that its own curve gives a sine at the side's peak level (what one sample
in ten thousand exceeds), computed here from the curve itself.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray
from scipy.optimize import brentq

from master_check.saturation.curve import thd_percent
from master_check.saturation.pair import PairSaturation, pair_saturation

MUSIC = Path("/usr/share/games/asc/music/time_to_strike.mp3")  # Debian package asc-music
RATE = 22_050

Frames = NDArray[np.float64]


@pytest.fixture(scope="module")
def premaster() -> Frames:
    if not MUSIC.exists():
        pytest.skip("Debian package asc-music is not installed")
    frames, _ = soundfile.read(MUSIC, start=60 * RATE, frames=30 * RATE)
    return np.asarray(frames * 0.5)


def sine_thd(curve: Callable[[Frames], Frames], peak: float) -> float:
    harmonics = np.abs(np.fft.rfft(curve(peak * np.sin(2 * np.pi * np.arange(8192) / 8192))))
    return float(100 * np.sqrt(np.sum(harmonics[2:2000] ** 2)) / harmonics[1])


def tanh_of(signal: Frames, percent: float) -> Frames:
    """`signal` through the tanh that distorts a sine at its peak level by so much; small signals are left alone."""
    peak = float(np.quantile(np.abs(signal), 0.9999))
    drive = brentq(lambda k: sine_thd(lambda x: np.tanh(k * x), peak) - percent, 1e-3 / peak, 50 / peak)
    return np.asarray(np.tanh(drive * signal) / drive)


def driven(frames: Frames, sides: str, percent: float) -> Frames:
    left, right = frames.T
    if sides in ("left", "both"):
        left = tanh_of(left, percent)
    if sides in ("right", "both"):
        right = tanh_of(right, percent)
    middle, side = (left + right) / 2, (left - right) / 2
    if sides == "mid":
        middle = tanh_of(middle, percent)
    if sides == "side":
        side = tanh_of(side, percent)
    return np.column_stack([middle + side, middle - side])


def equalised(frames: Frames) -> Frames:
    """A causal equaliser: high-pass at 28 Hz, a dip at 300 Hz, a lift above 8 kHz."""
    out = scipy.signal.sosfilt(scipy.signal.butter(2, 28, "highpass", fs=RATE, output="sos"), frames, axis=0)
    b, a = scipy.signal.iirpeak(300, 1.0, fs=RATE)
    out = out - 0.2 * scipy.signal.lfilter(b, a, out, axis=0)
    high = scipy.signal.butter(1, 8000, "highpass", fs=RATE, output="sos")
    return np.asarray(out + 0.3 * scipy.signal.sosfilt(high, out, axis=0))


def compressed(frames: Frames) -> Frames:
    """2:1 above 3 dB under the RMS, attack 30 ms, release 150 ms, both channels alike."""
    level = np.abs(frames).max(axis=1)
    attack, release = (1 - np.exp(-1 / (seconds * RATE)) for seconds in (0.030, 0.150))
    smooth = np.empty_like(level)
    state = 0.0
    for i, value in enumerate(level):
        state += (attack if value > state else release) * (value - state)
        smooth[i] = state
    threshold = 20 * np.log10(np.sqrt(np.mean(frames**2))) - 3
    over = np.maximum(0.0, 20 * np.log10(smooth + 1e-9) - threshold)
    return np.asarray(frames * 10 ** (-over / 2 / 20)[:, None])


def percents(found: PairSaturation) -> dict[str, float]:
    assert all(side.thd_percent is not None for side in found.sides)
    return {side.side: float(side.thd_percent or 0.0) for side in found.sides}


@pytest.mark.parametrize("percent", [1, 2, 5, 10, 20])
def test_driven_sides_are_measured_and_the_middle_is_cleared(premaster: Frames, percent: float) -> None:
    found = pair_saturation(premaster, 1.6 * driven(premaster, "side", percent), RATE)
    read = percents(found)
    assert found.domain == "mid_side"
    assert read["side"] == pytest.approx(percent, rel=0.25)
    assert read["mid"] < 0.1


@pytest.mark.parametrize(
    ("sides", "own", "other"), [("left", "left", "right"), ("right", "right", "left"), ("mid", "mid", "side")]
)
def test_one_side_alone(premaster: Frames, sides: str, own: str, other: str) -> None:
    read = percents(pair_saturation(premaster, driven(premaster, sides, 5.0), RATE))
    assert read[own] == pytest.approx(5.0, rel=0.25)
    assert read[other] < 0.1


def test_both_channels(premaster: Frames) -> None:
    found = pair_saturation(premaster, driven(premaster, "both", 2.0), RATE)
    read = percents(found)
    assert found.domain == "left_right"
    assert read["left"] == pytest.approx(2.0, rel=0.25)
    assert read["right"] == pytest.approx(2.0, rel=0.25)


def test_gain_alone_is_no_saturation(premaster: Frames) -> None:
    assert max(percents(pair_saturation(premaster, -3.1 * premaster, RATE)).values()) < 0.1


def test_equalising_alone_is_no_saturation(premaster: Frames) -> None:
    assert max(percents(pair_saturation(premaster, equalised(premaster), RATE)).values()) < 0.1


def test_compression_alone_is_no_saturation(premaster: Frames) -> None:
    assert max(percents(pair_saturation(premaster, compressed(premaster), RATE)).values()) < 0.5


def test_a_whole_chain_tells_its_story(premaster: Frames) -> None:
    found = pair_saturation(premaster, driven(compressed(equalised(premaster)), "side", 5.0), RATE)
    read = percents(found)
    assert read["side"] == pytest.approx(5.0, rel=0.25)
    assert read["mid"] < 0.5


def test_hard_clipping_is_found_as_clipping(premaster: Frames) -> None:
    ceiling = 0.25
    found = pair_saturation(premaster, np.clip(premaster, -ceiling, ceiling), RATE)
    for name in ("left", "right"):
        side = next(each for each in found.sides if each.side == name)
        assert side.clip_dbfs == pytest.approx(20 * np.log10(ceiling), abs=0.2)


def test_distortion_of_a_curve_known_in_closed_form() -> None:
    # y = x - a x^3 of sin: the fundamental is 1 - 3 a / 4, the third harmonic a / 4; nothing else.
    a = 0.3
    assert thd_percent(lambda x: x - a * x**3) == pytest.approx(100 * (a / 4) / (1 - 3 * a / 4), rel=1e-9)
