"""Compiled loop of the silence meter: a channel falls to exact zero and comes back."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

NEAR = 32
"""Samples before and after a gap that tell how loud it was there."""


@kernel
def dropouts(
    row: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    zeros: NDArray[np.int32],
    shortest: int,
    longest: int,
    loud: float,
    levels: NDArray[np.float64],
    state: NDArray[np.int64],
) -> None:
    """Count runs of `shortest` to `longest` zeros with something above `loud` within NEAR samples on both sides.

    `levels`: loudest sample before the run, after it. `state`: zeros so far, samples seen since the run ended (-1: no
    run waits), the waiting run's first sample, dropouts, first one's sample.
    """
    for h in range(edges.shape[0] - 1):
        first, last = edges[h], edges[h + 1]
        if zeros[h] == 0 and state[0] == 0 and state[1] < 0:
            continue
        if zeros[h] == last - first and state[0] > 0 and state[1] < 0:
            state[0] += last - first
            continue
        for i in range(first, last):
            level = abs(float(row[offset + i]))
            if state[1] >= 0:
                levels[1] = max(levels[1], level)
                state[1] += 1
                if state[1] == NEAR:
                    if levels[1] > loud:
                        state[3] += 1
                        if state[3] == 1:
                            state[4] = state[2]
                    state[1] = -1
            if level == 0.0:
                if state[0] == 0:
                    levels[0] = 0.0
                    for k in range(i - NEAR, i):
                        levels[0] = max(levels[0], abs(float(row[offset + k])))
                state[0] += 1
                continue
            if shortest <= state[0] <= longest and levels[0] > loud:
                state[1] = 1
                state[2] = origin + i - state[0]
                levels[1] = level
            state[0] = 0
