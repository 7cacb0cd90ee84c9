"""Compiled loop of the search for clips that are no longer flat: tops, how high, how flat and how straight."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

NEAR_TOP = 0.66
"""Tops that reach this share of the highest sample so far have their height and shape noted."""

IN_REACH = 0.35
"""The same for tops that may be straight: a high-pass moves them up and down by the bass that it turns."""

LOWEST_OCTAVE = -7
HIGHEST_OCTAVE = 2
"""Tops below 2 ** -7 (-42 dBFS) and from 2 ** 2 (+12 dBFS) on are not noted."""

PER_OCTAVE = 277.6
"""Bins of height in an octave (6.02 dB): each is 0.25 % wide."""

LEVELS = 4
STRAIGHT = 1e-5
"""A top is straight where its slope changes by at most this share of its height from sample to sample, at the finest
of `LEVELS`; each next level allows three times as much."""

CORNER = 10.0
LEAST_CORNER = 1e-3
STEEPEST = 0.25
"""A straight top has corners where the slope changes by at least so many times what counts as straight, and by these
shares of the height from sample to sample: less is the ringing of a filter, more a step of a square wave."""

BESIDE = 8
"""Samples beside a reach that a corner at its end needs."""


def _bend(row: NDArray[np.float32], i: int) -> float:
    return abs(float(row[i - 1] - np.float32(2.0) * row[i] + row[i + 1]))


def _corner(row: NDArray[np.float32], end: int, step: int, sign: float) -> tuple[float, bool]:
    """How much steeper the wave falls beyond the end of a straight piece, and whether it falls on.

    A clip begins and ends between two samples, so the slope of the wave is that of the first step or of the second.
    """
    inside = sign * float(row[end - step] - row[end])
    first = sign * float(row[end] - row[end + step]) - inside
    second = sign * float(row[end + step] - row[end + 2 * step]) - inside
    third = sign * float(row[end + 2 * step] - row[end + 3 * step]) - inside
    return max(first, second), first >= 0.0 and second >= 0.0 and third >= 0.0


def _straight(
    row: NDArray[np.float32], top: int, sign: float, height: float, limit: float, reach: int
) -> tuple[int, int, bool]:
    """Samples inside the straight piece at a top, its last, and whether the wave falls on both sides.

    No samples where there is no straight piece with corners.
    """
    middle = top - 2
    while middle <= top + 2 and _bend(row, middle) > limit:
        middle += 1
    if middle > top + 2:
        return 0, 0, False
    first, last = middle, middle
    while middle - first < reach and _bend(row, first - 1) <= limit:
        first -= 1
    while last - middle < reach and _bend(row, last + 1) <= limit:
        last += 1
    a, b = first - 1, last + 1  # its ends
    left, falls_left = _corner(row, a, -1, sign)
    right, falls_right = _corner(row, b, 1, sign)
    least = max(CORNER * limit, LEAST_CORNER * height)
    if min(left, right) < least or max(left, right) > STEEPEST * height:
        return 0, 0, False
    return last - first + 1, last, falls_left and falls_right


def _side(
    row: NDArray[np.float32], top: int, step: int, sign: float, height: float, level: float, reach: int
) -> tuple[float, float, int]:
    """Samples from a top to where the wave has fallen by 3 % and by 15 %, and how many are within `level` of it.

    The first is negative where a sample within the uppermost 2 % is higher, or to the right as high: the top is then
    another's.
    """
    highest = height if step < 0 else height * (1.0 - 1e-9)
    upper, lower, belongs = 0.97 * height, 0.85 * height, 0.98 * height
    near = -1.0
    flat = 0
    before = height
    inside = True
    for k in range(1, reach):
        value = sign * float(row[top + k * step])
        if inside:
            if value > highest:
                return -1.0, 0.0, 0
            inside = value > belongs
        if flat == k - 1 and value >= height - level:
            flat = k
        if near < 0.0 and value <= upper:
            near = k - (upper - value) / (before - value)
        if value <= lower:
            return near, k - (lower - value) / (before - value), flat
        before = value
    return near if near >= 0.0 else float(reach), float(reach), flat


def _bin(height: float) -> int:
    """The bin of a height; -1 where it is not noted."""
    octave = 0
    while height >= 1.0 and octave <= HIGHEST_OCTAVE:
        height *= 0.5
        octave += 1
    while height < 0.5 and octave > LOWEST_OCTAVE:
        height *= 2.0
        octave -= 1
    if height >= 1.0 or height < 0.5 or octave > HIGHEST_OCTAVE:
        return -1
    # The logarithm by its series in the area tangent, to 1e-5 of an octave: kernels call no library.
    x = (height - 0.70710678) / (height + 0.70710678)
    log2 = 2.88539008 * x * (1.0 + x * x * (1.0 / 3.0 + x * x * 0.2)) - 0.5
    return int((octave + log2 - LOWEST_OCTAVE) * PER_OCTAVE)


def _note_straight(
    x: NDArray[np.float32],
    i: int,
    sign: float,
    origin: int,
    reach: int,
    level: float,
    counts: NDArray[np.int64],
    at: NDArray[np.int64],
) -> None:
    """Note a top at every level at which it is straight; `origin` is the number of the first of `x`."""
    height = abs(float(x[i]))
    bend = min(_bend(x, i), min(min(_bend(x, i - 2), _bend(x, i - 1)), min(_bend(x, i + 1), _bend(x, i + 2))))
    limit = STRAIGHT * height
    for n in range(LEVELS):
        if bend <= limit and limit >= level:
            inside, last, falls = _straight(x, i, sign, height, limit, reach)
            last += origin
            if inside > 0 and last > at[n, 1]:  # else it was noted with another top on the same piece
                counts[n, min(inside, 3) - 1] += 1
                counts[n, 3] += 1 if falls and inside >= 3 else 0
                at[n, 1] = last
                if inside >= 3 and at[n, 0] < 0:
                    at[n, 0] = last - inside
        limit *= 3.0


def _note_height(
    x: NDArray[np.float32],
    i: int,
    sign: float,
    number: int,
    reach: int,
    level: float,
    heights: NDArray[np.int32],
    flat: NDArray[np.int32],
    at: NDArray[np.int64],
) -> None:
    """Note how high a top is, and how flat; `number` is that of its sample."""
    height = abs(float(x[i]))
    near = max(level, 1e-5 * height)
    left, wide_left, flat_left = _side(x, i, -1, sign, height, near, reach)
    if left < 0.0:
        return
    right, wide_right, flat_right = _side(x, i, 1, sign, height, near, reach)
    place = _bin(height)
    # A flank that falls through 12 % of the height in half a sample is a square wave's.
    if right < 0.0 or place < 0 or min(wide_left - left, wide_right - right) < 0.5:
        return
    shapes = heights.shape[1]
    shape = int(2.0 * (shapes - 1) * ((left + right) / (wide_left + wide_right) - 0.5)) + 1
    heights[place, max(0, min(shape, shapes - 1))] += 1
    flat[place] += 1 if flat_left + flat_right >= 2 else 0
    if at[place] < 0:
        at[place] = number


@kernel
def note_tops(
    row: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    tops: NDArray[np.float32],
    reach: int,
    level: float,
    highest: NDArray[np.float32],
    heights: NDArray[np.int32],
    flat: NDArray[np.int32],
    height_at: NDArray[np.int64],
    straight: NDArray[np.int64],
    straight_at: NDArray[np.int64],
) -> None:
    """Note the tops of both signs, from `reach` + BESIDE samples before the first hop to as many before the last's end.

    `highest`: the largest sample so far, and that of the hop before. `heights` (2, bins, shapes): tops by height and
    flatness; `flat` (2, bins): those of three and more samples within `level`, or 1e-5 of the height; `height_at`
    (2, bins): where the first was. `straight` (2, levels, 4): straight tops with one, two, three and more samples
    inside, and of the last those from which the wave falls on both sides; `straight_at` (2, levels, 2): where the
    first of the last kind was, and where the latest of any ends. No bend below `level` counts as straight.
    """
    lag = reach + BESIDE
    most, previous = highest[0], highest[1]
    for h in range(edges.shape[0] - 1):
        here = max(previous, tops[h])
        previous = tops[h]
        most = max(most, tops[h])
        floor = np.float32(IN_REACH) * most
        if here <= floor:
            continue
        x = row[offset + edges[h] - 2 * lag :]
        first = origin + edges[h] - 2 * lag
        for k in range(edges[h + 1] - edges[h]):
            i = k + lag
            size = abs(x[i])
            if size <= floor:
                continue
            sign = 1.0 if x[i] > 0.0 else -1.0
            if sign * x[i - 1] > size or sign * x[i + 1] >= size:
                continue
            s = 0 if sign > 0.0 else 1
            _note_straight(x, i, sign, first, reach, level, straight[s], straight_at[s])
            if size > np.float32(NEAR_TOP) * most:
                _note_height(x, i, sign, first + i, reach, level, heights[s], flat[s], height_at[s])
    highest[0], highest[1] = most, previous
