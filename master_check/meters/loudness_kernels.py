"""Compiled loop of the loudness meter: K-weighting and energy every 10 ms, two channels side by side."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def k_energies(
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    offset: int,
    edges: NDArray[np.int64],
    taps: NDArray[np.float64],
    poles: NDArray[np.float64],
    state: NDArray[np.float64],
    work: NDArray[np.float64],
    energies: NDArray[np.float64],
    totals: NDArray[np.float64],
) -> None:
    """Sums of squares of K-weighted samples hop by hop, and of their products over all.

    The two biquads of K-weighting are run as one non-recursive filter `taps` (5) and two recursions with
    coefficients `poles` (4): the recursions are what cannot be vectorised, so nothing else is in that loop, and
    two channels run in it at once because each waits on itself. `left[offset]` is the block's first sample, the
    four before it must be there. `state` (8) is carried from block to block, `work` (2, longest hop) is scratch.
    `energies` (hops, 2) receives left squared and right squared; `totals` (3) grows by these and left times right.
    """
    t0, t1, t2, t3, t4 = taps[0], taps[1], taps[2], taps[3], taps[4]
    p1, p2, q1, q2 = poles[0], poles[1], poles[2], poles[3]
    lw1, lw2, ly1, ly2 = state[0], state[1], state[2], state[3]
    rw1, rw2, ry1, ry2 = state[4], state[5], state[6], state[7]
    a, b = work[0], work[1]
    left_total, right_total, cross_total = totals[0], totals[1], totals[2]
    for h in range(edges.shape[0] - 1):
        n = edges[h + 1] - edges[h]
        x = left[offset + edges[h] - 4 : offset + edges[h + 1]]
        z = right[offset + edges[h] - 4 : offset + edges[h + 1]]
        for i in range(n):
            a[i] = t0 * x[i + 4] + t1 * x[i + 3] + t2 * x[i + 2] + t3 * x[i + 1] + t4 * x[i]
            b[i] = t0 * z[i + 4] + t1 * z[i + 3] + t2 * z[i + 2] + t3 * z[i + 1] + t4 * z[i]
        for i in range(n):
            lw = (a[i] - p2 * lw2) - p1 * lw1
            rw = (b[i] - p2 * rw2) - p1 * rw1
            ly = (lw - q2 * ly2) - q1 * ly1
            ry = (rw - q2 * ry2) - q1 * ry1
            lw2, lw1, rw2, rw1 = lw1, lw, rw1, rw
            ly2, ly1, ry2, ry1 = ly1, ly, ry1, ry
            a[i] = ly
            b[i] = ry
        ll = 0.0
        rr = 0.0
        lr = 0.0
        for i in range(n):
            ll += a[i] * a[i]
            rr += b[i] * b[i]
            lr += a[i] * b[i]
        energies[h, 0] = ll
        energies[h, 1] = rr
        left_total += ll
        right_total += rr
        cross_total += lr
    totals[0], totals[1], totals[2] = left_total, right_total, cross_total
    state[0], state[1], state[2], state[3] = lw1, lw2, ly1, ly2
    state[4], state[5], state[6], state[7] = rw1, rw2, ry1, ry2
