"""Curves in levels, against the samples themselves."""

import numpy as np
import pytest
from numpy.typing import NDArray

from master_check.page.pyramid import COARSER, FINER, TILE, Waveform, of_curve
from master_check.sound.kept import ArraySignal

RATE = 48_000


@pytest.fixture(scope="module")
def samples() -> NDArray[np.float32]:
    rng = np.random.default_rng(3)
    return rng.uniform(-1.0, 1.0, (RATE * 20 + 77, 2)).astype(np.float32)


@pytest.fixture(scope="module")
def waveform(samples: NDArray[np.float32]) -> Waveform:
    return Waveform(ArraySignal(samples, RATE))


def test_every_level_has_the_extremes_of_its_columns(waveform: Waveform, samples: NDArray[np.float32]) -> None:
    for level in range(waveform.levels):
        length = COARSER**level
        columns = -(-len(samples) // length)
        tiles = [waveform.tile(level, index) for index in range(-(-columns // TILE))]
        if level < 2:  # all of it would take long to say again here
            tiles, columns = tiles[:3], min(columns, 3 * TILE)
        found = np.concatenate(tiles, axis=2)
        assert found.shape == (2, 2, columns)
        for column in {0, 1, columns // 2, columns - 1}:
            part = samples[column * length : (column + 1) * length]
            near = 0.0 if level < FINER else 1e-3  # float16
            np.testing.assert_allclose(found[:, 0, column], part.min(axis=0), atol=near)
            np.testing.assert_allclose(found[:, 1, column], part.max(axis=0), atol=near)


def test_the_last_level_is_one_tile(waveform: Waveform) -> None:
    assert waveform.tile(waveform.levels - 1, 1).shape == (2, 2, 0)
    with pytest.raises(IndexError):
        waveform.tile(waveform.levels, 0)


def test_past_the_end_there_is_nothing(waveform: Waveform) -> None:
    assert waveform.tile(0, 10_000).shape == (2, 2, 0)
    with pytest.raises(IndexError):
        waveform.tile(0, -1)


def test_a_silent_stretch_of_loudness_lies_below_the_picture() -> None:
    curve = of_curve(np.array([-np.inf, -14.0]), -120.0)
    assert curve.tile(0, 0)[0, 0].tolist() == [-120.0, -14.0]
