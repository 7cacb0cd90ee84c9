"""Compiled loop of the silence meter: a channel falls to exact zero and comes back."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

NEAR = 32
"""Samples before and after a gap that tell how loud it was there."""


@kernel
def gaps(
    row: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    zeros: NDArray[np.int32],
    playing: NDArray[np.bool_],
    shortest: int,
    longest: int,
    loud: float,
    levels: NDArray[np.float64],
    state: NDArray[np.int64],
    found: NDArray[np.int64],
    places: NDArray[np.int64],
) -> None:
    """Count runs of `shortest` or more zeros with something above `loud` within NEAR samples on both sides.

    A run of at most `longest` samples is a dropout. A longer one is a gap of this channel if another plays in at least
    half of the hops that lie wholly in it: `playing` says of each hop whether any channel does.
    `levels`: loudest sample before the run, after it. `state`: zeros so far, hops in them in which another channel
    plays less those in which none does, samples seen since the run ended (-1: no run waits), the waiting run's first
    sample, its length. `found`: of dropouts and of gaps, how many, the first one's sample, samples in the longest, its
    first sample. `places` (2, most) takes where the first of each begin.
    """
    before, after = levels[0], levels[1]
    run, alone, seen, start, length = state[0], state[1], state[2], state[3], state[4]
    for h in range(edges.shape[0] - 1):
        size = edges[h + 1] - edges[h]
        if zeros[h] == 0 and run == 0 and seen < 0:
            continue
        if zeros[h] == size:
            alone += 1 if playing[h] else -1
            if run > 0 and seen < 0:
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
                        kind = 1 if length > longest else 0
                        if found[kind, 0] == 0:
                            found[kind, 1] = start
                        if found[kind, 0] < places.shape[1]:
                            places[kind, found[kind, 0]] = start
                        found[kind, 0] += 1
                        if length > found[kind, 2]:
                            found[kind, 2] = length
                            found[kind, 3] = start
                    seen = -1
            if level == 0.0:
                if run == 0:
                    before = 0.0
                    for k in range(i, i + NEAR):
                        before = max(before, abs(x[k]))
                run += 1
                continue
            if run >= shortest and before > loud and (run <= longest or alone >= 0):
                seen = 1
                start = origin + edges[h] + i - run
                length = run
                after = level
            run = 0
            alone = 0
    levels[0], levels[1] = before, after
    state[0], state[1], state[2], state[3], state[4] = run, alone, seen, start, length
