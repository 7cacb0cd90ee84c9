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
    places: NDArray[np.int64],
) -> None:
    """Count runs of `shortest` or more samples of one sign at or above `full`; `places` takes where the first begin.

    `state`: run so far, its sign, runs, samples in them, longest, first one's sample. A run that is still going on
    at the end of a block is counted once it has `shortest` samples and grows from there.
    """
    full32 = np.float32(full)
    run, sign, runs, samples, longest, first = state[0], state[1], state[2], state[3], state[4], state[5]
    for h in range(edges.shape[0] - 1):
        if tops[h] < full32:
            run = 0
            continue
        x = row[offset + edges[h] :]
        for i in range(edges[h + 1] - edges[h]):
            own = 1 if x[i] >= full32 else (-1 if x[i] <= -full32 else 0)
            if own == 0:
                run = 0
                continue
            run = run + 1 if run > 0 and own == sign else 1
            sign = own
            if run == shortest:
                start = origin + edges[h] + i - shortest + 1
                if runs < places.shape[0]:
                    places[runs] = start
                runs += 1
                samples += shortest
                if runs == 1:
                    first = start
            elif run > shortest:
                samples += 1
            if run >= shortest and run > longest:
                longest = run
    state[0], state[1], state[2], state[3], state[4], state[5] = run, sign, runs, samples, longest, first


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
    places: NDArray[np.int64],
) -> None:
    """Count flat tops at the highest value so far of `sign` times the samples; a higher value starts anew.

    A sample is at the ceiling within the fraction `same` of it, or within `step`. A top of n >= `shortest` such
    samples counts where both neighbours lie lower than the parabola through a smooth top of that width allows, with
    a factor of two to spare: a smooth top bends, a clipped one has corners.
    `levels`: ceiling, value before the run. `state`: run so far, tops, first one's sample. `places` takes where the
    first begin.
    """
    ceiling, before = levels[0], levels[1]
    run, flats, first = state[0], state[1], state[2]
    for h in range(edges.shape[0] - 1):
        size = edges[h + 1] - edges[h]
        if tops[h] == 0.0 or tops[h] < ceiling - max(same * ceiling, step):
            size = min(size, 1) if run > 0 else 0
        x = row[offset + edges[h] - 1 :]
        for i in range(size):
            value = sign * float(x[i + 1])
            width = max(same * ceiling, step)
            if value > ceiling + width:
                run = 0
                flats = 0
            if value > 0.0 and value >= ceiling - width:
                if run == 0:
                    before = sign * float(x[i])
                ceiling = max(ceiling, value)
                run += 1
                continue
            if run >= shortest:
                corner = ceiling - 2.0 * width * ((run + 1.0) / (run - 1.0)) ** 2
                if before < corner and value < corner:
                    if flats < places.shape[0]:
                        places[flats] = origin + edges[h] + i - run
                    flats += 1
                    if flats == 1:
                        first = origin + edges[h] + i - run
            run = 0
    levels[0], levels[1] = ceiling, before
    state[0], state[1], state[2] = run, flats, first
