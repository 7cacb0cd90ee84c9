"""The single-file estimate: nothing on music as it is, more with every step of drive, whatever the gain.

No standard defines the figure; what is held here is its definition and what its users rely on. The drives are tanh
curves whose harmonic distortion is computed for a sine at the side's own peak.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from master_check.meters.pinned import pinned_percent

MUSIC = Path("/usr/share/games/asc/music")  # Debian package asc-music
SONGS = ("frontiers", "time_to_strike")  # machine_wars is clipped as it comes

Samples = NDArray[np.float64]


def tops(samples: Samples, rate: int) -> NDArray[np.float32]:
    hop = rate // 100
    whole = samples[: len(samples) // hop * hop]
    return np.asarray(np.abs(whole).reshape(-1, hop).max(axis=1), np.float32)


def thd_percent(drive: float, peak: float) -> float:
    wave = np.tanh(drive * peak * np.sin(2 * np.pi * np.arange(4096) / 4096))
    harmonics = np.abs(np.fft.rfft(wave))
    return float(100 * np.sqrt((harmonics[2:1000] ** 2).sum()) / harmonics[1])


def driven(samples: Samples, percent: float) -> Samples:
    peak = float(np.quantile(np.abs(samples), 0.9999))
    drive = brentq(lambda k: thd_percent(k, peak) - percent, 1e-3 / peak, 50 / peak)
    return np.asarray(np.tanh(drive * samples) / drive)


def clipped(samples: Samples, decibels: float) -> Samples:
    ceiling = np.abs(samples).max() * 10 ** (-decibels / 20)
    return np.asarray(np.clip(samples, -ceiling, ceiling))


@pytest.fixture(scope="module", params=[(song, side) for song in SONGS for side in ("left", "right", "mid", "side")])
def music(request: pytest.FixtureRequest) -> tuple[Samples, int]:
    song, side = request.param
    path = MUSIC / f"{song}.mp3"
    if not path.exists():
        pytest.skip("Debian package asc-music is not installed")
    frames, rate = soundfile.read(path, start=60 * 22050, frames=60 * 22050)
    left, right = frames.T
    return {"left": left, "right": right, "mid": (left + right) / 2, "side": (left - right) / 2}[side], rate


def read(samples: Samples, rate: int) -> float:
    found = pinned_percent(tops(samples, rate))
    assert found is not None
    return found


def test_music_as_it_is_reads_nothing(music: tuple[Samples, int]) -> None:
    assert read(*music) == 0.0


def test_clipping_is_ranked(music: tuple[Samples, int]) -> None:
    samples, rate = music
    readings = [read(clipped(samples, decibels), rate) for decibels in (0, 0.5, 1, 2, 3, 6, 9)]
    assert readings == sorted(readings)
    assert 0.5 < readings[4] < readings[5] < readings[6]


def test_soft_drives_are_ranked_as_far_as_they_show(music: tuple[Samples, int]) -> None:
    samples, rate = music
    readings = [read(driven(samples, percent), rate) for percent in (1, 2, 5, 10, 20)]
    assert readings == sorted(readings)
    assert readings[-1] > 2.0


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-60, 20), seed=st.integers(0, 9))
def test_gain_moves_nothing(gain_db: float, seed: int) -> None:
    # Powers of two scale floats exactly, so that no moment falls to the other side of a limit by rounding.
    gain = 2.0 ** round(gain_db / 6)
    heights = np.random.default_rng(seed).rayleigh(0.1, 2000).clip(0, 0.3).astype(np.float32)
    assert pinned_percent(heights * np.float32(gain)) == pinned_percent(heights)


def test_definition_by_hand() -> None:
    # 1000 moments play, 505 of them within a decibel of the highest: (0.505 - 0.01) / 0.99 = 50 %. 800 are silent.
    heights = np.concatenate([np.full(505, 1.0), np.full(495, 0.8), np.full(800, 0.009)]).astype(np.float32)
    assert pinned_percent(heights) == pytest.approx(50.0)


def test_nothing_to_tell_from() -> None:
    assert pinned_percent(np.zeros(1000, np.float32)) is None
    assert pinned_percent(np.ones(99, np.float32)) is None
    assert pinned_percent(np.zeros(0, np.float32)) is None
