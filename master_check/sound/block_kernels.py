"""Compiled loop that lays interleaved samples out a row a channel, and notes what every meter asks first."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

# Magnitudes of floats order like the integers of the same bits (IEEE 754), and comparing integers is what the
# compiler vectorises; NaN and infinity are simply the largest.
MAGNITUDE: Final = np.int32(0x7FFFFFFF)
LOUDEST: Final = np.float32(2.0**40)
"""+241 dBFS: samples beyond are no sound, and the meters' single-precision arithmetic need not fear overflow."""


@kernel
def lay_out(
    flat: NDArray[np.float32] | NDArray[np.int32],
    buffer: NDArray[np.float32],
    bits: NDArray[np.int32],
    offset: int,
    scale: np.float32,
    edges: NDArray[np.int64],
    tops: NDArray[np.int32],
    zeros: NDArray[np.int32],
) -> int:
    """Write interleaved samples times `scale` to columns `offset` on of `buffer` (channels, ...).

    `bits` is `buffer` seen as int32. Fills the largest magnitude (its bits) and the count of exact zeros of each hop
    and channel; returns the largest of all, above the bits of LOUDEST where a sample is beyond or no number.
    """
    channels = buffer.shape[0]
    n = edges[-1]
    if channels == 2:  # the fixed stride lets the compiler shuffle whole registers
        left = buffer[0, offset:]
        right = buffer[1, offset:]
        for i in range(n):
            left[i] = np.float32(flat[2 * i]) * scale
            right[i] = np.float32(flat[2 * i + 1]) * scale
    else:
        for c in range(channels):
            row = buffer[c, offset:]
            for i in range(n):
                row[i] = np.float32(flat[channels * i + c]) * scale
    largest = np.int32(0)
    for c in range(channels):
        for h in range(edges.shape[0] - 1):
            hop = bits[c, offset + edges[h] :]
            size = edges[h + 1] - edges[h]
            top = np.int32(0)
            zero = np.int32(0)
            for i in range(size):
                level = hop[i] & MAGNITUDE
                top = level if level > top else top
            for i in range(size):
                zero += np.int32(1) if hop[i] & MAGNITUDE == 0 else np.int32(0)
            tops[c, h] = top
            zeros[c, h] = zero
            largest = top if top > largest else largest
    return int(largest)
