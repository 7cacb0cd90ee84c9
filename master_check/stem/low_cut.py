"""The low cut: the highest corner of a high-pass that takes nothing of what a stem plays.

Of Butterworth high-passes of 12 and 24 dB an octave, the corner at which the stem loses less than 0.1 LU of its
loudness by BS.1770, less than 1 % of the energy of what it plays, and less than 1 dB of the lowest fundamental that
lasts. Where none lasts (noises, hits without a tone) the corner is an upper bound. The loss is worked out gating block
by gating block, with both gates, from the spectrum of each.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels
from master_check.meters.loudness import GATING_STEP, MOMENTARY, biquads, gated, windows
from master_check.sound.blocks import HOPS_PER_SECOND
from master_check.stem.heard import Heard
from master_check.stem.noise_floor import lines

LOST_LU: Final = 0.085
"""0.1 LU, less what a spectrum of 400 ms may be wrong by."""

LOST: Final = 0.009
"""1 %, likewise."""

FUNDAMENTAL_DB: Final = 1.0

ORDERS: Final = (2, 4)
"""12 and 24 dB an octave."""

BUTTERWORTH_Q: Final = {2: (0.5**0.5,), 4: (0.5412, 1.3066)}
"""Of the second-order sections that each is made of."""

CORNERS_HZ: Final = 16.0 * 2.0 ** (np.arange(0, 24 * 9) / 24.0)
"""16 Hz to 8 kHz; below, spectra of 400 ms tell nothing."""

OFFSET_BINS: Final = 2
"""Where an offset is, which is no energy that is played: what would be there is as what lies just above."""

LASTS: Final = 3
"""Blocks in a row with the same line: 300 ms more than one alone."""

OFTEN: Final = 0.01
"""Share of playing time that lines as low have to last altogether."""

STRONG_DB: Final = 30.0
"""A fundamental is no weaker than this against the block's strongest line."""

ABOVE_NOISE: Final = 10.0
"""Times the noise floor's power: hum and rumble are no fundamental."""


@dataclass(frozen=True, slots=True)
class LowCut:
    """How far up a high-pass can go.

    Attributes
    ----------
    hz : tuple of float or None
        Corners for 12 and 24 dB an octave; None where even 16 Hz takes too much.
    fundamental_hz : float or None
        The lowest that lasts; None where none does, and the corners are upper bounds.
    below_dbfs : float or None
        Level, while playing, of what lies below the corner for 12 dB an octave.
    """

    hz: tuple[float | None, ...]
    fundamental_hz: float | None
    below_dbfs: float | None


def low_cut(heard: Heard, floor: NDArray[np.float64]) -> LowCut:
    """The low cut of a stem that plays.

    Parameters
    ----------
    heard : Heard
    floor : (columns,) float64
        Spectrum of its noise floor; zeros where it is not known.
    """
    lowest = _lowest_fundamental(heard, floor)
    losses = _Losses(heard, floor)
    found = tuple(_corner(losses, order, lowest) for order in ORDERS)
    below = None
    if found[0] is not None:
        under = (heard.columns.hz > 1.5 * heard.columns.width_hz) & (heard.columns.hz < found[0])
        below = power_decibels(float(heard.steps[heard.passing][:, under].sum(axis=1).mean()))
    return LowCut(found, lowest, below)


def _corner(losses: "_Losses", order: int, lowest: float | None) -> float | None:
    """Halving: what a higher corner takes is never less."""
    reach = np.inf if lowest is None else lowest * (10.0 ** (FUNDAMENTAL_DB / 10.0) - 1.0) ** (0.5 / order)
    first, end = 0, int(np.searchsorted(CORNERS_HZ, reach, side="right"))
    while first < end:
        middle = (first + end) // 2
        if losses.harmless(float(CORNERS_HZ[middle]), order):
            first = middle + 1
        else:
            end = middle
    return float(CORNERS_HZ[first - 1]) if first else None


