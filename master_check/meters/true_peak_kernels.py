"""Compiled loops of the true-peak meter: a cheap bound, a short interpolator, a long one where it counts."""

import numpy as np
from numpy.typing import NDArray

from master_check.audio_kernels import MAGNITUDE
from master_check.jit import kernel

SPAN = 64
"""Samples that one bound speaks for."""

MARGIN = 0.85113804
"""-1.4 dB. The short interpolator may read this much below the long one on material full of energy at the band edge
(white noise clipped hard, squares of single samples); every peak of the short one within it is read again by the
medium one. With -1 dB one channel in thirty of such material reads up to 0.2 dB low, with -1.4 dB none was found to."""

NEAR = 0.94406088
"""-0.5 dB. The same of the medium interpolator; what it finds within this is read again by the long one."""


@kernel
def _span_tops(
    row: NDArray[np.float32],
    bits: NDArray[np.int32],
    first: int,
    tops: NDArray[np.float32],
    bends: NDArray[np.float32],
) -> None:
    """Largest sample and largest second difference of each SPAN samples of `row` from `first` on."""
    bent = np.empty(SPAN, np.float32)
    bent_bits = bent.view(np.int32)
    pattern = np.empty(2, np.int32)
    as_float = pattern.view(np.float32)
    for s in range(tops.shape[0]):
        at = first + s * SPAN
        x = row[at - 1 : at + SPAN + 1]
        for i in range(SPAN):
            bent[i] = x[i] - np.float32(2.0) * x[i + 1] + x[i + 2]
        levels = bits[at : at + SPAN]
        top = np.int32(0)
        bend = np.int32(0)
        for i in range(SPAN):
            level = levels[i] & MAGNITUDE
            top = level if level > top else top
        for i in range(SPAN):
            level = bent_bits[i] & MAGNITUDE
            bend = level if level > bend else bend
        pattern[0] = top
        pattern[1] = bend
        tops[s] = as_float[0]
        bends[s] = as_float[1]


@kernel
def _interpolate_span(
    row: NDArray[np.float32], first: int, taps: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """The three values between each of SPAN samples and its successor, into `out` (3, SPAN)."""
    width = taps.shape[1]
    a, b, c = out[0], out[1], out[2]
    out[:] = np.float32(0.0)
    for k in range(0, width, 4):
        a0, a1, a2, a3 = taps[0, k], taps[0, k + 1], taps[0, k + 2], taps[0, k + 3]
        b0, b1, b2, b3 = taps[1, k], taps[1, k + 1], taps[1, k + 2], taps[1, k + 3]
        c0, c1, c2, c3 = taps[2, k], taps[2, k + 1], taps[2, k + 2], taps[2, k + 3]
        x = row[first - width // 2 + 1 + k :]
        for j in range(SPAN):
            x0, x1, x2, x3 = x[j], x[j + 1], x[j + 2], x[j + 3]
            a[j] += a0 * x0 + a1 * x1 + a2 * x2 + a3 * x3
            b[j] += b0 * x0 + b1 * x1 + b2 * x2 + b3 * x3
            c[j] += c0 * x0 + c1 * x1 + c2 * x2 + c3 * x3


@kernel
def _read_point(row: NDArray[np.float32], at: int, quarter: int, taps: NDArray[np.float32]) -> float:
    """Magnitude at `quarter` quarters (-1 to 3) after sample `at`."""
    if quarter == 0:
        return abs(float(row[at]))
    phase, first = (2, at - 1) if quarter < 0 else (quarter - 1, at)
    width = taps.shape[1]
    h = taps[phase]
    x = row[first - width // 2 + 1 : first + width // 2 + 1]
    total = np.float32(0.0)
    for k in range(width):
        total += h[k] * x[k]
    return abs(float(total))


@kernel
def _read_peak(row: NDArray[np.float32], at: int, taps: NDArray[np.float32]) -> tuple[float, int]:
    """Largest magnitude among sample `at`, the point before and the three after it, and its quarter.

    The point before is read too because the short interpolator may take the sample for the top of a wave whose top
    is just before it (0.25 dB on white noise).
    """
    best = 0.0
    where = 0
    for quarter in range(-1, 4):
        level = _read_point(row, at, quarter, taps)
        if level > best:
            best = level
            where = quarter
    return best, where


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
    state: NDArray[np.float64],
) -> None:
    """Raise `state` = (peak, its sample, first over's sample, last over's, overs) by `row[first:last]`.

    `row[first]` is sample number `origin` of the file, `bits` is `row` seen as int32; half the long interpolator and
    two spans must be there on either side. Points above full scale fewer than `apart` samples after the start of an
    over belong to it.

    Two bounds tell which spans can matter, the lower counts: `gain` (sum of |taps|) times the largest sample in
    reach; and, as the interpolator reproduces straight lines to 0.2 %, the largest sample plus `bend` times the
    largest second difference in reach.
    """
    spans = (last - first + SPAN - 1) // SPAN
    levels = np.empty(spans + 2, np.float32)
    bends = np.empty(spans + 2, np.float32)
    _span_tops(row, bits, first - SPAN, levels, bends)
    points = np.empty((3, SPAN), np.float32)
    tops = np.zeros(SPAN + 2, np.float32)
    for span in range(spans):
        floor = MARGIN * min(state[0], 1.0)
        level = max(levels[span], max(levels[span + 1], levels[span + 2]))
        bound = min(gain * level, 1.002 * level + bend * max(bends[span], max(bends[span + 1], bends[span + 2])))
        if bound <= floor:
            continue
        start = first + span * SPAN
        _interpolate_span(row, start, short, points)
        x = row[start : start + SPAN]
        for j in range(SPAN):
            top = abs(x[j])
            for phase in range(3):
                level = abs(points[phase, j])
                top = level if level > top else top
            tops[j + 1] = top
        for j in range(min(SPAN, last - start)):
            own = abs(float(x[j]))
            if own > state[0]:  # what is read between the samples can be lower than one of them; the peak is not
                state[0] = own
                state[1] = float(origin + (start - first) + j)
            level = float(tops[j + 1])
            if level <= floor or tops[j] > tops[j + 1] or tops[j + 2] > tops[j + 1]:
                continue
            sample = float(origin + (start - first) + j)
            apart_enough = state[4] == 0.0 or sample - state[3] > apart
            # Read again what could be the peak, and what could be the start of another over.
            if level > MARGIN * state[0] or (apart_enough and level * MARGIN < 1.0):
                level, quarter = _read_peak(row, start + j, medium)
                if level > NEAR * state[0] or (apart_enough and NEAR < level < 1.0 / NEAR):
                    level = _read_point(row, start + j, quarter, long)
                sample += 0.25 * quarter
            if level > state[0]:
                state[0] = level
                state[1] = sample
            if level > 1.0 and apart_enough:
                state[2] = sample if state[4] == 0.0 else state[2]
                state[3] = sample
                state[4] += 1.0
