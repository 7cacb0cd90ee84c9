"""Compiled loops of MPEG-1 Layer III's filterbank, at many neighbouring places at once."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def filter_bands(
    samples: NDArray[np.float32],
    window: NDArray[np.float32],
    cosines: NDArray[np.float32],
    folded: NDArray[np.float32],
    bands: NDArray[np.float32],
) -> None:
    """The polyphase filterbank (ISO/IEC 11172-3, C.1.3) with a subband sample for every sample.

    samples (places + 511,); window (512,); cosines (bands, 64); folded (64, places) is for work; bands (bands, places).
    """
    count, places = bands.shape
    for i in range(64):
        row = folded[i]
        for t in range(places):
            row[t] = np.float32(0.0)
        for j in range(8):
            x = samples[511 - 64 * j - i :]
            by = window[64 * j + i]
            for t in range(places):
                row[t] += by * x[t]
    for k in range(count):
        band = bands[k]
        for t in range(places):
            band[t] = np.float32(0.0)
        for i in range(64):
            row = folded[i]
            by = cosines[k, i]
            for t in range(places):
                band[t] += by * row[t]


@kernel
def transform_bands(bands: NDArray[np.float32], lines: NDArray[np.float32], found: NDArray[np.float32]) -> None:
    """The transform of 36 samples of each subband, 32 places apart, to 18 lines (C.1.5.3.3).

    bands (bands, places + 32 x 35); lines (bands, 18, 36); found (bands, 18, places).
    """
    count, rows, places = found.shape
    for band in range(count):
        for line in range(rows):
            row = found[band, line]
            for t in range(places):
                row[t] = np.float32(0.0)
            for n in range(36):
                x = bands[band, 32 * n :]
                by = lines[band, line, n]
                for t in range(places):
                    row[t] += by * x[t]
