"""Noise floor, hum and rumble, against noises of known level put under made-up playing."""

import numpy as np
import pytest
import scipy.signal

from tests.balance.songs import RATE, song
from tests.stem.own import at, band, hum, own, rms, white, with_gaps

SECONDS = 12.0
SONG = song(3, SECONDS)
PLAYED = with_gaps(SONG["vocals/lead"], (4.0, 7.0))


@pytest.mark.parametrize("name", ["vocals/lead", "drums/snare", "music/pad"])
@pytest.mark.parametrize("level", [-50.0, -70.0, -90.0])
def test_white_noise_reads_its_level(name: str, level: float) -> None:
    played = with_gaps(SONG[name], (4.0, 7.0))
    noise = at(white(SECONDS, 1, played.shape[1]), level)
    found = own(played + noise).values
    assert found["gaps"] == "steady"
    assert found["noise_floor_dbfs"] == pytest.approx(level, abs=0.2)
    assert found["hum_hz"] is None


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_is_told_from_the_noise_around_it(mains: float) -> None:
    frames = PLAYED + at(hum(SECONDS, mains), -55.0) + at(white(SECONDS, 2), -70.0)
    found = own(frames).values
    assert found["hum_hz"] == mains
    assert found["hum_dbfs"] == pytest.approx(-55.0, abs=0.2)


@pytest.mark.parametrize("hz", [49.0, 51.9, 58.27, 61.74])
def test_a_low_note_is_no_hum(hz: float) -> None:
    """G1, G sharp 1, A sharp 1 and B1, bled into the gaps; equal temperament, A4 at 440 Hz."""
    frames = PLAYED + at(hum(SECONDS, hz), -55.0) + at(white(SECONDS, 2), -70.0)
    assert own(frames).values["hum_hz"] is None


def test_rumble_reads_its_level() -> None:
    rumble = at(band(white(SECONDS, 5), 8.0, 25.0), -45.0)
    frames = PLAYED + rumble + at(white(SECONDS, 6), -75.0)
    gap = rumble[round(4.5 * RATE) : round(6.5 * RATE)]  # a noise of few Hz differs from one second to the next
    found = own(frames).values
    assert found["rumble_dbfs"] == pytest.approx(rms(gap), abs=1.5)
    assert found["hum_hz"] is None


def test_a_reverb_is_no_noise_floor() -> None:
    """A tail of 6 s (RT60), that fills the gap of 3 s."""
    tail = np.random.default_rng(1).standard_normal(3 * RATE) * 10.0 ** (-3.0 * np.arange(3 * RATE) / (6.0 * RATE))
    wet = scipy.signal.oaconvolve(PLAYED, (tail / np.sqrt(np.sum(tail**2)))[:, None], axes=0)[: len(PLAYED)]
    found = own(PLAYED + 0.3 * wet).values
    assert (found["gaps"], found["noise_floor_dbfs"]) == ("not steady", None)


@pytest.mark.parametrize("bleed", ["music/pad", "music/guitar", "drums/hats"])
def test_bleed_is_no_noise_floor(bleed: str) -> None:
    other = at(SONG[bleed].mean(axis=1, keepdims=True), -55.0)
    found = own(PLAYED + other).values
    assert (found["gaps"], found["noise_floor_dbfs"]) == ("not steady", None)


def test_digital_silence_and_no_gaps_have_no_noise_floor() -> None:
    silent = own(PLAYED).values
    assert (silent["gaps"], silent["noise_floor_dbfs"]) == ("digital silence", None)
    full = own(SONG["music/pad"] + at(white(SECONDS, 3, 2), -60.0)).values
    assert (full["gaps"], full["noise_floor_dbfs"]) == ("none", None)


def test_a_quiet_passage_is_no_noise_floor() -> None:
    """Noise played 15 dB lower for 4 s: a stem may be of noise."""
    gain = np.where((np.arange(round(SECONDS * RATE)) // (4 * RATE)) % 2, 10.0 ** (-15.0 / 20.0), 1.0)
    assert own(at(white(SECONDS, 4), -20.0) * gain[:, None]).values["gaps"] == "not steady"
