"""What was done to the gain, to hold what `compare` reads against."""

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.pair.averages import averages
from master_check.pair.change import Change, change
from master_check.pair.equaliser import equaliser
from master_check.pair.followed import follow
from master_check.pair.overlap import Overlap

Floats = NDArray[np.float64]


def changed_in(overlap: Overlap) -> Change:
    """As `compare` does, without the curves."""
    averaged = averages(overlap)
    return change(averaged, follow(overlap, equaliser(overlap, averaged), averaged.means), overlap.rate)


def true_reduction(equalised: Floats, gain: Floats, rate: int) -> tuple[float, float]:
    """Gain reduction at most and at the 95th percentile, dB, of what a gain (n,) did to the power of 50 ms every 10 ms.

    It counts from the 90th percentile of the gain, and where the signal is less than 40 dB below its loudest 50 ms: the
    definition of `Change`, written down once more.
    """
    step = round(0.01 * rate)
    rows = (
        np.pad((equalised**2).sum(axis=1), (0, -len(gain) % step)),
        np.pad(((equalised * gain[:, None]) ** 2).sum(axis=1), (0, -len(gain) % step)),
    )
    before, after = (np.convolve(row.reshape(-1, step).sum(axis=1), np.ones(5), "same") for row in rows)
    playing = before > 1e-4 * before.max()
    db = 10.0 * np.log10(after[playing] / before[playing])
    reduction = np.maximum(0.0, np.quantile(db, 0.9) - db)
    return float(reduction.max()), float(np.quantile(reduction, 0.95))


def high_passed(frames: Floats, rate: int, hz: float, order: int) -> Floats:
    return np.asarray(
        scipy.signal.sosfilt(scipy.signal.butter(order, hz, "high", fs=rate, output="sos"), frames, axis=0)
    )


def low_shelf(frames: Floats, rate: int) -> Floats:
    """+3 dB below some 120 Hz."""
    low = scipy.signal.sosfilt(scipy.signal.butter(1, 120.0, "low", fs=rate, output="sos"), frames, axis=0)
    return np.asarray(frames + (10.0 ** (3.0 / 20.0) - 1.0) * low)
