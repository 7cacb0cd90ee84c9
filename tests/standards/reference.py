"""What a perfect meter reads, worked out from the documents without any code of the meters."""

from math import log10
from typing import Any

import numpy as np
import pyloudnorm
import scipy.signal

from master_check.selftest.published import Tone

# ITU-R BS.1770-5, Annex 1, Tables 1 and 2: coefficients at 48 kHz, (b, a) of the shelf and of the high-pass.
TABLES_48K = (
    ((1.53512485958697, -2.69169619938640, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)

# Channel weights of BS.1770-5, Annex 1, Table 3, in the order of the layouts used in the published signals.
WEIGHTS = {"stereo": (1.0, 1.0), "5.0": (1.0, 1.0, 1.0, 1.41, 1.41)}


def other_k_weighting(rate: int) -> list[tuple[Any, Any]]:
    """(b, a) of shelf and high-pass at any rate, of another implementation: pyloudnorm's class "DeMan"."""
    filters = pyloudnorm.Meter(rate, filter_class="DeMan")._filters
    return [(filters[name].b, filters[name].a) for name in ("high_shelf_DeMan", "high_pass_DeMan")]


def k_gain_db(hz: float, rate: int) -> float:
    """Gain of K-weighting at a frequency, dB."""
    gain = 0.0
    for b, a in other_k_weighting(rate):
        _, response = scipy.signal.freqz(b, a, worN=[2.0 * np.pi * hz / rate])
        gain += 20.0 * log10(abs(response[0]))
    return gain


def integrated_of_steps(tone: Tone, weights: tuple[float, ...]) -> float:
    """Gated loudness (BS.1770-5, Annex 1, equations 2 to 7) of steps of tone, for a K-weighting of 0.691 dB.

    A gating block's power is that of the steps it overlaps, each by its share; a sine's power is half its peak's.
    """
    steps = []
    start = 0.0
    for step in tone.steps:
        power = sum(w * 10.0 ** (peak / 10.0) / 2.0 for w, peak in zip(weights, step.peaks_dbfs, strict=True))
        steps.append((start, start + step.seconds, power))
        start += step.seconds
    blocks = []
    for block in range(int((start - 0.4) * 10 + 1e-6) + 1):
        first, last = block / 10, block / 10 + 0.4
        blocks.append(sum(p * max(0.0, min(last, end) - max(first, begin)) for begin, end, p in steps) / 0.4)
    kept = [power for power in blocks if power > 10.0**-7.0]
    gate = sum(kept) / len(kept) / 10.0
    kept = [power for power in kept if power > gate]
    return 10.0 * log10(sum(kept) / len(kept))
