"""The low cut, against scipy's Butterworth filters and pyloudnorm's loudness."""

from functools import cache

import numpy as np
import pyloudnorm
import pytest
import scipy.signal

from tests.balance.songs import RATE, song
from tests.signals import sine
from tests.stem.own import Floats, at, band, own, rms, white

SLOPES = {"low_cut_hz": 2, "low_cut_24_hz": 4}


@cache
def stems(seed: int) -> dict[str, Floats]:
    return song(seed, 12.0)


def high_passed(frames: Floats, corner: float, order: int) -> Floats:
    sections = scipy.signal.butter(order, corner, "high", fs=RATE, output="sos")
    return np.asarray(scipy.signal.sosfilt(sections, frames, axis=0))


@pytest.mark.parametrize("name", sorted(song(1, 1.0)))
def test_the_low_cut_takes_less_than_a_tenth_of_a_unit(name: str) -> None:
    """Loudness by pyloudnorm (BS.1770), energy by sums, of what scipy's filters leave."""
    frames = stems(7)[name]
    meter = pyloudnorm.Meter(RATE)
    before = meter.integrated_loudness(frames)
    found = own(frames).values
    for key, order in SLOPES.items():
        left = high_passed(frames, float(found[key] or 0.0), order)
        assert before - meter.integrated_loudness(left) < 0.1
        assert 1.0 - np.sum(left**2) / np.sum(frames**2) < 0.01


@pytest.mark.parametrize("name", ["drums/hats", "music/shaker"])
def test_a_higher_low_cut_would_take_more(name: str) -> None:
    """Of stems without a fundamental the corner is as high as it can be: half an octave more breaks a limit."""
    frames = stems(7)[name]
    found = own(frames).values
    assert found["lowest_fundamental_hz"] is None
    for key, order in SLOPES.items():
        left = high_passed(frames, 2.0**0.5 * float(found[key] or 0.0), order)
        assert 1.0 - np.sum(left**2) / np.sum(frames**2) > 0.01


@pytest.mark.parametrize("hz", [41.2, 82.4, 220.0])
def test_the_lowest_fundamental_is_kept(hz: float) -> None:
    """E1, E2 and A3, of equal temperament with A4 at 440 Hz, among much louder notes two octaves above."""
    notes = [sine(0.8, -12.0, hz), sine(7.2, -12.0, 4.0 * hz)]
    frames = np.concatenate(notes).astype(np.float64)
    found = own(frames).values
    assert found["lowest_fundamental_hz"] == pytest.approx(hz, abs=2.5)  # a bin
    for key, order in SLOPES.items():
        response = scipy.signal.freqz_sos(
            scipy.signal.butter(order, float(found[key] or 0.0), "high", fs=RATE, output="sos"), [hz], fs=RATE
        )[1]
        assert 20.0 * np.log10(np.abs(response[0])) > -1.0


def test_what_lies_below_is_the_rubbish() -> None:
    """A tone of 500 Hz, and noise between 15 and 30 Hz of a known level."""
    rumble = at(band(white(10.0, 1), 15.0, 30.0), -50.0)
    found = own(sine(10.0, -18.0, 500.0) + rumble).values
    assert 100.0 < float(found["low_cut_hz"] or 0.0) < 500.0
    assert found["below_low_cut_dbfs"] == pytest.approx(rms(rumble), abs=0.5)


def test_an_offset_is_no_energy() -> None:
    plain, offset = own(sine(5.0, -18.0, 500.0)).values, own(sine(5.0, -18.0, 500.0) + 0.05).values
    assert offset["low_cut_hz"] == plain["low_cut_hz"]


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_other_sample_rates(rate: int) -> None:
    frames = sine(4.0, -18.0, 200.0, rate=rate)
    at_48k = own(sine(4.0, -18.0, 200.0)).values["low_cut_hz"]
    assert own(frames, rate=rate).values["low_cut_hz"] == pytest.approx(at_48k, rel=0.03)


def test_shorter_than_a_block_or_silent() -> None:
    assert own(sine(0.3, -18.0)).values.get("low_cut_hz") is None
    assert own(np.zeros((RATE, 1))).values.get("low_cut_hz") is None
