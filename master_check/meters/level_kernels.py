"""Compiled loops of the level meter: sums, products and the tops of middle and sides every 10 ms."""

import numpy as np
from numpy.typing import NDArray

from master_check.audio_kernels import MAGNITUDE
from master_check.jit import kernel


@kernel
def channel_sums(row: NDArray[np.float32], offset: int, edges: NDArray[np.int64], sums: NDArray[np.float64]) -> None:
    """Sum and sum of squares of every hop of one channel, into `sums` (2, hops)."""
    for h in range(edges.shape[0] - 1):
        hop = row[offset + edges[h] : offset + edges[h + 1]]
        total = 0.0
        square = 0.0
        for i in range(hop.shape[0]):
            value = float(hop[i])
            total += value
            square += value * value
        sums[0, h] = total
        sums[1, h] = square


@kernel
def stereo_sums(
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    offset: int,
    edges: NDArray[np.int64],
    cross: NDArray[np.float64],
    tops: NDArray[np.float32],
) -> None:
    """Hop by hop: left times right, into `cross` (hops,); largest |L + R| / 2, |L - R| / 2, into `tops` (2, hops)."""
    half = np.float32(0.5)
    longest = 0
    for h in range(edges.shape[0] - 1):
        longest = max(longest, edges[h + 1] - edges[h])
    middle = np.empty(longest, np.float32)
    sides = np.empty(longest, np.float32)
    middle_bits = middle.view(np.int32)
    sides_bits = sides.view(np.int32)
    pattern = np.empty(2, np.int32)
    as_float = pattern.view(np.float32)
    for h in range(edges.shape[0] - 1):
        n = edges[h + 1] - edges[h]
        x = left[offset + edges[h] : offset + edges[h + 1]]
        y = right[offset + edges[h] : offset + edges[h + 1]]
        product = 0.0
        for i in range(n):
            product += float(x[i]) * float(y[i])
            middle[i] = half * (x[i] + y[i])
            sides[i] = half * (x[i] - y[i])
        top = np.int32(0)
        wide = np.int32(0)
        for i in range(n):
            a = middle_bits[i] & MAGNITUDE
            b = sides_bits[i] & MAGNITUDE
            top = max(top, a)
            wide = max(wide, b)
        pattern[0] = top
        pattern[1] = wide
        cross[h] = product
        tops[0, h] = as_float[0]
        tops[1, h] = as_float[1]
