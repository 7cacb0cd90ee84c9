"""A clipper ahead of the limiter, as many records are made: hard, or with a soft curve.

How deep it clips is told by what it takes off the highest sample peak, in dB, and by the total harmonic distortion
(THD) that its curve gives a sine as high as that peak, which is also how `compare` tells the distortion of a master.
Hard: every sample beyond the level is set to it. Soft: a cubic curve that is straight for quiet samples, bends more
the higher they are, and is level from 1.5 times its highest value on; common practice, the cubic is the simplest.
"""

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of, decibels
from master_check.sound.kept import Signal

Shape = Literal["hard", "soft"]

BEND: Final = 4.0 / 27.0
LEVEL_FROM: Final = 1.5
"""The soft curve is x - BEND x^3, and 1 from LEVEL_FROM on, where it has become level."""

SHALLOWEST_DB: Final = 0.1
DEEPEST_DB: Final = 12.0
"""Less is not heard, and more is no mastering any more."""


@dataclass(frozen=True)
class ClipLimit:
    """How much an engineer will clip: so many dB off the highest peak, or so much THD; one of them is None."""

    shape: Shape
    most_db: float | None
    most_thd_percent: float | None

    def __post_init__(self) -> None:
        if self.shape not in ("hard", "soft"):
            raise ValueError(f"clipping must be hard or soft, not {self.shape!r}")
        if (self.most_db is None) == (self.most_thd_percent is None):
            raise ValueError("clipping is limited either in dB or in THD")
        if self.most_db is not None and not SHALLOWEST_DB <= self.most_db <= DEEPEST_DB:
            raise ValueError(f"clipping must be {SHALLOWEST_DB:g} to {DEEPEST_DB:g} dB, not {self.most_db:g}")
        if self.most_thd_percent is not None:
            least, most = thd_percent(self.shape, SHALLOWEST_DB), thd_percent(self.shape, DEEPEST_DB)
            if not least <= self.most_thd_percent <= most:
                raise ValueError(f"THD must be {least:.2f} to {most:.0f} %, not {self.most_thd_percent:g} %")

    def deepest_db(self) -> float:
        """What may be taken off the highest peak, dB; where THD limits it, to 0.01 dB below."""
        if self.most_db is not None:
            return self.most_db
        assert self.most_thd_percent is not None
        below, above = SHALLOWEST_DB, DEEPEST_DB
        while above - below > 0.005:
            middle = 0.5 * (below + above)
            below, above = (
                (middle, above) if thd_percent(self.shape, middle) <= self.most_thd_percent else (below, middle)
            )
        return below


@dataclass(frozen=True)
class Clip:
    """A clipper's setting.

    Attributes
    ----------
    shape : str
        "hard" or "soft".
    by_db : float
        What it takes off the highest sample peak.
    at_dbfs : float
        The highest level that leaves it, with the premaster as loud as it is: it clips before the gain.
    thd_percent : float
        Of a sine as high as the highest peak.
    """

    shape: Shape
    by_db: float
    at_dbfs: float
    thd_percent: float


class Clipped:
    """A signal clipped by so many dB off its highest sample peak.

    Parameters
    ----------
    signal : Signal
    peak : float
        Its highest magnitude, linear.
    shape : "hard" or "soft"
    by_db : float
        Above 0.
    """

    def __init__(self, signal: Signal, peak: float, shape: Shape, by_db: float) -> None:
        self.rate, self.channels, self.frames = signal.rate, signal.channels, signal.frames
        self.top = peak / _drive(shape, by_db)
        """The highest magnitude that is left, linear."""
        self._signal = signal
        self._shape: Shape = shape

    def read(self, start: int, stop: int) -> NDArray[Any]:
        frames = self._signal.read(start, stop)
        top = frames.dtype.type(self.top)
        return np.asarray(_curve(self._shape, frames / top) * top)


def thd_percent(shape: Shape, by_db: float) -> float:
    """THD of a sine that is clipped by so many dB, percent of its fundamental."""
    period = 2.0 * np.pi * np.arange(8192) / 8192
    harmonics = np.abs(np.fft.rfft(_curve(shape, _drive(shape, by_db) * np.sin(period))))
    return float(100.0 * np.sqrt((harmonics[2:] ** 2).sum()) / harmonics[1])


def top_db(shape: Shape, by_db: float) -> float:
    """The highest level that leaves the clipper, in dB relative to the highest peak that enters it."""
    return -(decibels(_drive(shape, by_db)) or 0.0)


def _drive(shape: Shape, by_db: float) -> float:
    """How many times the level of the clipper a peak is that it lowers by so many dB."""
    lowered = amplitude_of(-by_db)
    if shape == "soft":
        drive = math.sqrt((1.0 - lowered) / BEND)
        if drive <= LEVEL_FROM:
            return drive
    return 1.0 / lowered


def _curve(shape: Shape, x: NDArray[Any]) -> NDArray[Any]:
    if shape == "hard":
        return np.asarray(np.clip(x, -1.0, 1.0))
    inside = np.clip(x, -LEVEL_FROM, LEVEL_FROM)
    return np.asarray(inside - x.dtype.type(BEND) * inside * inside * inside)
