"""What changed, against what was done. Truth is constructed; filters are scipy's."""

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from master_check.pair.change import Change
from master_check.pair.comparison import compare_aligned
from master_check.pair.overlap import Overlap, Span
from master_check.sound.kept import ArraySignal

RATE = 48_000


def changed(premaster: NDArray[np.float64], master: NDArray[np.float64], after_s: float = 0.0) -> Change:
    """Of arrays that lie over each other; their first sample is so late in the master."""
    silence = np.zeros((round(after_s * RATE), premaster.shape[1]))
    before, after = (ArraySignal(np.concatenate([silence, each]), RATE) for each in (premaster, master))
    return compare_aligned(Overlap(before, after, (Span(len(silence), after.frames),)))[0]


@pytest.fixture(scope="module")
def programme() -> NDArray[np.float64]:
    """Stereo noise with a middle and sides, swelling between -6 and 0 dB."""
    rng = np.random.default_rng(7)
    middle, sides = rng.standard_normal((2, 20 * RATE)) * np.array([[0.1], [0.03]])
    swell = 10 ** ((-3 + 3 * np.sin(2 * np.pi * 0.3 * np.arange(20 * RATE) / RATE)) / 20)
    return np.asarray(np.column_stack([middle + sides, middle - sides]) * swell[:, None])


def test_a_copy_at_another_level_has_not_changed(programme: NDArray[np.float64]) -> None:
    found = changed(programme, programme * 1.7)
    assert found.difference_db < -100.0
    assert all(band.level_change_db == pytest.approx(0.0, abs=1e-6) for band in found.bands)
    assert all(band.width_change_db == pytest.approx(0.0, abs=1e-6) for band in found.bands)
    assert found.gain_reduction_max_db == pytest.approx(0.0, abs=0.05)
    assert found.worst == ()


def test_equalising_is_found_in_its_bands(programme: NDArray[np.float64]) -> None:
    high = scipy.signal.firwin(4095, 5000, pass_zero=False, fs=RATE)
    master = programme + scipy.signal.oaconvolve(programme, high[:, None], axes=0)[2047 : 2047 + len(programme)]
    found = {band.hz: band.level_change_db for band in changed(programme, master).bands}
    low, top = found[1000.0], found[12500.0]
    assert low is not None and top is not None
    # Doubled above 5 kHz: 6.02 dB between the two, whatever the level the whole was matched at.
    assert top - low == pytest.approx(20 * np.log10(2), abs=0.05)


def test_widening_is_found(programme: NDArray[np.float64]) -> None:
    middle, sides = programme.sum(axis=1) / 2, (programme[:, 0] - programme[:, 1]) / 2
    master = np.column_stack([middle + 2 * sides, middle - 2 * sides])
    found = changed(programme, master)
    assert all(band.width_change_db == pytest.approx(20 * np.log10(2), abs=1e-3) for band in found.bands)
    assert found.mono_loss_change_db is not None and found.mono_loss_change_db > 0.5


def test_gain_reduction_is_followed(programme: NDArray[np.float64]) -> None:
    gain_db = np.zeros(len(programme))
    gain_db[8 * RATE : 9 * RATE] = -4.0  # a second of 4 dB less, eased in and out over 100 ms
    gain_db = np.convolve(gain_db, np.hanning(RATE // 10) / np.hanning(RATE // 10).sum(), "same")
    found = changed(programme, programme * 10 ** (gain_db / 20)[:, None], 1.0)
    assert found.gain_reduction_max_db == pytest.approx(4.0, abs=0.3)
    assert found.worst[0].at_s == pytest.approx(1.0 + 8.5, abs=0.6)  # the pair begins 1 s into the master
    assert len(found.gain_reduction_db) == pytest.approx((20 + 1) * 100, abs=1)
