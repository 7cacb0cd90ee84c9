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

PIECE = 200
HOLE = 1e-3
NOTHING = 1e-20
"""Holes that an encoder or a gate leaves would be infinitely deep: power counts as no less than this share of its mean
in so many samples (30 dB), or than this."""

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


@kernel
def add_up(wave: NDArray[np.float32], envelopes: NDArray[np.float32], sums: NDArray[np.float64]) -> None:
    """Power of the bass and of every band of treble, added up from the first sample on.

    Parameters
    ----------
    wave : (samples,) float32
    envelopes : (bands, 2 x samples) float32
        Real and imaginary parts in turns.
    sums : (1 + bands, 1 + samples) float64
        Takes the sums: what is between two samples is the difference of two of them.
    """
    samples = wave.shape[0]
    total = 0.0
    sums[0, 0] = 0.0
    for i in range(samples):
        total += float(wave[i]) * float(wave[i])
        sums[0, i + 1] = total
    pieces = samples // PIECE
    for band in range(envelopes.shape[0]):
        total = 0.0
        sums[1 + band, 0] = 0.0
        for piece in range(pieces):
            around = 0.0
            for i in range(PIECE * piece, PIECE * (piece + 1)):
                real, imaginary = float(envelopes[band, 2 * i]), float(envelopes[band, 2 * i + 1])
                around += real * real + imaginary * imaginary
            least = HOLE * around / PIECE + NOTHING
            for i in range(PIECE * piece, PIECE * (piece + 1)):
                real, imaginary = float(envelopes[band, 2 * i]), float(envelopes[band, 2 * i + 1])
                total += max(real * real + imaginary * imaginary, least)
                sums[1 + band, i + 1] = total


def _add(sums: NDArray[np.float64], first: int, last: int, place: int, found: NDArray[np.float64]) -> None:
    """Add the samples of one place from `first` to before `last`: 0 is the crest, 1 and 2 the feet."""
    found[3 + place] += last - first
    found[1 + min(place, 1)] += sums[0, last] - sums[0, first]
    for band in range(sums.shape[0] - 1):
        found[OWN + PER_BAND * band + place] += sums[1 + band, last] - sums[1 + band, first]


def _half_cycle(
    low: NDArray[np.float32], sums: NDArray[np.float64], start: int, end: int, top: float, found: NDArray[np.float64]
) -> int:
    """Note one half-cycle from zero crossing to zero crossing; 1, or 0 where it has no crest or feet."""
    length = end - start
    # Low waves are slow at their feet too: what lies beyond the zero crossings belongs to them.
    first, last = start, end
    while start - first < length // 2 and abs(low[first - 1]) < FEET * top:
        first -= 1
    while last - end < length // 2 and abs(low[last]) < FEET * top:
        last += 1
    bands = sums.shape[0] - 1
    for k in range(OWN + PER_BAND * bands):
        found[k] = 0.0
    place, began, feet = -1, first, 1
    for j in range(first, last):
        height = abs(low[j])
        here = -1
        if height > CREST * top and start <= j and j < end:
            here, feet = 0, 2
        elif height < FEET * top:
            here = feet
        if here != place:
            if place >= 0:
                _add(sums, began, j, place, found)
            place, began = here, j
    if place >= 0:
        _add(sums, began, last, place, found)
    if found[3] == 0.0 or found[4] == 0.0 or found[5] == 0.0:
        return 0
    found[0] = top if low[start] > 0.0 else -top
    found[1] /= found[3]
    found[2] /= found[4] + found[5]
    beside = max(length, 20)
    for band in range(bands):
        own = OWN + PER_BAND * band
        for k in range(3):
            found[own + k] /= found[3 + k]
        found[own + 3] = (sums[1 + band, start] - sums[1 + band, start - beside]) / beside
        found[own + 4] = (sums[1 + band, end + beside] - sums[1 + band, end]) / beside
    return 1


@kernel
def half_cycles(low: NDArray[np.float32], sums: NDArray[np.float64], least: float, found: NDArray[np.float64]) -> int:
    """Note every half-cycle of `low` (samples,) that is higher than `least`, with the power there as `add_up` gives it.

    `found` (samples / SHORTEST, OWN + PER_BAND x bands) takes a row each; returns how many.
    """
    count = 0
    start = -1
    top = 0.0
    for i in range(MARGIN, low.shape[0] - MARGIN):
        if (low[i] > 0.0) != (low[i - 1] > 0.0):
            if start >= 0 and i - start >= SHORTEST and i - start <= LONGEST and top > least:
                count += _half_cycle(low, sums, start, i, top, found[count])
            start = i
            top = 0.0
        top = max(top, float(abs(low[i])))
    return count
