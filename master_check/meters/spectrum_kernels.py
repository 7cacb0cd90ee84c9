"""Compiled loop of the spectrum meter: powers of a transform, added up bin by bin."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def add_powers(transforms: NDArray[np.complex64], sums: NDArray[np.float64]) -> None:
    """Add every channel's squared magnitudes to its row of `sums` (rows, bins), transforms (channels, bins).

    Where there is a row more than channels: the real part of left times conjugate right of stereo to the last.
    """
    channels, bins = transforms.shape
    for channel in range(channels):
        own = transforms[channel]
        row = sums[channel]
        for k in range(bins):
            row[k] += own[k].real * own[k].real + own[k].imag * own[k].imag
    if sums.shape[0] > channels:
        left = transforms[0]
        right = transforms[1]
        row = sums[channels]
        for k in range(bins):
            row[k] += left[k].real * right[k].real + left[k].imag * right[k].imag
