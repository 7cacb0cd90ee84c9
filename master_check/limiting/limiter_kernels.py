"""Compiled loops of the limiter: peaks over all channels, the peak hold, the gain curve, its application."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

BLOCK = 256
"""Samples interpolated side by side, so that the compiler can use vector registers."""

Frames = NDArray[np.float32] | NDArray[np.float64]


@kernel
def linked_peaks(frames: Frames, peaks: NDArray[np.float32]) -> None:
    """Raise `peaks[n]` to the largest magnitude of frame n over all channels."""
    for n in range(frames.shape[0]):
        for channel in range(frames.shape[1]):
            level = np.float32(abs(frames[n, channel]))
            peaks[n] = level if level > peaks[n] else peaks[n]


@kernel
def linked_peaks_between(
    row: NDArray[np.float32], taps: NDArray[np.float32], values: NDArray[np.float32], peaks: NDArray[np.float32]
) -> None:
    """Raise `peaks` by the interpolated values of one channel that lie between its samples.

    `taps` (phases, width) give the values between sample n and n + 1; `row` holds the channel with width // 2
    zeros before it and enough after it to fill the last block. A value between two samples counts for both,
    since the gain of both shapes it. `values` (BLOCK) is scratch.
    """
    width = taps.shape[1]
    for start in range(0, peaks.size, BLOCK):
        count = min(BLOCK, peaks.size - start)
        for phase in range(taps.shape[0]):
            values[:] = np.float32(0.0)
            for k in range(0, width, 4):
                h0, h1, h2, h3 = taps[phase, k], taps[phase, k + 1], taps[phase, k + 2], taps[phase, k + 3]
                x = row[start + 1 + k :]
                for j in range(BLOCK):
                    values[j] += h0 * x[j] + h1 * x[j + 1] + h2 * x[j + 2] + h3 * x[j + 3]
            for j in range(count):
                level = abs(values[j])
                n = start + j
                peaks[n] = level if level > peaks[n] else peaks[n]
                if n + 1 < peaks.size:
                    peaks[n + 1] = level if level > peaks[n + 1] else peaks[n + 1]


@kernel
def hold(peaks: NDArray[np.float32], span: int) -> None:
    """Replace `peaks[n]` by the largest of peaks[n : n + span], in place.

    The window doubles until it is long enough: log2(span) passes that vectorise beat one clever queue.
    """
    reached = 1
    while reached < span:
        step = min(reached, span - reached)
        for n in range(peaks.size - step):
            later = peaks[n + step]
            peaks[n] = later if later > peaks[n] else peaks[n]
        reached += step


@kernel
def gain_curve(
    held: NDArray[np.float32],
    drive: float,
    rise: float,
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    sums: NDArray[np.int64],
    gains: NDArray[np.float64],
    curve: NDArray[np.float32],
) -> None:
    """The limiter's gain for a signal whose held peaks are `held`, `drive` times the ceiling; goes on where it was.

    `curve[n]` is the gain of the sample that is first.size + second.size - 2 before that of `held[n]`. The reduction
    (1 - gain) is counted in whole steps of 2^-31, rounded up, so that the two moving averages over it are exact sums:
    no drift, no gain above the needed one, and exactly 1 where nothing is to be done. `first` and `second` are their
    windows, `sums` (4,) their sums and places, `gains` (1,) the last gain before they average it; at the start all
    are 0, and the gain is 1.
    """
    scale = float(1 << 31)
    unit = 1.0 / (scale * first.size * second.size)
    sum_first, sum_second, i, j = sums[0], sums[1], sums[2], sums[3]
    gain = gains[0]
    for n in range(held.size):
        gain += rise * (1.0 - gain)
        if gain > 0.99999:  # the tail of the release nobody hears ends here, so that the gain reaches 1
            gain = 1.0
        need = drive * held[n]
        if gain * need > 1.0:
            gain = 1.0 / need
        reduction = np.int64(0)
        if gain < 1.0:
            reduction = np.int64((1.0 - gain) * scale) + 1
        sum_first += reduction - first[i]
        first[i] = reduction
        i = i + 1 if i + 1 < first.size else 0
        sum_second += sum_first - second[j]
        second[j] = sum_first
        j = j + 1 if j + 1 < second.size else 0
        curve[n] = 1.0 - unit * sum_second
    sums[0], sums[1], sums[2], sums[3] = sum_first, sum_second, i, j
    gains[0] = gain


@kernel
def apply(frames: Frames, curve: NDArray[np.float32], gain: float, ceiling: float) -> None:
    """Multiply `frames` by `gain` * `curve`, in place; only rounding can pass the ceiling, and is cut."""
    for n in range(frames.shape[0]):
        factor = gain * curve[n]
        for channel in range(frames.shape[1]):
            frames[n, channel] = max(-ceiling, min(ceiling, frames[n, channel] * factor))


@kernel
def lowest(curve: NDArray[np.int32], start: int, step: int, lows: NDArray[np.int32]) -> None:
    """Lower `lows`, one every `step` samples, to the lowest gain in each; `curve` begins with sample `start`.

    Both are the bits of float32 that are not negative: they order like integers, whose comparison vectorises.
    """
    n = 0
    for i in range(start // step, (start + curve.size - 1) // step + 1):
        least = lows[i]
        end = min(curve.size, (i + 1) * step - start)
        part = curve[n:]
        for k in range(end - n):
            least = part[k] if part[k] < least else least
        lows[i] = least
        n = end
