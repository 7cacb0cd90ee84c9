"""Decibels by definition: 20 log10 of an amplitude ratio, 10 log10 of a power ratio (ISO 80000-3, memory)."""

import numpy as np
import pytest

from master_check.decibels import amplitude_of, decibels, decibels_each, power_decibels, power_decibels_each, power_of


@pytest.mark.parametrize(("level_db", "amplitude", "power"), [(0, 1, 1), (20, 10, 100), (-40, 0.01, 1e-4)])
def test_there_and_back(level_db: float, amplitude: float, power: float) -> None:
    assert decibels(amplitude) == pytest.approx(level_db)
    assert power_decibels(power) == pytest.approx(level_db)
    assert amplitude_of(level_db) == pytest.approx(amplitude)
    assert power_of(level_db) == pytest.approx(power)
    assert amplitude_of(np.array([level_db])) == pytest.approx([amplitude])
    assert power_of(np.array([level_db])) == pytest.approx([power])


def test_nothing_has_no_level() -> None:
    assert decibels(0.0) is None
    assert power_decibels(-1.0) is None
    assert decibels_each([0.0, 10.0]).tolist() == [-np.inf, 20.0]
    assert power_decibels_each([0.0, 10.0]).tolist() == [-np.inf, 10.0]
