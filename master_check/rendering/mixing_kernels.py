"""Compiled loop of the renderer: tracks on loudspeakers, by gains that stay or move in a straight line."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel


@kernel
def mix(
    samples: NDArray[np.float32],
    origin: int,
    start: int,
    end: int,
    tracks: NDArray[np.int64],
    spans: NDArray[np.int64],
    ramps: NDArray[np.float64],
    gains: NDArray[np.float32],
    steps: NDArray[np.float32],
    out: NDArray[np.float32],
    sounding: NDArray[np.uint8],
) -> None:
    """Add each track to the rows of `out`, from sample `start` to `end` of the file.

    `samples` (tracks, ...) and `out` (rows, ...) hold sample s in column s - origin; `steps` is 0, 1, 2, ... Of each
    item, `tracks` says its track. `spans` (items, n, 4): from and to which sample, and between which of its `gains`
    (items, n + 1, rows); `ramps` (items, n, 2): at which sample the first is, and how much of the way a sample is.
    Rows that get anything are marked in `sounding`.
    """
    for item in range(tracks.shape[0]):
        for span in range(spans.shape[1]):
            first = max(spans[item, span, 0], start)
            last = min(spans[item, span, 1], end)
            if last <= first:
                continue
            length = last - first
            x = samples[tracks[item], first - origin :]
            before = gains[item, spans[item, span, 2]]
            behind = gains[item, spans[item, span, 3]]
            way = (first - ramps[item, span, 0]) * ramps[item, span, 1]
            for row in range(out.shape[0]):
                change = behind[row] - before[row]
                if before[row] == 0.0 and change == 0.0:
                    continue
                sounding[row] = 1
                y = out[row, first - origin :]
                gain = np.float32(before[row] + change * way)
                slope = np.float32(change * ramps[item, span, 1])
                if slope == 0.0:
                    for i in range(length):
                        y[i] += gain * x[i]
                else:
                    for i in range(length):
                        y[i] += (gain + slope * steps[i]) * x[i]
