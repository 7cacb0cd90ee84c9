"""Compiled loop of the word-length meter."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def used_bits(row: NDArray[np.float32], seen: NDArray[np.int64]) -> None:
    """Or the samples, as 24-bit words, into `seen[0]` (left-justified in 32); set `seen[1]` where one does not fit."""
    bits = np.int32(0)
    odd = np.int32(0)
    for i in range(row.shape[0]):
        scaled = row[i] * np.float32(8388608.0)
        word = np.int32(scaled)
        odd |= np.int32(np.float32(word) != scaled)
        bits |= word
    seen[0] |= np.int64(bits) * 256 & np.int64(0xFFFFFFFF)
    seen[1] |= odd
