"""A stem over time as a picture: what is drawn is held against numpy's own sums."""

import numpy as np
import pytest

from master_check.report.strips import strip_picture
from tests.balance.songs import RATE
from tests.signals import silence, sine
from tests.stem.own import own
from tests.stem.voices import voice


def test_level_and_peaks_are_those_of_the_samples() -> None:
    """A sine of known level, then silence; 130 s make steps of 330 ms."""
    tone = sine(60.0, -12.0, 1000.0)
    strip = own(np.concatenate([tone, silence(70.0)])).strip
    assert len(strip.level_dbfs) == len(strip.peak_dbfs) == 394
    assert strip.step_s == 0.33
    assert strip.level_dbfs[:180] == pytest.approx(-12.0, abs=0.01)  # EBU R 68: a sine has the level of its peak
    assert strip.peak_dbfs[:180] == pytest.approx(-12.0, abs=0.01)
    assert np.isneginf(strip.level_dbfs[183:]).all()


def test_findings_have_lanes_where_they_are() -> None:
    frames, bursts = voice(3, 12.0, burst_db=-10.0)
    frames = np.asarray(frames)
    frames[4 * RATE : 4 * RATE + 100] = 1.0
    strip = own(frames, "lead vox").strip
    clips = [spot for spot in strip.spots if spot.kind == "clipping"]
    assert [spot.start_s for spot in clips] == [4.0]
    assert [spot.end_s for spot in clips] == [pytest.approx(4.01)]
    picture = strip_picture(strip)
    assert picture is not None
    assert "clips" in picture.svg and "s, t" in picture.svg and "rings" not in picture.svg
    assert f"clipping: 1; sibilance: {len(bursts)}" in picture.label


def test_silence_has_no_picture() -> None:
    assert strip_picture(own(silence(2.0)).strip) is None
