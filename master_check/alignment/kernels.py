"""Compiled loop that reads a signal between its samples."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def interpolate(
    row: NDArray[np.float32], at: float, step: float, table: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """Write the values of `row` at the places `at`, `at` + `step`, ... into `out`.

    `table` (phases + 1, taps) holds an interpolator for every place between two samples, the last row being the first
    of the next sample; places between the phases are interpolated in a straight line. Every place needs
    taps / 2 - 1 samples of `row` before it and taps / 2 + 1 after it.
    """
    phases, taps = table.shape[0] - 1, table.shape[1]
    for n in range(out.size):
        place = at + n * step
        whole = int(place)
        between = (place - whole) * phases
        phase = min(int(between), phases - 1)
        x = row[whole - taps // 2 + 1 :]
        low, high = table[phase], table[phase + 1]
        below, above = np.float32(0.0), np.float32(0.0)
        for k in range(taps):
            below += low[k] * x[k]
            above += high[k] * x[k]
        out[n] = below + np.float32(between - phase) * (above - below)
