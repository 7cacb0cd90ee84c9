"""Compiled loops of the true-peak meter: a cheap bound, a short interpolator, a long one where it counts."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel
from master_check.sound.block_kernels import MAGNITUDE

SPAN = 64
"""Samples that one bound speaks for."""

MARGIN = 0.85113804
"""-1.4 dB. The short interpolator may read this much below the long one on material full of energy at the band edge
(white noise clipped hard, squares of single samples); every peak of the short one within it is read again by the
medium one. With -1 dB one channel in thirty of such material reads up to 0.2 dB low, with -1.4 dB none was found to."""

NEAR = 0.94406088
"""-0.5 dB. The same of the medium interpolator; what it finds within this is read again by the long one."""


def _span_tops(
    row: NDArray[np.float32],
    bits: NDArray[np.int32],
    first: int,
    bent: NDArray[np.float32],
    bent_bits: NDArray[np.int32],
    reach: NDArray[np.int32],
) -> None:
    """Largest sample and largest second difference of each SPAN samples of `row` from `first` on, as bits."""
    for s in range(reach.shape[1]):
        x = row[first + s * SPAN - 1 :]
        levels = bits[first + s * SPAN :]
        for i in range(SPAN):
            bent[i] = x[i] - np.float32(2.0) * x[i + 1] + x[i + 2]
        top = np.int32(0)
        bend = np.int32(0)
        for i in range(SPAN):
            level = levels[i] & MAGNITUDE
            top = level if level > top else top
        for i in range(SPAN):
            level = bent_bits[i] & MAGNITUDE
            bend = level if level > bend else bend
        reach[0, s] = top
        reach[1, s] = bend


def _interpolate_span(
    row: NDArray[np.float32], first: int, taps: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """The three values between each of SPAN samples and its successor, into `out` (3, SPAN)."""
    width = taps.shape[1]
    for j in range(SPAN):
        out[0, j] = np.float32(0.0)
        out[1, j] = np.float32(0.0)
        out[2, j] = np.float32(0.0)
    for k in range(0, width, 4):
        a0, a1, a2, a3 = taps[0, k], taps[0, k + 1], taps[0, k + 2], taps[0, k + 3]
        b0, b1, b2, b3 = taps[1, k], taps[1, k + 1], taps[1, k + 2], taps[1, k + 3]
        c0, c1, c2, c3 = taps[2, k], taps[2, k + 1], taps[2, k + 2], taps[2, k + 3]
        x = row[first - width // 2 + 1 + k :]
        for j in range(SPAN):
            x0, x1, x2, x3 = x[j], x[j + 1], x[j + 2], x[j + 3]
            out[0, j] += a0 * x0 + a1 * x1 + a2 * x2 + a3 * x3
            out[1, j] += b0 * x0 + b1 * x1 + b2 * x2 + b3 * x3
            out[2, j] += c0 * x0 + c1 * x1 + c2 * x2 + c3 * x3


def _read_point(row: NDArray[np.float32], at: int, quarter: int, taps: NDArray[np.float32]) -> float:
    """Magnitude at `quarter` quarters (-1 to 3) after sample `at`."""
    if quarter == 0:
        return abs(float(row[at]))
    phase, first = (2, at - 1) if quarter < 0 else (quarter - 1, at)
    width = taps.shape[1]
    h = taps[phase]
    x = row[first - width // 2 + 1 :]
    total = np.float32(0.0)
    for k in range(width):
        total += h[k] * x[k]
    return abs(float(total))


@kernel
def scan(
    row: NDArray[np.float32],
    bits: NDArray[np.int32],
    first: int,
    last: int,
    origin: int,
    short: NDArray[np.float32],
    medium: NDArray[np.float32],
    long: NDArray[np.float32],
    gain: float,
    bend: float,
    apart: float,
    reach: NDArray[np.float32],
    reach_bits: NDArray[np.int32],
    work: NDArray[np.float32],
    work_bits: NDArray[np.int32],
    state: NDArray[np.float64],
    places: NDArray[np.float64],
) -> None:
    """Raise `state` = (peak, its sample, first over's sample, last sample of the last one, overs) by `row[first:last]`.

    `row[first]` is sample number `origin` of the file; half the long interpolator and two spans must be there on
    either side. An over goes on for `apart` samples after its last point above full scale. Its top is read by the long
    interpolator; points that carry it on are read by the short one, but for those that come when it is about to end.
    `places` takes where the first overs begin. `reach` (2, spans + 2) and `work` (4, SPAN + 2) are scratch; the arrays
    named `bits` are others seen as int32.

    Two bounds tell which spans can matter, the lower counts: `gain` (sum of |taps|) times the largest sample in
    reach; and, as the interpolator reproduces straight lines to 0.2 %, the largest sample plus `bend` times the
    largest second difference in reach.
    """
    peak, peak_at, first_over, until, overs = state[0], state[1], state[2], state[3], state[4]
    levels, bends, tops = reach[0], reach[1], work[3]
    _span_tops(row, bits, first - SPAN, work[0], work_bits[0], reach_bits)
    for span in range(reach.shape[1] - 2):
        floor = MARGIN * min(peak, 1.0)
        level = max(levels[span], max(levels[span + 1], levels[span + 2]))
        bound = min(gain * level, 1.002 * level + bend * max(bends[span], max(bends[span + 1], bends[span + 2])))
        if bound <= floor:
            continue
        start = first + span * SPAN
        _interpolate_span(row, start, short, work)
        x = row[start:]
        for j in range(SPAN):
            top = abs(x[j])
            for phase in range(3):
                level = abs(work[phase, j])
                top = level if level > top else top
            tops[j + 1] = top
        for j in range(min(SPAN, last - start)):
            sample = float(origin + (start - first) + j)
            own = abs(float(x[j]))
            if own > peak:  # what is read between the samples can be lower than one of them; the peak is not
                peak = own
                peak_at = sample
            level = float(tops[j + 1])
            if level > 1.0 and sample <= until:
                until = sample + apart
            if level <= floor or tops[j] > tops[j + 1] or tops[j + 2] > tops[j + 1]:
                continue
            # Read again what could be the peak, and what could start an over, or carry one on that is about to end.
            late = sample > until - 0.75 * apart
            if level > MARGIN * peak or (late and level * MARGIN < 1.0):
                # The point before is read too because the short interpolator may take the sample for the top of a
                # wave whose top is just before it (0.25 dB on white noise).
                level = 0.0
                quarter = 0
                for point in range(-1, 4):
                    value = _read_point(row, start + j, point, medium)
                    quarter = point if value > level else quarter
                    level = value if value > level else level
                if level > NEAR * peak or (late and NEAR < level < 1.0 / NEAR):
                    level = _read_point(row, start + j, quarter, long)
                sample += 0.25 * quarter
            if level > peak:
                peak = level
                peak_at = sample
            if level > 1.0:
                first_over = sample if overs == 0.0 else first_over
                if sample > until:
                    if overs < places.shape[0]:
                        places[int(overs)] = sample
                    overs += 1.0
                until = sample + apart
    state[0], state[1], state[2], state[3], state[4] = peak, peak_at, first_over, until, overs
