"""Compiled loops of the spectrum meter: powers of transforms, added up bin by bin."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def add_powers(transform: NDArray[np.complex64], sums: NDArray[np.float64]) -> None:
    """Add the squared magnitude of every bin to `sums`."""
    for k in range(sums.shape[0]):
        z = transform[k]
        sums[k] += z.real * z.real + z.imag * z.imag


@kernel
def add_products(left: NDArray[np.complex64], right: NDArray[np.complex64], sums: NDArray[np.float64]) -> None:
    """Add the real part of left times conjugate right of every bin to `sums`."""
    for k in range(sums.shape[0]):
        sums[k] += left[k].real * right[k].real + left[k].imag * right[k].imag