class _Losses:
    """What a high-pass takes of a stem."""

    def __init__(self, heard: Heard, floor: NDArray[np.float64]) -> None:
        self._hz = np.maximum(heard.columns.hz, 1e-3)
        self._steps = heard.steps
        self._weight = k_weight(heard.columns.hz, heard.rate)
        self._weighted = heard.steps @ self._weight.astype(np.float32)
        self._windows = windows(heard.energy, heard.rate, MOMENTARY)
        self._starts = np.arange(len(heard.steps)) * GATING_STEP
        self._blocks = self._windows[self._starts]
        self._passing = heard.passing
        played = np.maximum(heard.steps[heard.passing].mean(axis=0, dtype=np.float64) - floor, 0.0)
        played[:OFFSET_BINS] = played[OFFSET_BINS]
        self._played = played

    def harmless(self, corner: float, order: int) -> bool:
        removed = 1.0 / (1.0 + (self._hz / corner) ** (2 * order))
        if self._played @ removed > LOST * self._played.sum():
            return False
        share = self._steps @ (self._weight * removed).astype(np.float32) / np.maximum(self._weighted, 1e-30)
        left = 1.0 - np.minimum(share, 1.0)
        same = np.log10(self._blocks[self._passing].mean() / max((self._blocks * left)[self._passing].mean(), 1e-30))
        before = gated(self._blocks)
        # A high-pass delays too, by which hits may come to lie in other blocks.
        late = HOPS_PER_SECOND * self._delay(corner, order)
        after = [gated(self._later(hops) * left) for hops in (0.0, late, 2.0 * late)]
        lost = [10.0 * same, *(before - each if before is not None and each is not None else 0.0 for each in after)]
        return bool(max(lost) <= LOST_LU)

    def _later(self, hops: float) -> NDArray[np.float64]:
        """Power of the blocks of a signal that comes later."""
        places = np.maximum(self._starts - hops, 0.0)
        whole = places.astype(np.int64)
        above = np.minimum(whole + 1, len(self._windows) - 1)
        part = places - whole
        return np.asarray((1.0 - part) * self._windows[whole] + part * self._windows[above])

    def _delay(self, corner: float, order: int) -> float:
        """Group delay in seconds of a Butterworth high-pass, mean over what is heard."""
        u = corner / self._hz
        delay = sum((1.0 + u**2) / q / ((1.0 - u**2) ** 2 + (u / q) ** 2) for q in BUTTERWORTH_Q[order])
        heard = self._played * self._weight / (1.0 + u ** (2 * order))
        return float(heard @ (delay * u**2) / (2.0 * np.pi * corner) / max(float(heard.sum()), 1e-30))


def k_weight(hz: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Power response of K-weighting (BS.1770-5, Annex 1)."""
    z = np.exp(-2j * np.pi * hz[:, None] / rate * np.arange(3))
    return np.asarray(np.prod([np.abs((z @ b) / (z @ a)) ** 2 for b, a in biquads(rate)], axis=0))


def _lowest_fundamental(heard: Heard, floor: NDArray[np.float64]) -> float | None:
    """The lowest line that, with those as low, lasts; half a bin of safety below it."""
    playing = heard.steps[heard.passing]
    found = lines(playing, heard)
    found &= playing > playing.max(axis=1, keepdims=True) * np.float32(10.0 ** (-STRONG_DB / 10.0))
    found &= playing > (ABOVE_NOISE * floor).astype(np.float32)
    lowest = np.where(found.any(axis=1), found.argmax(axis=1), -1)
    together = np.flatnonzero(heard.passing)
    lasting = np.zeros(len(lowest), np.bool_)
    for start in range(len(lowest) - LASTS + 1):
        run = lowest[start : start + LASTS]
        if run[0] >= 0 and np.ptp(run) <= 1 and together[start + LASTS - 1] - together[start] == LASTS - 1:
            lasting[start : start + LASTS] = True
    places = np.sort(lowest[lasting])
    enough = max(LASTS, int(np.ceil(OFTEN * len(lowest))))
    if len(places) < enough:
        return None
    return float(heard.columns.hz[places[enough - 1]] - 0.5 * heard.columns.width_hz)
