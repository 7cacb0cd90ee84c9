"""Alignment against planted offsets, polarity, gain and rates; what is no pair is turned away. Truth is constructed."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.pair.align import PairError, align

MUSIC = Path("/usr/share/games/asc/music")  # Debian package asc-music
RATE = 22_050


def excerpt(song: str, start_s: float, seconds: float) -> NDArray[np.float64]:
    path = MUSIC / f"{song}.mp3"
    if not path.exists():
        pytest.skip("Debian package asc-music is not installed")
    frames, _ = soundfile.read(path, start=int(start_s * RATE), frames=int(seconds * RATE))
    return np.asarray(frames * 0.5)


@pytest.fixture(scope="module")
def song() -> NDArray[np.float64]:
    return excerpt("time_to_strike", 60.0, 20.0)


def mastered(frames: NDArray[Any]) -> NDArray[Any]:
    """Equalised (a zero-phase tilt), a decibel or two of slow gain, 6 dB louder, tops clipped."""
    tilt = scipy.signal.firwin2(255, [0, 0.02, 0.3, 1], [1.3, 1.0, 1.0, 1.4])
    equalised = scipy.signal.oaconvolve(frames, tilt[:, None], axes=0)[127 : 127 + len(frames)]
    gain = 1.0 - 0.15 * np.sin(np.arange(len(frames)) / RATE * 2.0) ** 2
    return np.asarray(np.clip(2.0 * equalised * gain[:, None], -0.7, 0.7))


@pytest.mark.parametrize("offset", [0, 1, 12_345, -777, 5 * RATE, -5 * RATE])
def test_offset_and_polarity_of_a_mastered_copy(song: NDArray[np.float64], offset: int) -> None:
    master = -mastered(song)
    master = np.concatenate([np.zeros((offset, 2)), master]) if offset >= 0 else master[-offset:]
    found, before, after = align(song, RATE, master, RATE)
    assert found.offset_samples == pytest.approx(offset, abs=0.1)
    assert found.inverted
    assert found.coherence > 0.8
    assert before.shape == after.shape
    # Laid over each other they differ by what mastering did, and no more.
    assert np.corrcoef(before[:, 0], after[:, 0])[0, 1] > 0.95


@pytest.mark.parametrize("fraction", [0.25, 7.5, -3.3])
def test_fractions_of_a_sample(song: NDArray[np.float64], fraction: float) -> None:
    # A delay in the frequency domain is exact for what is band-limited; the ends are faded so that nothing wraps.
    fade = np.minimum(1.0, np.minimum(np.arange(len(song)), np.arange(len(song))[::-1]) / RATE)[:, None]
    spectrum = np.fft.rfft(song * fade, axis=0)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(song)) * fraction)[:, None]
    delayed = np.fft.irfft(spectrum * turn, len(song), axis=0)
    found, before, after = align(song * fade, RATE, delayed, RATE)
    assert found.offset_samples == pytest.approx(fraction, abs=0.02)
    rest = after[RATE:-RATE] - before[RATE:-RATE]
    assert 10 * np.log10(np.sum(rest**2) / np.sum(after**2)) < -35.0


def test_gain_is_that_of_the_copy(song: NDArray[np.float64]) -> None:
    found, _, _ = align(song, RATE, song * 10 ** (-7.3 / 20), RATE)
    assert found.gain_db == pytest.approx(-7.3, abs=1e-6)
    assert not found.inverted
    assert found.coherence == pytest.approx(1.0, abs=1e-6)


def test_another_sample_rate(song: NDArray[np.float64]) -> None:
    piece = song[: 8 * RATE]
    master = scipy.signal.resample_poly(piece, 2, 1, axis=0)
    found, _, after = align(piece, RATE, master, 2 * RATE)
    assert found.offset_samples == pytest.approx(0.0, abs=0.2)
    assert (found.rate, found.premaster_rate) == (2 * RATE, RATE)
    assert found.coherence > 0.95
    assert len(after) == pytest.approx(len(master), abs=2)


def test_another_song_is_no_pair(song: NDArray[np.float64]) -> None:
    with pytest.raises(PairError, match="do not belong together"):
        align(song, RATE, excerpt("frontiers", 60.0, 20.0), RATE)


def test_another_part_of_the_song_is_no_pair() -> None:
    with pytest.raises(PairError, match="do not belong together"):
        align(excerpt("time_to_strike", 60.0, 20.0), RATE, excerpt("time_to_strike", 120.0, 20.0), RATE)


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (np.ones((RATE * 2, 1)), np.ones((RATE * 2, 2)), "1 channels, the master 2"),
        (np.zeros((RATE * 2, 2)), np.ones((RATE * 2, 2)), "the premaster is digital silence"),
        (np.ones((RATE * 2, 2)), np.zeros((RATE * 2, 2)), "the master is digital silence"),
        (np.ones((RATE // 2, 2)), np.ones((RATE * 2, 2)), "the premaster is shorter than 1 s"),
    ],
)
def test_what_cannot_be_compared_is_said_in_a_line(first: Any, second: Any, words: str) -> None:
    with pytest.raises(PairError, match=words) as caught:
        align(first, RATE, second, RATE)
    assert "\n" not in str(caught.value)
