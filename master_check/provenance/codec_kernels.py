"""Compiled loop of the codec traces: how many coefficients nearly vanish, at each of many places."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

STEEP = 20.0
"""A coefficient of a 20th of its mean power (-13 dB) counts half as vanished."""


@kernel
def count_dips(
    left: NDArray[np.float32], right: NDArray[np.float32], powers: NDArray[np.float32], dips: NDArray[np.float32]
) -> None:
    """Add up 1 / (1 + 20 power / mean power) over coefficients: of left, right, mid and sides, at every place.

    left, right (coefficients, places); the mean is over the places; dips (4, places); powers (4, places) is for work.
    """
    bins, places = left.shape
    for signal in range(4):
        row = dips[signal]
        for i in range(places):
            row[i] = np.float32(0.0)
    left_powers, right_powers, mid_powers, side_powers = powers[0], powers[1], powers[2], powers[3]
    left_dips, right_dips, mid_dips, side_dips = dips[0], dips[1], dips[2], dips[3]
    one = np.float32(1.0)
    for k in range(bins):
        a, b = left[k], right[k]
        of_left = np.float32(0.0)
        of_right = np.float32(0.0)
        of_mid = np.float32(0.0)
        of_side = np.float32(0.0)
        for i in range(places):
            mid = a[i] + b[i]
            side = a[i] - b[i]
            left_powers[i] = a[i] * a[i]
            right_powers[i] = b[i] * b[i]
            mid_powers[i] = mid * mid
            side_powers[i] = side * side
            of_left += left_powers[i]
            of_right += right_powers[i]
            of_mid += mid_powers[i]
            of_side += side_powers[i]
        tiny = np.float32(1e-30)
        steep = np.float32(STEEP * places)
        of_left = steep / (of_left + tiny)
        of_right = steep / (of_right + tiny)
        of_mid = steep / (of_mid + tiny)
        of_side = steep / (of_side + tiny)
        for i in range(places):
            left_dips[i] += one / (one + of_left * left_powers[i])
            right_dips[i] += one / (one + of_right * right_powers[i])
            mid_dips[i] += one / (one + of_mid * mid_powers[i])
            side_dips[i] += one / (one + of_side * side_powers[i])
