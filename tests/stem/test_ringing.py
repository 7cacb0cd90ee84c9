"""Ringing, against resonators of known frequency and Q (scipy's `iirpeak`)."""

import numpy as np
import pytest
import scipy.signal

from tests.balance.songs import RATE, Floats, song
from tests.signals import sine
from tests.stem.own import own
from tests.stem.voices import voice

SNARE = song(11, 12.0)["drums/snare"]
VOICE = voice(11, 12.0)[0]


def ringing(frames: Floats, hz: float, q: float, height: float) -> Floats:
    """A resonator beside the sound itself: `height` is how much higher it is at its frequency."""
    b, a = scipy.signal.iirpeak(hz, q, fs=RATE)
    return np.asarray(frames + (height - 1.0) * scipy.signal.lfilter(b, a, frames, axis=0))


def stands_out(hz: float, q: float, height: float) -> float:
    """How far the filter's response at its peak stands above its mean from a 24th to a third of an octave beside."""
    b, a = scipy.signal.iirpeak(hz, q, fs=RATE)
    beside = hz * 2.0 ** np.concatenate([np.linspace(-1 / 3, -1 / 24, 50), np.linspace(1 / 24, 1 / 3, 50)])
    response = 1.0 + (height - 1.0) * scipy.signal.freqz(b, a, np.append(beside, hz), fs=RATE)[1]
    levels = 20.0 * np.log10(np.abs(response))
    return float(levels[-1] - levels[:-1].mean())


@pytest.mark.parametrize(("hz", "q"), [(523.0, 40.0), (870.0, 30.0), (1310.0, 80.0)])
def test_a_drum_that_rings(hz: float, q: float) -> None:
    found = own(ringing(SNARE, hz, q, 10.0), "snare.wav").rings
    assert [ring.hz for ring in found] == [pytest.approx(hz, rel=0.02)]
    assert found[0].percent > 60.0
    (louder,) = own(ringing(SNARE, hz, q, 20.0), "snare.wav").rings
    higher = stands_out(hz, q, 20.0) - stands_out(hz, q, 10.0)
    assert louder.above_db - found[0].above_db == pytest.approx(higher, abs=1.0)


def test_a_drum_that_rings_at_two_places() -> None:
    frames = ringing(ringing(SNARE, 613.0, 50.0, 10.0), 1730.0, 50.0, 10.0)
    assert sorted(ring.hz for ring in own(frames, "snare.wav").rings) == pytest.approx([613.0, 1730.0], rel=0.02)


def test_feedback_under_a_voice() -> None:
    found = own(VOICE + 0.05 * sine(12.0, -20.0, 437.0), "lead vox").rings
    assert [ring.hz for ring in found] == [pytest.approx(437.0, abs=1.5)]


@pytest.mark.parametrize("name", ["drums/kick", "drums/snare", "drums/hats", "vocals/lead", "vocals/voice"])
def test_what_does_not_ring(name: str) -> None:
    frames = VOICE if name == "vocals/voice" else song(12, 12.0)[name]
    assert own(frames, name, name.split("/")[0]).rings == ()


def test_instruments_that_play_notes_are_not_looked_at() -> None:
    found = own(ringing(song(12, 6.0)["music/guitar"], 700.0, 50.0, 10.0), "guitar", "music")
    assert "rings" not in found.values
    assert found.rings == ()


def test_one_note_held_is_no_ringing() -> None:
    """A drone of harmonics stands at one place as well."""
    time = np.arange(6 * RATE) / RATE
    drone = sum(np.sin(2.0 * np.pi * k * 311.0 * time) / k for k in range(1, 20))
    noise = 0.01 * np.random.default_rng(1).standard_normal(len(time))
    found = own(0.1 * (drone + noise)[:, None], "vox")
    assert found.rings == ()
    assert "rings" not in found.values
