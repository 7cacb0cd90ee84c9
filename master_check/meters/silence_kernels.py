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
    before, after = levels[0], levels[1]
    run, seen, start, drops, first = state[0], state[1], state[2], state[3], state[4]
    for h in range(edges.shape[0] - 1):
        size = edges[h + 1] - edges[h]
        if zeros[h] == 0 and run == 0 and seen < 0:
            continue
        if zeros[h] == size and run > 0 and seen < 0:
            run += size
            continue
        x = row[offset + edges[h] - NEAR :]
        for i in range(size):
            level = abs(x[i + NEAR])
            if seen >= 0:
                after = max(after, level)
                seen += 1
                if seen == NEAR:
                    if after > loud:
                        drops += 1
                        if drops == 1:
                            first = start
                    seen = -1
            if level == 0.0:
                if run == 0:
                    before = 0.0
                    for k in range(i, i + NEAR):
                        before = max(before, abs(x[k]))
                run += 1
                continue
            if shortest <= run <= longest and before > loud:
                seen = 1
                start = origin + edges[h] + i - run
                after = level
            run = 0
    levels[0], levels[1] = before, after
    state[0], state[1], state[2], state[3], state[4] = run, seen, start, drops, first
