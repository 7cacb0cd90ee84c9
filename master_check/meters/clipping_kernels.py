"""Compiled loops of the clipping meter: runs at full scale, and flat tops at a channel's own ceiling."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def full_scale_runs(
    row: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    tops: NDArray[np.float32],
    full: float,
    shortest: int,
    state: NDArray[np.int64],
) -> None:
    """Count runs of `shortest` or more samples of one sign at or above `full`.

    `state`: run so far, its sign, runs, samples in them, longest, first one's sample. A run that is still going on
    at the end of a block is counted once it has `shortest` samples and grows from there.
    """
    full32 = np.float32(full)
    for h in range(edges.shape[0] - 1):
        if tops[h] < full32:
            state[0] = 0
            continue
        for i in range(edges[h], edges[h + 1]):
            value = row[offset + i]
            sign = 1 if value >= full32 else (-1 if value <= -full32 else 0)
            if sign == 0:
                state[0] = 0
                continue
            state[0] = state[0] + 1 if state[0] > 0 and sign == state[1] else 1
            state[1] = sign
            if state[0] == shortest:
                state[2] += 1
                state[3] += shortest
                if state[2] == 1:
                    state[5] = origin + i - shortest + 1
            elif state[0] > shortest:
                state[3] += 1
            if state[0] >= shortest:
                state[4] = max(state[4], state[0])


@kernel
def flat_tops(
    row: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    tops: NDArray[np.float32],
    sign: float,
    same: float,
    step: float,
    shortest: int,
    levels: NDArray[np.float64],
    state: NDArray[np.int64],
) -> None:
    """Count flat tops at the highest value so far of `sign` times the samples; a higher value starts anew.

    A sample is at the ceiling within the fraction `same` of it, or within `step`. A top of n >= `shortest` such
    samples counts where both neighbours lie lower than the parabola through a smooth top of that width allows, with
    a factor of two to spare: a smooth top bends, a clipped one has corners.
    `levels`: ceiling, value before the run. `state`: run so far, tops, first one's sample.
    """
    for h in range(edges.shape[0] - 1):
        first, last = edges[h], edges[h + 1]
        width = max(same * levels[0], step)
        if tops[h] < levels[0] - width:
            last = min(last, first + 1) if state[0] > 0 else first
        for i in range(first, last):
            value = sign * float(row[offset + i])
            width = max(same * levels[0], step)
            if value > levels[0] + width:
                state[0] = 0
                state[1] = 0
            if value > 0.0 and value >= levels[0] - width:
                if state[0] == 0:
                    levels[1] = sign * float(row[offset + i - 1])
                levels[0] = max(levels[0], value)
                state[0] += 1
                continue
            if state[0] >= shortest:
                n = state[0]
                corner = levels[0] - 2.0 * width * ((n + 1.0) / (n - 1.0)) ** 2
                if levels[1] < corner and value < corner:
                    state[1] += 1
                    if state[1] == 1:
                        state[2] = origin + i - n
            state[0] = 0
