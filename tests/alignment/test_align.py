"""Alignment against planted offsets, polarity, gain, rates, drift, faults of channels, and edits. Truth is constructed.

A master here is equalised, turned up and down slowly, and clipped; what is no pair is turned away.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.interpolate
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.alignment.align import Alignment, PairError, align
from master_check.alignment.edits import Edit
from master_check.alignment.views import Converted, Placed
from master_check.sound.kept import ArraySignal
from tests.conftest import MUSIC

RATE = 22_050
Floats = NDArray[np.float64]


def excerpt(song: str, start_s: float, seconds: float) -> Floats:
    path = Path(MUSIC) / f"{song}.mp3"
    if not path.exists():
        pytest.skip("Debian package asc-music is not installed")
    frames, _ = soundfile.read(path, start=int(start_s * RATE), frames=int(seconds * RATE))
    return np.asarray(frames * 0.5)


@pytest.fixture(scope="module")
def song() -> Floats:
    return excerpt("time_to_strike", 60.0, 20.0)


def aligned(
    premaster: Floats, master: Floats, premaster_rate: int = RATE, rate: int = RATE
) -> tuple[Alignment, Placed]:
    return align(ArraySignal(premaster, premaster_rate), ArraySignal(master, rate))


def mastered(frames: NDArray[Any]) -> Floats:
    """Equalised (a zero-phase tilt), a decibel or two of slow gain, 6 dB louder, tops clipped."""
    tilt = scipy.signal.firwin2(255, [0, 0.02, 0.3, 1], [1.3, 1.0, 1.0, 1.4])
    equalised = scipy.signal.oaconvolve(frames, tilt[:, None], axes=0)[127 : 127 + len(frames)]
    gain = 1.0 - 0.15 * np.sin(np.arange(len(frames)) / RATE * 2.0) ** 2
    return np.asarray(np.clip(2.0 * equalised * gain[:, None], -0.7, 0.7))


def late(frames: Floats, samples: int) -> Floats:
    """Later by so many samples; earlier, with its beginning lost, where negative."""
    return np.concatenate([np.zeros((samples, 2)), frames]) if samples >= 0 else frames[-samples:]


def faded(frames: Floats) -> Floats:
    """So that nothing wraps where a delay is made in the frequency domain."""
    ramp = np.arange(len(frames)) / RATE
    return np.asarray(frames * np.minimum(1.0, np.minimum(ramp, ramp[::-1]))[:, None])


def delayed(frames: Floats, samples: float) -> Floats:
    """Exact for what is band-limited."""
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(frames)) * samples)[:, None]
    return np.asarray(np.fft.irfft(np.fft.rfft(frames, axis=0) * turn, len(frames), axis=0))


def slowed(frames: Floats, ppm: float) -> Floats:
    """As from a clock that is slower by so much: a spline through eight points a sample."""
    dense = scipy.signal.resample_poly(frames, 8, 1, axis=0)
    at = np.arange(int((len(frames) - 1) * (1.0 + 1e-6 * ppm))) / (1.0 + 1e-6 * ppm)
    return np.asarray(scipy.interpolate.CubicSpline(np.arange(len(dense)), dense)(np.minimum(8.0 * at, len(dense) - 1)))


@pytest.mark.parametrize("offset", [0, 1, 12_345, -777, 5 * RATE, -5 * RATE])
def test_offset_and_polarity_of_a_mastered_copy(song: Floats, offset: int) -> None:
    master = -late(mastered(song), offset)
    found, placed = aligned(song, master)
    assert found.offset_samples == pytest.approx(offset, abs=0.1)
    assert found.inverted
    assert found.coherence > 0.8
    assert found.edits == ()
    # Laid over each other they differ by what mastering did, and no more.
    (line,) = placed.lines
    assert line.stop - line.start == pytest.approx(len(song) - max(-offset, 0), abs=1)
    before = placed.read(line.start, line.stop)
    assert np.corrcoef(before[:, 0], master[line.start : line.stop, 0])[0, 1] > 0.95


@pytest.mark.parametrize("fraction", [0.25, 7.5, -3.3])
def test_fractions_of_a_sample(song: Floats, fraction: float) -> None:
    found, placed = aligned(faded(song), delayed(faded(song), fraction))
    assert found.offset_samples == pytest.approx(fraction, abs=0.02)
    after = delayed(faded(song), fraction)[RATE:-RATE]
    rest = after - placed.read(RATE, len(song) - RATE)
    assert 10 * np.log10(np.sum(rest**2) / np.sum(after**2)) < -35.0


def test_gain_is_that_of_the_copy(song: Floats) -> None:
    found, placed = aligned(song, song * 10 ** (-7.3 / 20))
    assert found.gain_db == pytest.approx(-7.3, abs=1e-6)
    assert found.coherence == pytest.approx(1.0, abs=1e-6)
    assert not found.inverted
    assert np.array_equal(placed.read(0, len(song)), song.astype(np.float32))


@pytest.mark.parametrize(("up", "down", "rate"), [(2, 1, 2 * RATE), (160, 147, 24_000), (1, 2, RATE // 2)])
def test_another_sample_rate(song: Floats, up: int, down: int, rate: int) -> None:
    piece = song[: 8 * RATE]
    master = scipy.signal.resample_poly(piece, up, down, axis=0)
    found, placed = aligned(piece, master, RATE, rate)
    assert found.offset_samples == pytest.approx(0.0, abs=0.2)
    assert (found.rate, found.premaster_rate) == (rate, RATE)
    assert found.coherence > 0.95
    assert found.gain_db == pytest.approx(0.0, abs=0.1)
    assert placed.frames == len(master)


def test_a_rate_is_converted_alike_in_one_piece_or_many(song: Floats) -> None:
    converted = Converted(ArraySignal(song[: 2 * RATE], RATE), 48_000)
    whole = converted.read(0, converted.frames)
    pieces = [converted.read(at, min(at + 7_777, converted.frames)) for at in range(0, converted.frames, 7_777)]
    assert np.array_equal(np.concatenate(pieces), whole)
    # Against scipy's resampling in the frequency domain, which is exact for what is band-limited, away from the ends.
    exact = scipy.signal.resample(faded(song[: 2 * RATE]), converted.frames)
    mine = Converted(ArraySignal(faded(song[: 2 * RATE]), RATE), 48_000).read(0, converted.frames)
    assert 10 * np.log10(np.sum((mine - exact) ** 2) / np.sum(exact**2)) < -45.0


@pytest.mark.parametrize("ppm", [5.0, -20.0, 200.0])
def test_drift_is_told_and_undone(song: Floats, ppm: float) -> None:
    mix = faded(song[: 10 * RATE])
    master = slowed(mix, ppm)
    found, placed = aligned(mix, master)
    assert found.drift_ppm == pytest.approx(ppm, abs=0.1)
    assert found.offset_samples == pytest.approx(0.0, abs=0.05)
    (line,) = placed.lines
    after = master[line.start : line.stop]
    rest = after - placed.read(line.start, line.stop)
    assert 10 * np.log10(np.sum(rest**2) / np.sum(after**2)) < -35.0


def test_no_drift_is_made_up_where_there_is_none(song: Floats) -> None:
    assert aligned(song, mastered(song))[0].drift_ppm == 0.0


FAULTS: dict[str, tuple[Callable[[Floats], Floats], dict[str, Any]]] = {
    "none": (lambda m: m, {}),
    "swapped": (lambda m: m[:, ::-1], {"swapped": True}),
    "swapped and inverted": (lambda m: -m[:, ::-1], {"swapped": True, "inverted": True}),
    "left inverted": (lambda m: m * [-1.0, 1.0], {"inverted_channel": "left"}),
    "right inverted": (lambda m: m * [1.0, -1.0], {"inverted_channel": "right"}),
    "right late": (
        lambda m: np.stack([m[:, 0], np.roll(m[:, 1], 37)], axis=1),
        {"right_later_s": pytest.approx(37 / RATE, abs=0.1 / RATE)},
    ),
    "left late by a sample": (
        lambda m: np.stack([np.roll(m[:, 0], 1), m[:, 1]], axis=1),
        {"right_later_s": pytest.approx(-1 / RATE, abs=0.1 / RATE)},
    ),
    "mono": (lambda m: np.repeat(m.mean(axis=1, keepdims=True), 2, axis=1), {"folded": True}),
    "one channel": (lambda m: m.mean(axis=1, keepdims=True), {"folded": True}),
}


@pytest.mark.parametrize("width", [1.0, 0.03])
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_of_channels_are_told_and_undone(song: Floats, fault: str, width: float) -> None:
    """Also of a mix that is nearly mono, where left and right are hard to tell apart."""
    middle = song.mean(axis=1, keepdims=True)
    mix = middle + width * (song - middle)
    do, expected = FAULTS[fault]
    master = do(mastered(mix))
    found, placed = aligned(mix, master)
    normal = {"swapped": False, "inverted": False, "inverted_channel": None, "right_later_s": 0.0, "folded": False}
    assert {key: getattr(found, key) for key in normal} == normal | expected
    before, after = placed.read(RATE, 10 * RATE), master[RATE : 10 * RATE]
    assert before.shape == after.shape
    for channel in range(after.shape[1]):
        assert np.corrcoef(before[:, channel], after[:, channel])[0, 1] > 0.95


def test_a_silent_channel_is_no_fault(song: Floats) -> None:
    found, _ = aligned(song * [1.0, 0.0], mastered(song) * [1.0, 0.0])
    assert (found.swapped, found.inverted_channel, found.right_later_s) == (False, None, 0.0)


EDITS: dict[str, tuple[Callable[[Floats], list[Floats]], Edit]] = {
    "cut": (lambda s: [s[: 9 * RATE], s[10 * RATE :]], Edit("cut", 9.0, 9.0, 1.0)),
    "silence put in": (lambda s: [s[: 9 * RATE], np.zeros((RATE, 2)), s[9 * RATE :]], Edit("inserted", 9.0, None, 1.0)),
    "a bar played twice": (lambda s: [s[: 12 * RATE], s[10 * RATE :]], Edit("repeated", 12.0, 10.0, 2.0)),
    "halves exchanged": (lambda s: [s[9 * RATE :], s[: 9 * RATE]], Edit("moved", 11.0, 0.0, 9.0)),
}


@pytest.mark.parametrize("edit", EDITS)
def test_edits_are_told(song: Floats, edit: str) -> None:
    do, expected = EDITS[edit]
    found, placed = aligned(song, mastered(np.concatenate(do(song))))
    (told,) = found.edits
    assert told.kind == expected.kind
    assert told.at_s == pytest.approx(expected.at_s, abs=0.05)
    assert told.from_s == (None if expected.from_s is None else pytest.approx(expected.from_s, abs=0.05))
    assert told.length_s == pytest.approx(expected.length_s, abs=0.05)
    assert len(placed.lines) == 2
    assert found.coherence > 0.8


def test_other_music_put_in_is_told(song: Floats) -> None:
    other = excerpt("frontiers", 60.0, 3.0)
    found, _ = aligned(song, mastered(np.concatenate([song[: 8 * RATE], other, song[8 * RATE :]])))
    (told,) = found.edits
    assert (told.kind, told.from_s) == ("inserted", None)
    assert told.at_s == pytest.approx(8.0, abs=0.1)
    assert told.length_s == pytest.approx(3.0, abs=0.1)


def test_another_song_is_no_pair(song: Floats) -> None:
    with pytest.raises(PairError, match="do not belong together"):
        aligned(song, excerpt("frontiers", 60.0, 20.0))


def test_another_part_of_the_song_is_no_pair() -> None:
    with pytest.raises(PairError, match="do not belong together"):
        aligned(excerpt("time_to_strike", 60.0, 20.0), excerpt("time_to_strike", 120.0, 20.0))


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (np.zeros((RATE * 2, 2)), np.ones((RATE * 2, 2)), "the premaster is digital silence"),
        (np.ones((RATE * 2, 2)), np.zeros((RATE * 2, 2)), "the master is digital silence"),
        (np.ones((RATE // 2, 2)), np.ones((RATE * 2, 2)), "the premaster is shorter than 1 s"),
    ],
)
def test_what_cannot_be_aligned_is_said_in_a_line(first: Floats, second: Floats, words: str) -> None:
    with pytest.raises(PairError, match=words) as caught:
        aligned(first, second)
    assert "\n" not in str(caught.value)


SECONDS = np.arange(2 * RATE) / RATE
ODD = {
    "offset": np.ones((2 * RATE, 2)),
    "sine": np.stack([np.sin(2.0 * np.pi * 440.0 * SECONDS)] * 2, axis=1),
    "click": (np.arange(2 * RATE) == RATE)[:, None] * np.ones(2),
    "noise": np.random.default_rng(3).uniform(-1.0, 1.0, (2 * RATE, 2)),
    "one sample": (np.arange(2 * RATE) == 0)[:, None] * np.array([1e-7, 0.0]),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("second", ODD)
@pytest.mark.parametrize("first", ODD)
def test_any_two_signals_are_aligned_or_turned_away(first: str, second: str) -> None:
    try:
        found, placed = aligned(ODD[first], ODD[second])
    except PairError:
        return
    assert np.isfinite([found.offset_s, found.gain_db, found.coherence, found.drift_ppm, found.overlap_s]).all()
    assert np.isfinite(placed.read(-10, 2 * RATE)).all()
