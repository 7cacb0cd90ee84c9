"""Compiled loop of the search for clips that are no longer flat: tops, how high, how flat and how straight."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

NEAR_TOP = 0.66
"""Tops that reach this share of the highest sample so far have their height and shape noted; 10 ms that do not reach
it are passed over."""

IN_REACH = 0.35
"""The same for tops that may be straight: a high-pass moves them up and down by the bass that it turns."""

LOWEST_OCTAVE = -7
HIGHEST_OCTAVE = 2
"""Tops below 2 ** -7 (-42 dBFS) and from 2 ** 2 (+12 dBFS) on are not noted."""

PER_OCTAVE = 277.6
"""Bins of height in an octave (6.02 dB): each is 0.25 % wide."""

LEVELS = 5
STRAIGHT = 1e-5
"""A top is straight where its slope changes by at most this share of its height from sample to sample, at the finest
of `LEVELS`; each next level allows three times as much. The last only shows what comes by chance."""

COARSEST = STRAIGHT * 3.0 ** (LEVELS - 1)

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
    row: NDArray[np.float32], top: int, step: int, sign: np.float32, height: np.float32, level: np.float32, reach: int
) -> tuple[float, float, int]:
    """Samples from a top to where the wave has fallen by 3 % and by 15 %, and how many are within `level` of it.

    The first is negative where a sample within the uppermost 2 % is higher, or to the right as high: the top is then
    another's.
    """
    upper, lower, belongs = np.float32(0.97) * height, np.float32(0.85) * height, np.float32(0.98) * height
    k = 1
    value = sign * row[top + step]
    while value >= height - level and k < reach:
        if value > height or (value == height and step > 0):
            return -1.0, 0.0, 0
        k += 1
        value = sign * row[top + k * step]
    flat = k - 1
    while value > belongs and k < reach:
        if value > height or (value == height and step > 0):
            return -1.0, 0.0, 0
        k += 1
        value = sign * row[top + k * step]
    while value > upper and k < reach:
        k += 1
        value = sign * row[top + k * step]
    before = sign * row[top + (k - 1) * step]
    near = k - float(upper - value) / float(before - value) if value <= upper else float(reach)
    while value > lower and k < reach:
        k += 1
        value = sign * row[top + k * step]
    before = sign * row[top + (k - 1) * step]
    wide = k - float(lower - value) / float(before - value) if value <= lower else float(reach)
    return near, wide, flat


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
    weight: int,
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
                at[n, 1] = last
                if inside >= 3:
                    counts[n, 3] += 1 if falls else 0
                    counts[n, 4] += weight
                    at[n, 0] = last - inside if at[n, 0] < 0 else at[n, 0]
        limit *= 3.0


def _note_height(
    x: NDArray[np.float32],
    i: int,
    sign: float,
    number: int,
    reach: int,
    level: float,
    weight: int,
    heights: NDArray[np.int32],
    tally: NDArray[np.int64],
    at: NDArray[np.int64],
) -> int:
    """Note how high a top is, and how flat; `number` is that of its sample. Returns 1, or 0 where it is none."""
    height = abs(x[i])
    near = np.float32(max(level, 1e-5 * float(height)))
    up = np.float32(sign)
    left, wide_left, flat_left = _side(x, i, -1, up, height, near, reach)
    if left < 0.0:
        return 0
    right, wide_right, flat_right = _side(x, i, 1, up, height, near, reach)
    place = _bin(float(height))
    if right < 0.0 or place < 0:
        return 0
    # A flank that falls through 12 % of the height in half a sample may be a square wave's, whose shape tells nothing.
    if min(wide_left - left, wide_right - right) >= 0.5:
        shapes = heights.shape[1]
        shape = int(2.0 * (shapes - 1) * ((left + right) / (wide_left + wide_right) - 0.5)) + 1
        heights[place, max(0, min(shape, shapes - 1))] += 1
    tally[place, 0] += weight
    tally[place, 1] += weight if flat_left + flat_right >= 2 else 0
    at[place] = number if at[place] < 0 else at[place]
    return 1


STEEP = 0.76
"""A sample whose neighbours on both sides are lower than this share of it is no top to look at."""

PLENTY = 4000
STRIDE = 4
"""Once the height of so many tops of a channel is noted, every fourth 10 ms stand for all: the loud parts of a long
piece hold far more tops than it takes to tell, and looking at each would take too long."""

SPAN = 32
"""Samples looked through at once for any top."""


def _less(a: np.float32, b: np.float32) -> np.float32:
    return a if a < b else b


def _is_top(y: NDArray[np.float32], j: int, floor: np.float32, near: np.float32) -> bool:
    """Whether `y[j + 2]` is a top above `near`, or one above `floor` that may be straight."""
    two = np.float32(2.0)
    a, b, c, d, e = y[j], y[j + 1], y[j + 2], y[j + 3], y[j + 4]
    own, left, right = abs(c), abs(b), abs(d)
    bend = _less(abs(a - two * b + c), _less(abs(b - two * c + d), abs(c - two * d + e)))
    limit = floor if bend <= np.float32(COARSEST) * own else near
    beside = left if left > right else right
    return bool((own > limit) & (own >= left) & (own > right) & (beside >= np.float32(STEEP) * own))


def _tops_in_span(y: NDArray[np.float32], floor: np.float32, near: np.float32) -> int:
    """Which of SPAN samples from `y[2]` on are tops to look at, a bit each."""
    mask = 0
    for j in range(SPAN):
        mask |= 1 << j if _is_top(y, j, floor, near) else 0
    return mask


@kernel
def note_tops(
    buffer: NDArray[np.float32],
    offset: int,
    origin: int,
    edges: NDArray[np.int64],
    tops: NDArray[np.float32],
    reach: int,
    level: float,
    state: NDArray[np.float64],
    heights: NDArray[np.int32],
    tally: NDArray[np.int64],
    height_at: NDArray[np.int64],
    straight: NDArray[np.int64],
    straight_at: NDArray[np.int64],
) -> None:
    """Note the tops of both signs, from `reach` + BESIDE samples before the first hop to as many before the last's end.

    Of every channel, `state`: the largest sample so far, that of the hop before, tops noted, hops so far. Of every
    channel and sign, `heights` (bins, shapes): tops by height and flatness; `tally` (bins, 2): how many tops they
    stand for, and how many of these have three and more samples within `level`, or 1e-5 of the height; `height_at`
    (bins,): where the first was. `straight` (levels, 5): straight tops with one, two, three and more samples inside;
    of the last those from which the wave falls on both sides, and how many they stand for; `straight_at` (levels, 2):
    where the first of the last kind was, and where the latest of any ends. No bend below `level` counts as straight.
    """
    lag = reach + BESIDE
    for c in range(buffer.shape[0]):
        most, previous = np.float32(state[c, 0]), np.float32(state[c, 1])
        noted, hop = int(state[c, 2]), int(state[c, 3])
        for h in range(edges.shape[0] - 1):
            here = max(previous, tops[c, h])
            previous = tops[c, h]
            most = max(most, tops[c, h])
            near = np.float32(NEAR_TOP) * most
            weight = STRIDE if noted >= PLENTY else 1
            hop += 1
            if here <= near or hop % weight != 0:
                continue
            floor = np.float32(IN_REACH) * most
            x = buffer[c, offset + edges[h] - 2 * lag :]
            first = origin + edges[h] - 2 * lag
            size = edges[h + 1] - edges[h]
            for start in range(0, size, SPAN):
                mask = _tops_in_span(x[start + lag - 2 :], floor, near)
                i = start + lag - 1
                while mask and i < size + lag - 1:
                    i += 1
                    mask, hit = mask >> 1, mask & 1
                    if not hit:
                        continue
                    sign = 1.0 if x[i] > 0.0 else -1.0
                    s = 0 if sign > 0.0 else 1
                    _note_straight(x, i, sign, first, reach, level, weight, straight[c, s], straight_at[c, s])
                    if abs(x[i]) > near:
                        noted += _note_height(
                            x, i, sign, first + i, reach, level, weight, heights[c, s], tally[c, s], height_at[c, s]
                        )
        state[c, 0], state[c, 1], state[c, 2], state[c, 3] = most, previous, noted, hop
