"""From two files to what mastering did, in words. Truth is constructed: each master is made from its premaster."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from master_check.alignment.align import PairError
from master_check.pair.comparison import Comparison, compare
from master_check.report.wording.comparison import notes, summary
from tests.pair.processing import clipped, limiter_gain, shaped, tanh_of
from tests.signals import write

Floats = NDArray[np.float64]
RATE = 48_000


def music(seconds: float = 12.0) -> Floats:
    """Noise that swells and fades, sides quieter than the middle; peaks at half of full scale."""
    rng = np.random.default_rng(4)
    time = np.arange(int(seconds * RATE)) / RATE
    swell = 0.3 + np.abs(np.sin(2.1 * time)) ** 3
    middle, sides = (swell * rng.standard_normal(len(time)) for _ in range(2))
    frames = np.stack([middle + 0.4 * sides, middle - 0.4 * sides], axis=1)
    return np.asarray(0.5 * frames / np.abs(frames).max())


@pytest.fixture
def mastered(tmp_path: Path) -> Callable[[Floats, Floats], Comparison]:
    def run(premaster: Floats, master: Floats) -> Comparison:
        return compare(
            write(tmp_path / "premaster.wav", premaster, RATE, "FLOAT"),
            write(tmp_path / "master.wav", master, RATE, "FLOAT"),
        )

    return run


def line(found: Comparison, word: str) -> str:
    return next(line for line in summary(found) if word in line)


def test_two_equal_channels_are_both_told(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    frames = np.repeat(music()[:, :1], 2, axis=1)
    told = line(mastered(frames, np.tanh(4.0 * frames) / 4.0), "saturated")
    assert told.startswith("left saturated") and "right saturated" in told


def test_a_silent_channel_does_not_keep_the_other_from_being_told(
    mastered: Callable[[Floats, Floats], Comparison],
) -> None:
    frames = music() * [1.0, 0.0]
    found = mastered(frames, np.tanh(4.0 * frames) / 4.0)
    assert line(found, "saturated").startswith("left saturated")
    assert found.saturation.side("right").thd_percent is None


def test_clipping_is_told_where_the_file_has_it(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    """An offset before the clipper is in the level, as it is in the samples."""
    frames = music() + 0.02
    level = 0.35
    found = mastered(frames, np.clip(frames, -level, level))
    for side in ("left", "right"):
        assert found.saturation.side(side).clip_dbfs == pytest.approx(20.0 * np.log10(level), abs=0.01)
    assert "clipped at -9.1 dBFS" in line(found, "clipped")


def test_a_limiter_is_not_told_as_saturation(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    """On one signal in both channels, where nothing else tells a limiter from a curve."""
    frames = np.repeat(music()[:, :1], 2, axis=1)
    found = mastered(frames, frames * limiter_gain(frames, RATE, 6.0)[:, None])
    assert line(found, "saturation").startswith("no saturation found")
    assert not any(side.saturated for side in found.saturation.sides)


def test_saturated_sides_and_clipped_channels_are_both_told(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    frames = music()
    master = clipped(shaped(frames, lambda side: tanh_of(side, 3.0), "side"), 3.0)
    told = line(mastered(frames, master), "saturated")
    assert "sides saturated (3." in told or "sides saturated (2." in told
    level = 20.0 * np.log10(np.abs(master).max())
    assert f"left clipped at {level:.1f} dBFS" in told and f"right clipped at {level:.1f} dBFS" in told


def test_a_faint_curve_is_not_told_as_clipping(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    frames = music()
    master = shaped(frames, lambda signal: tanh_of(signal, 0.5), "both")
    assert all(side.clip_dbfs is None for side in mastered(frames, master).saturation.sides)


def test_an_encoded_master_is_said_to_be_one(tmp_path: Path) -> None:
    frames = music()
    encode = tmp_path / "master.mp3"
    soundfile.write(encode, frames, RATE)
    found = compare(write(tmp_path / "premaster.wav", frames, RATE, "FLOAT"), encode)
    assert "the master is a lossy encode: what its encoder changed is in these figures" in notes(found)


def test_levels_that_no_music_has_are_refused(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    frames = music()
    with pytest.raises(PairError, match="times full scale"):
        mastered(frames, 1e7 * frames)


def test_other_channels_cannot_be_compared(mastered: Callable[[Floats, Floats], Comparison]) -> None:
    with pytest.raises(PairError, match="the premaster has 1 channel, the master 2 channels"):
        mastered(music()[:, :1], music())
