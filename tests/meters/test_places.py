"""Where everything that is counted happened, against where it was put."""

import numpy as np
import pytest

from tests.signals import measured, noise, sine

RATE = 48_000


def test_every_clipped_run_has_its_place_once_for_all_channels() -> None:
    frames = noise(4.0, -30.0)
    starts = [1_000, 30_000, 30_500, 150_000]
    for start in starts:
        frames[start : start + 5] = 1.0
    frames[60_000:60_004, 1] = -1.0
    found = measured(frames).places_s["clipped_runs"]
    assert found == pytest.approx([start / RATE for start in sorted([*starts, 60_000])], abs=1e-9)


def test_flat_tops_are_those_at_the_final_ceiling() -> None:
    """An earlier, lower top that was only the highest so far is no clip."""
    frames = np.zeros((RATE, 1), np.float32)
    frames[5_000:5_010] = 0.5
    for start in (20_000, 25_000, 40_000):
        frames[start : start + 6] = 0.7
    assert measured(frames).places_s["flat_top_runs"] == pytest.approx([20_000 / RATE, 25_000 / RATE, 40_000 / RATE])


def test_overs_and_dropouts() -> None:
    tone = sine(3.0, -6.0, 997.0)
    hot = tone.copy()
    for start in (20_000, 90_000):
        hot[start : start + 200] *= 2.2
    found = measured(hot).places_s["true_peak_over_runs"]
    assert found == pytest.approx([20_000 / RATE, 90_000 / RATE], abs=0.002)
    gaps = tone.copy()
    for start in (20_000, 90_000):
        gaps[start : start + 300] = 0.0
    assert measured(gaps).places_s["dropouts"] == pytest.approx([20_000 / RATE, 90_000 / RATE], abs=2 / RATE)


def test_no_more_than_a_thousand_are_kept() -> None:
    frames = noise(6.0, -30.0)
    starts = np.arange(1_200) * 200 + 10_000
    frames[(starts[:, None] + np.arange(4)).ravel()] = 1.0
    found = measured(frames)
    assert found.values["clipped_runs"] == 2 * 1_200
    assert found.places_s["clipped_runs"] == pytest.approx((starts[:1_000] / RATE).tolist(), abs=1e-9)


def test_nothing_wrong_has_no_places() -> None:
    assert measured(noise(2.0, -30.0)).places_s == {}
