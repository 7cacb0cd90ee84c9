"""Sibilance, against made-up voices whose bursts are known."""

import numpy as np
import pytest

from tests.stem.own import own
from tests.stem.voices import voice


def spots(found: object) -> list[tuple[float, float]]:
    return [(spot.start_s, spot.end_s) for spot in found.strip.spots if spot.kind == "sibilance"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("level", [-8.0, -14.0, -20.0])
def test_every_burst_is_found_and_nothing_else(level: float) -> None:
    """From 20 dB below the voice on."""
    frames, bursts = voice(3, burst_db=level)
    found = own(frames, "lead vox.wav")
    places = spots(found)
    assert len(bursts) >= 4
    for start, end in bursts:
        assert any(a < end and start < b for a, b in places), start
    for a, b in places:
        assert any(a < end and start < b for start, end in bursts), a
    assert found.values["sibilant_bursts"] == len(places)


def test_the_level_follows_the_bursts() -> None:
    low, high = (float(own(voice(4, burst_db=level)[0], "bv").values["sibilance_db"] or 0.0) for level in (-14.0, -8.0))
    assert high - low == pytest.approx(6.0, abs=1.0)


def test_bursts_too_weak_to_matter() -> None:
    found = own(voice(3, burst_db=-30.0)[0], "vocals.wav").values
    assert (found["sibilant_bursts"], found["sibilance_db"]) == (0, None)


def test_only_voices_are_looked_at() -> None:
    frames, _ = voice(3, 4.0)
    assert "sibilance_db" not in own(frames, "synth.wav", "music").values
    assert own(frames, "take 2.wav", "Backing Vocals").values["sibilant_bursts"] is not None


def test_a_low_sample_rate_has_none() -> None:
    assert "sibilance_db" not in own(np.asarray(voice(3, 4.0)[0]), "vox", rate=8_000).values
