"""Compiled loop of the short-time spectra: powers of transforms, added up by columns."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def add_columns(transforms: NDArray[np.complex64], edges: NDArray[np.int64], powers: NDArray[np.float32]) -> None:
    """Add the squared magnitudes of transforms (steps, bins) to `powers` (steps, columns).

    Column c takes the bins from `edges[c]` to before `edges[c + 1]`.
    """
    for step in range(transforms.shape[0]):
        bins = transforms[step]
        row = powers[step]
        for column in range(edges.shape[0] - 1):
            part = bins[edges[column] :]
            total = np.float32(0.0)
            for k in range(edges[column + 1] - edges[column]):
                total += part[k].real * part[k].real + part[k].imag * part[k].imag
            row[column] += total
