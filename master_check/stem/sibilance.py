"""Sibilance of a voice: bursts between 4 and 12 kHz that stand out.

A burst is at least 30 ms in which the band has most of the voice's power, at a level within 20 dB of the voice's own.
Common practice; no standard defines it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.decibels import power_decibels
from master_check.meters.loudness_kernels import k_energies
from master_check.sound.blocks import HOPS_PER_SECOND, PAST, Block
from master_check.sound.format import AudioFormat

BAND_HZ: Final = (4_000.0, 12_000.0)
LEAST_DB: Final = -20.0
MOST_OF_IT: Final = 0.5
SHORTEST: Final = 3
"""Hops of 10 ms."""

SINE: Final = 0.5


@dataclass(frozen=True, slots=True)
class Sibilance:
    """The bursts of a voice.

    Attributes
    ----------
    level_db : float or None
        Mean level of their band against the level while playing; None where there is none.
    places_s : tuple of (float, float)
        From when to when.
    """

    level_db: float | None
    places_s: tuple[tuple[float, float], ...]


class SibilanceMeter:
    """Power between 4 and 12 kHz of every 10 ms, over all channels but LFE."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        heard = [place for place, label in enumerate(format.labels) if label != "LFE"]
        self._pairs = [tuple(heard[at : at + 2]) for at in range(0, len(heard), 2)]
        self._channels = len(heard)
        high = min(BAND_HZ[1], 0.45 * format.rate)
        self._hears = high > 1.5 * BAND_HZ[0]
        sections = scipy.signal.butter(
            2, [BAND_HZ[0], max(high, 1.1 * BAND_HZ[0])], "band", fs=max(format.rate, 9_000), output="sos"
        )
        self._taps = np.convolve(sections[0, :3], sections[1, :3])
        self._poles = np.concatenate([sections[0, 4:], sections[1, 4:]])
        self._states = np.zeros((len(self._pairs), 8))
        self._totals = np.zeros(3)
        self._work = np.empty((2, format.rate // HOPS_PER_SECOND + 2))
        self._hops: list[NDArray[np.float64]] = []

    def feed(self, block: Block) -> None:
        energies = np.empty((len(block.edges) - 1, 2))
        added = np.zeros(len(energies))
        for pair, state in zip(self._pairs, self._states, strict=True):
            left, right = block.buffer[pair[0]], block.buffer[pair[-1]]
            k_energies(
                left, right, PAST, block.edges, self._taps, self._poles, state, self._work, energies, self._totals
            )
            added += energies[:, : len(pair)].sum(axis=1)
        self._hops.append(added / (np.maximum(np.diff(block.edges), 1) * self._channels * SINE))

    def result(self, hops: NDArray[np.float64], level: float) -> Sibilance | None:
        """The bursts; None where the sample rate is too low for them.

        hops : (hops,) float64
            Mean power of every 10 ms; a sine of full scale has 1.
        level : float
            Mean power while playing, likewise.
        """
        if not self._hears:
            return None
        band = np.concatenate([*self._hops, np.zeros(0)])[: len(hops)]
        smooth, whole = (np.convolve(x, np.ones(3) / 3.0, "same") for x in (band, hops))
        there = (smooth > MOST_OF_IT * whole) & (smooth > level * 10.0 ** (LEAST_DB / 10.0))
        edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]])))
        runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= SHORTEST]
        if not runs:
            return Sibilance(None, ())
        mean = np.concatenate([band[a:b] for a, b in runs]).mean()
        places = tuple((a / HOPS_PER_SECOND, b / HOPS_PER_SECOND) for a, b in runs)
        return Sibilance(power_decibels(float(mean) / level), places)
