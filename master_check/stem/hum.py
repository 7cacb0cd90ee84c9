"""Mains hum and rumble, in the gaps of a stem.

Hum is lines at 50 or 60 Hz and its harmonics, where mains has them to a tenth of a per cent and notes seldom are: of
the notes of equal temperament (A at 440 Hz) the nearest to 50 and 100 Hz are 2 % away, to 60 and 120 Hz 3 %. Rumble is
what else lies below 40 Hz. Both are read from the noise floor, so what is played is not in them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels
from master_check.stem.heard import Heard
from master_check.stem.noise_floor import MAINS_HZ, lines

HARMONICS: Final = 8
OFF: Final = 0.006
"""How far a line may be off, share of its frequency: mains, and how well 400 ms tell."""

RUMBLE_HZ: Final = 40.0
LINE_BINS: Final = 2
"""A Hann window's line reaches so many bins to either side."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines of mains.

    Attributes
    ----------
    hz : float
        50 or 60.
    dbfs : float
        RMS of all lines together; a sine of full scale reads 0.
    harmonics : tuple of int
        Which lines there are, 1 for the mains frequency itself.
    """

    hz: float
    dbfs: float
    harmonics: tuple[int, ...]


def hum(heard: Heard, floor: NDArray[np.float64]) -> Hum | None:
    """Mains hum in the spectrum of a noise floor; None where there is none."""
    stands = lines(floor[None], heard)[0]
    found = [_of(mains, heard, floor, stands) for mains in MAINS_HZ]
    return max((each for each in found if each), key=lambda each: each.dbfs, default=None)


def _of(mains: float, heard: Heard, floor: NDArray[np.float64], stands: NDArray[np.bool_]) -> Hum | None:
    power, harmonics = 0.0, []
    for number in range(1, HARMONICS + 1):
        place = int(heard.columns.at(number * mains))
        for column in range(max(place - 1, 1), place + 2):
            if stands[column] and abs(_peak_hz(heard, floor, column) / (number * mains) - 1.0) <= OFF:
                power += float(floor[column - LINE_BINS : column + LINE_BINS + 1].sum())
                harmonics.append(number)
                break
    dbfs = power_decibels(power)
    # 300 Hz and the like belong to both; the first or second tells them apart, and two lines are no note.
    if dbfs is None or len(harmonics) < 2 or harmonics[0] > 2:
        return None
    return Hum(mains, dbfs, tuple(harmonics))


def _peak_hz(heard: Heard, floor: NDArray[np.float64], column: int) -> float:
    """Where a line lies between bins: of a Hann window, by the larger neighbour (exact for one sine)."""
    left, middle, right = np.sqrt(floor[column - 1 : column + 2])
    side, sign = (right, 1.0) if right > left else (left, -1.0)
    ratio = side / middle
    return float(heard.columns.hz[column] + sign * (2.0 * ratio - 1.0) / (1.0 + ratio) * heard.columns.width_hz)


def rumble_dbfs(heard: Heard, floor: NDArray[np.float64]) -> float | None:
    """Level of what lies below 40 Hz in the gaps; an offset does not count."""
    hz, width = heard.columns.hz, heard.columns.width_hz
    return power_decibels(float(floor[(hz > 1.5 * width) & (hz < RUMBLE_HZ)].sum()))
