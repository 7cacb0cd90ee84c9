"""Conversion piece by piece: the same as in one piece, and of a sine the exact sine."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import resampy

from master_check.rehearsal import rates
from master_check.sound.kept import ArraySignal
from tests.signals import Frames, noise, sine


def converted(frames: Frames, before: int, after: int) -> Frames:
    with ThreadPoolExecutor(2) as pool, rates.converted(ArraySignal(frames, before), "x", None, after, pool, 2) as kept:
        return kept.read(0, kept.frames)


@pytest.mark.parametrize(
    ("before", "after"), [(44_100, 48_000), (48_000, 44_100), (96_000, 44_100), (22_050, 44_100), (44_100, 8_000)]
)
def test_pieces_are_the_same_as_the_whole(before: int, after: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Held against resampy itself, which converts all at once."""
    monkeypatch.setattr(rates, "PIECE_S", 0.1)
    frames = noise(0.55, rate=before)
    whole = resampy.resample(frames.astype(np.float64), before, after, axis=0, filter="kaiser_best")
    found = converted(frames, before, after)
    assert found.shape == whole.shape
    assert np.abs(found - whole).max() < 1e-6


def test_a_sine_stays_one() -> None:
    """997 Hz at 48 kHz against the formula; the ends, where the sine begins and stops, are left out."""
    found = converted(sine(1.0, -6.0, rate=44_100), 44_100, 48_000)[4800:-4800, 0]
    exact = sine(1.0, -6.0, rate=48_000)[4800:-4800, 0]
    assert 20.0 * np.log10(np.abs(found - exact).max()) < -90.0
