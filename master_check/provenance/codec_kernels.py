"""Compiled loop of the codec traces: how many coefficients nearly vanish, at each of many places."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

STEEP = 20.0
"""A coefficient of a 20th of its mean power (-13 dB) counts half as vanished."""

TINY = 1e-30


@kernel
def count_dips(
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    means: NDArray[np.float32],
    levels: NDArray[np.float32],
    dips: NDArray[np.float32],
) -> None:
    """Add up 1 / (1 + 20 power / usual power) over coefficients: of left, right, mid and sides, at every place.

    A coefficient's usual power is its mean over the places, times the level of the place: what all coefficients have
    there by their means. So a place that is quiet as a whole, beside a hit, does not stand out.

    left, right (coefficients, places); dips (4, places); means (4, coefficients) and levels (4, places) are for work.
    """
    bins, places = left.shape
    one = np.float32(1.0)
    tiny = np.float32(TINY)
    for signal in range(4):
        mean, level, row = means[signal], levels[signal], dips[signal]
        by_left = np.float32(0.0 if signal == 1 else 1.0)
        by_right = np.float32(0.0 if signal == 0 else 1.0 if signal < 3 else -1.0)
        for i in range(places):
            level[i] = np.float32(0.0)
            row[i] = np.float32(0.0)
        for k in range(bins):
            a, b = left[k], right[k]
            power = np.float32(0.0)
            for i in range(places):
                x = by_left * a[i] + by_right * b[i]
                power += x * x
            mean[k] = np.float32(places) / (power + tiny)
            for i in range(places):
                x = by_left * a[i] + by_right * b[i]
                level[i] += x * x * mean[k]
        for i in range(places):
            level[i] = np.float32(STEEP * bins) / (level[i] + tiny)
        for k in range(bins):
            a, b = left[k], right[k]
            scale = mean[k]
            for i in range(places):
                x = by_left * a[i] + by_right * b[i]
                row[i] += one / (one + x * x * scale * level[i])
