"""Compiled loops of the saturation estimate from a pair: small-signal weights and sums, gains, visits to levels."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

Rows = NDArray[np.float32]


@kernel
def add_cross_spectrum(a: NDArray[np.complex64], b: NDArray[np.complex64], total: NDArray[np.complex128]) -> None:
    """Add the sum over the rows of a's conjugate times b to `total`."""
    for row in range(a.shape[0]):
        for k in range(a.shape[1]):
            # In double precision, so that a matrix of such sums stays positive definite.
            total[k] += np.conj(np.complex128(a[row, k])) * np.complex128(b[row, k])


@kernel
def weigh_small(
    matched: Rows,
    target: Rows,
    gain: Rows,
    width: float,
    hop: int,
    weight: Rows,
    products: NDArray[np.float64],
    powers: NDArray[np.float64],
) -> None:
    """Weight every sample by how small it is, and sum up what says the gain, a hop at a time.

    `weight` becomes Tukey's biweight, (1 - (gain x matched / width)^2)^2 up to `width` and 0 from there on;
    `products` and `powers` (rows, hops) become the weighted sums of matched x target and matched^2.
    """
    for row in range(matched.shape[0]):
        for j in range(products.shape[1]):
            product, power = 0.0, 0.0
            for n in range(j * hop, min((j + 1) * hop, matched.shape[1])):
                level = gain[row, n] * matched[row, n] / width
                rest = max(0.0, 1.0 - level * level)
                small = rest * rest
                weight[row, n] = small
                product += small * matched[row, n] * target[row, n]
                power += small * matched[row, n] * matched[row, n]
            products[row, j] = product
            powers[row, j] = power


@kernel
def sum_products(weight: Rows, a: Rows, b: Rows, hop: int, products: NDArray[np.float64]) -> None:
    """`products` (rows, hops) become the sums of weight x a x b over every hop."""
    for row in range(a.shape[0]):
        for j in range(products.shape[1]):
            product = 0.0
            for n in range(j * hop, min((j + 1) * hop, a.shape[1])):
                product += weight[row, n] * a[row, n] * b[row, n]
            products[row, j] = product


@kernel
def draw_gain(grid: NDArray[np.float64], hop: int, gain: Rows) -> None:
    """Draw `gain` in straight lines between the values of `grid` (rows, hops), each at the middle of its hop."""
    last = grid.shape[1] - 1
    for row in range(gain.shape[0]):
        for n in range(gain.shape[1]):
            place = min(max((n + 0.5) / hop - 0.5, 0.0), float(last))
            j = min(int(place), max(last - 1, 0))
            after = grid[row, min(j + 1, last)]
            gain[row, n] = grid[row, j] + (place - j) * (after - grid[row, j])


@kernel
def visit_levels(
    level: Rows,
    target: Rows,
    peak: float,
    per_peak: int,
    sums: NDArray[np.float64],
    counts: NDArray[np.int64],
    means: NDArray[np.float64],
    touched: NDArray[np.int64],
) -> None:
    """Sum up what became of every level, all samples of a block that visit it counting once.

    Levels, and the bend (target - level), are in peaks; bin `b` reaches from (b - size / 2) / per_peak on. To `sums`
    (4, size) are added: the visits, and over these a visit's mean level, its mean bend and the square of that.
    `counts` (size) and `means` (2, size), both zero, and `touched`, as long as a block, are scratch.
    """
    visits, levels, bends, squares = sums[0], sums[1], sums[2], sums[3]
    bins = visits.shape[0]
    half = bins // 2
    block = touched.shape[0]
    inside, bent = means[0], means[1]
    for row in range(level.shape[0]):
        for j in range((level.shape[1] + block - 1) // block):
            found = 0
            for n in range(j * block, min((j + 1) * block, level.shape[1])):
                into = level[row, n] / peak
                b = int(np.floor(into * per_peak)) + half
                if b < 0 or b >= bins:
                    continue
                if counts[b] == 0:
                    touched[found] = b
                    found += 1
                counts[b] += 1
                inside[b] += into
                bent[b] += target[row, n] / peak - into
            for k in range(found):
                b = touched[k]
                bend = bent[b] / counts[b]
                visits[b] += 1.0
                levels[b] += inside[b] / counts[b]
                bends[b] += bend
                squares[b] += bend * bend
                counts[b] = 0
                inside[b] = 0.0
                bent[b] = 0.0
