"""Whether samples still lie on the steps of 16-bit words, whatever constant gain came after.

16-bit words that a longer word or a float holds, turned up or down once, lie on a grid whose steps are 16-bit steps
times the gain. The characteristic function of the sample values (their Fourier transform) then has a peak of nearly 1
at one over the step; without a grid it has none. A fade, an equaliser or dither of 16 bits ends it. Only quiet samples
are looked at, which every wave has near its zero crossings: over many steps a gain would have to be known too exactly.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

LARGEST: Final = 2**15
"""Quiet samples are below that, in steps of 24 bits: 128 steps of 16 bits."""

STEPS: Final = (32.0, 1024.0)
"""Of the grid, in steps of 24 bits: 16-bit words at a gain of -18 to +12 dB."""

SIZE: Final = 2**18

CLEAR: Final = 0.7
"""Height of the peak from which there is a grid."""

FEWEST: Final = 64
"""Different values, about, that must be seen."""

TONES: Final = 0.9
"""Share of the highest peak that counts as high; the grid's own peak is the first of them, its multiples follow."""


def grid_step(samples: NDArray[np.float32]) -> float | None:
    """The step of the grid that samples lie on, in steps of 24 bits; None where none is found.

    Parameters
    ----------
    samples : (n,) float32
        Of one channel, full scale 1.0, in any order.
    """
    words = np.round(samples.astype(np.float64) * 2.0**23)
    words = words[(np.abs(words) < LARGEST) & (words != 0.0)].astype(np.int64)
    counts = np.bincount(words + LARGEST, minlength=2 * LARGEST)
    weights = np.sqrt(counts)  # so that the few values of a long quiet passage do not outweigh all others
    total = float(weights.sum())
    if total == 0.0 or total * total < FEWEST * float(np.square(weights).sum()):
        return None
    peaks = np.abs(np.fft.rfft(weights, SIZE)) / total
    first, last = int(SIZE / STEPS[1]), int(SIZE / STEPS[0]) + 2
    top = float(peaks[first:last].max())
    if top < CLEAR:
        return None
    at = first + int(np.argmax(peaks[first:last] >= TONES * top))
    while peaks[at + 1] > peaks[at]:
        at += 1
    return SIZE / (at + _offset(peaks[at - 1], peaks[at], peaks[at + 1]))


def _offset(before: float, here: float, after: float) -> float:
    """Where between bins a parabola through a peak is highest."""
    bend = before - 2.0 * here + after
    return float(0.5 * (before - after) / bend) if bend < 0.0 else 0.0
