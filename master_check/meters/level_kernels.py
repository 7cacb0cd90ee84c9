"""Compiled loops of the level meter: sums, products and the tops of middle and sides every 10 ms."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel
from master_check.sound.block_kernels import MAGNITUDE


@kernel
def channel_sums(
    row: NDArray[np.float32],
    offset: int,
    edges: NDArray[np.int64],
    totals: NDArray[np.float64],
    squares: NDArray[np.float32],
) -> None:
    """Add one channel's samples and their squares to `totals` (2); the squares' sum of every hop into `squares`."""
    all_sums, all_squares = totals[0], totals[1]
    for h in range(edges.shape[0] - 1):
        hop = row[offset + edges[h] :]
        total = 0.0
        square = 0.0
        for i in range(edges[h + 1] - edges[h]):
            value = float(hop[i])
            total += value
            square += value * value
        all_sums += total
        all_squares += square
        squares[h] = square
    totals[0], totals[1] = all_sums, all_squares


@kernel
def stereo_sums(
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    offset: int,
    edges: NDArray[np.int64],
    work: NDArray[np.float32],
    bits: NDArray[np.int32],
    total: float,
    cross: NDArray[np.float32],
    tops: NDArray[np.int32],
) -> float:
    """Hop by hop: left times right, into `cross` (hops,); largest |L + R| / 2, |L - R| / 2, as bits, into `tops`.

    `work` (2, longest hop) is scratch, `bits` the same seen as int32; `tops` is (2, hops). Returns `total` plus all
    products of left and right.
    """
    half = np.float32(0.5)
    middle, sides = work[0], work[1]
    middle_bits, sides_bits = bits[0], bits[1]
    for h in range(edges.shape[0] - 1):
        n = edges[h + 1] - edges[h]
        x = left[offset + edges[h] :]
        y = right[offset + edges[h] :]
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
            top = a if a > top else top
            wide = b if b > wide else wide
        total += product
        cross[h] = product
        tops[0, h] = top
        tops[1, h] = wide
    return total
