"""Compiled loops of the saturation meter: the energy of a second's sides, and treble along the half-cycles of bass."""

import numpy as np
from numpy.typing import NDArray

from master_check.jit import kernel

CREST = 0.85
"""Above this share of its height a half-cycle is at its crest."""

FEET = 0.5
"""Below it, on either side, it is at its feet."""

SHORTEST = 6
LONGEST = 100
"""Samples of a half-cycle: at 4 kHz, waves of 333 Hz down to 20 Hz."""

MARGIN = 120
"""Samples at either end of a second that are left out: the filters see nothing beyond it."""

OWN = 6
"""Columns of a half-cycle: height with its sign, mean square at the crest and at the feet; samples at the crest, at the
feet before it and after it."""

PER_BAND = 5
"""Columns of each band behind those: mean power at these three places, and beside the half-cycle before and after."""


@kernel
def energies(left: NDArray[np.float32], right: NDArray[np.float32], found: NDArray[np.float64]) -> None:
    """Sums of squares of left, right, middle and sides, (4,)."""
    first, second, middle, sides = 0.0, 0.0, 0.0, 0.0
    half = np.float32(0.5)
    for i in range(left.shape[0]):
        x, y = left[i], right[i]
        m, s = half * (x + y), half * (x - y)
        first += float(x) * float(x)
        second += float(y) * float(y)
        middle += float(m) * float(m)
        sides += float(s) * float(s)
    found[0], found[1], found[2], found[3] = first, second, middle, sides


def _mean(power: NDArray[np.float32], band: int, first: int, last: int) -> float:
    total = 0.0
    for j in range(last - first):
        total += float(power[band, first + j])
    return total / (last - first)


def _half_cycle(
    low: NDArray[np.float32], power: NDArray[np.float32], start: int, end: int, found: NDArray[np.float64]
) -> int:
    """Note one half-cycle from zero crossing to zero crossing; 1, or 0 where it has no crest or feet."""
    length = end - start
    top = 0.0
    for j in range(start, end):
        top = max(top, abs(float(low[j])))
    # Low waves are slow at their feet too: what lies beyond the zero crossings belongs to them.
    first, last = start, end
    while start - first < length // 2 and abs(float(low[first - 1])) < FEET * top:
        first -= 1
    while last - end < length // 2 and abs(float(low[last])) < FEET * top:
        last += 1
    bands = power.shape[0]
    for k in range(OWN + PER_BAND * bands):
        found[k] = 0.0
    seen = 0
    for j in range(first, last):
        height = abs(float(low[j]))
        place = -1
        if start <= j and j < end and height > CREST * top:
            found[3] += 1.0
            found[1] += height * height
            seen = 1
            place = 0
        elif height < FEET * top:
            found[4 + seen] += 1.0
            found[2] += height * height
            place = 1 + seen
        if place >= 0:
            for b in range(bands):
                found[OWN + PER_BAND * b + place] += float(power[b, j])
    if found[3] == 0.0 or found[4] == 0.0 or found[5] == 0.0:
        return 0
    found[0] = top if low[start] > 0.0 else -top
    found[1] /= found[3]
    found[2] /= found[4] + found[5]
    beside = max(length, 20)
    for b in range(bands):
        own = OWN + PER_BAND * b
        for place in range(3):
            found[own + place] /= found[3 + place]
        found[own + 3] = _mean(power, b, start - beside, start)
        found[own + 4] = _mean(power, b, end, end + beside)
    return 1


@kernel
def half_cycles(low: NDArray[np.float32], power: NDArray[np.float32], least: float, found: NDArray[np.float64]) -> int:
    """Note every half-cycle of `low` (samples,) that is higher than `least`, with the `power` (bands, samples) there.

    `found` (samples / SHORTEST, OWN + PER_BAND x bands) takes a row each; returns how many.
    """
    count = 0
    start = -1
    for i in range(MARGIN, low.shape[0] - MARGIN):
        if (low[i] > 0.0) != (low[i - 1] > 0.0):
            if start >= 0 and i - start >= SHORTEST and i - start <= LONGEST:
                noted = _half_cycle(low, power, start, i, found[count])
                if noted == 1 and abs(found[count, 0]) > least:
                    count += 1
            start = i
    return count
