"""A plan that follows a moving target: the limiter is simulated at some drives, and what lies between is interpolated.

Loudness rises so evenly with the drive that a curve through drives a decibel apart is right to some hundredths of a
decibel. How far true peaks pass the samples does not, so a sample-peak ceiling may be a step off. `plan` solves for a
target itself, and is what to sign with.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import floor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from master_check import cores
from master_check.decibels import amplitude_of, decibels
from master_check.limiting.limiter import Detection, Limiter
from master_check.limiting.plan import CEILING_STEP_DB, DEEPEST_DB, PLAYING_DB, heard, signal_blocks
from master_check.sound.kept import Signal

STEP_DB: Final = 1.0
"""From one simulated drive to the next."""

REACH_LU: Final = 6.0
"""So far to either side of the profile's target another one may be tried."""

COLUMNS: Final = 800
"""Of the picture of the gain reduction."""

DETECTIONS: Final[tuple[Detection, Detection]] = ("true_peak", "sample_peak")


@dataclass(frozen=True, slots=True)
class Preview:
    """What one kind of limiter needs for a target.

    Attributes
    ----------
    gain_db : float
        Into the limiter.
    ceiling_db : float
        dBTP of a true-peak limiter, dBFS of a sample-peak limiter.
    gain_reduction_max_db, gain_reduction_p95_db : float
        As in a plan.
    curve_db : (columns,) float64
        Deepest gain reduction in each of `COLUMNS` equal parts of the premaster, or in each 10 ms of a short one.
    """

    gain_db: float
    ceiling_db: float
    gain_reduction_max_db: float
    gain_reduction_p95_db: float
    curve_db: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Driven:
    """A limiter under a ceiling of 0 dBFS, at several drives: a row or a figure for each."""

    drive_db: NDArray[np.float64]
    lufs: NDArray[np.float64]
    true_peak_db: NDArray[np.float64]
    p95_db: NDArray[np.float64]
    curve_db: NDArray[np.float64]

    def at(self, drive_db: float, of: str) -> float:
        within = np.clip(drive_db, self.drive_db[0], self.drive_db[-1])
        return float(PchipInterpolator(self.drive_db, getattr(self, of))(within))

    def drive(self, lufs: float) -> float | None:
        """The drive that gives a loudness under a ceiling of 0 dBFS; None where none does."""
        if lufs <= self.lufs[0]:  # plain gain
            return float(self.drive_db[0] + lufs - self.lufs[0])
        rising = np.concatenate([[True], np.diff(np.maximum.accumulate(self.lufs)) > 0.0])
        if lufs > self.lufs.max():
            return None
        return float(PchipInterpolator(self.lufs[rising], self.drive_db[rising])(lufs))

    def curve(self, drive_db: float) -> NDArray[np.float64]:
        place = float(np.interp(drive_db, self.drive_db, np.arange(len(self.drive_db))))
        below = min(int(place), len(self.drive_db) - 2)
        share = place - below
        return np.asarray((1.0 - share) * self.curve_db[below] + share * self.curve_db[below + 1])


class PlanPreview:
    """A premaster, simulated so far that every target near the profile's is answered at once.

    Parameters
    ----------
    signal : Signal
        The premaster; read several times, here only.
    weights : sequence of float
        Loudness weight of each channel (0 for LFE).
    target_lufs : float
        The profile's; `REACH_LU` more or less are answered too.
    limit_dbtp : float
        Highest true peak that is allowed.
    progress : callable, optional
        Told the share (0 to 1) done since it was last told.

    Raises
    ------
    ValueError
        The premaster is silent, or too short for a loudness.
    OSError
        There is no room for temporary files.
    """

    def __init__(
        self,
        signal: Signal,
        weights: Sequence[float],
        target_lufs: float,
        limit_dbtp: float,
        progress: Callable[[float], Any] | None = None,
    ) -> None:
        self.target_lufs, self.limit_dbtp = target_lufs, limit_dbtp
        before = heard(signal_blocks(signal), signal.rate, weights).levels()
        if before.integrated_lufs is None or before.sample_peak_dbfs is None or before.true_peak_dbtp is None:
            raise ValueError("it is silent, or shorter than the 400 ms that a loudness reading takes")
        self.integrated_lufs, self.true_peak_dbtp = before.integrated_lufs, before.true_peak_dbtp
        self.lowest_lufs, self.highest_lufs = target_lufs - REACH_LU, target_lufs + REACH_LU

        def driven(detection: Detection) -> _Driven:
            with Limiter(signal, detection) as limiter:
                return self._driven(limiter, weights, progress)

        with ThreadPoolExecutor(cores.threads()) as pool:
            self._by = dict(zip(DETECTIONS, pool.map(driven, DETECTIONS), strict=True))

    def _driven(self, limiter: Limiter, weights: Sequence[float], progress: Callable[[float], Any] | None) -> _Driven:
        """From where the limiter begins to work to where the highest target is met, or the search ends."""
        top = float(limiter.levels.max())
        playing = limiter.levels > top * amplitude_of(PLAYING_DB)
        low = -(decibels(top) or 0.0)  # there the highest peak just reaches the ceiling; below, all is plain gain
        rows: list[tuple[float, float, float, float, NDArray[np.float64]]] = []
        whole = self.highest_lufs - self.limit_dbtp - self.integrated_lufs - low  # about what is ahead
        for drive in np.arange(low, low + DEEPEST_DB + STEP_DB, STEP_DB):
            levels = heard(limiter.blocks(float(drive), 0.0), limiter.signal.rate, weights).levels()
            curve = limiter.reduction_db(float(drive))
            lufs = -100.0 if levels.integrated_lufs is None else levels.integrated_lufs
            rows.append((float(drive), lufs, levels.true_peak_dbtp or 0.0, _p95(curve[playing]), _thinned(curve)))
            if progress:
                progress(0.5 * STEP_DB / max(whole, STEP_DB))
            if lufs + self.limit_dbtp - 1.0 > self.highest_lufs and len(rows) > 1:
                break
        columns = [np.array(column) for column in zip(*rows, strict=True)]
        return _Driven(*columns)

    def at(self, target_lufs: float, detection: Detection) -> Preview | None:
        """What that kind of limiter needs for a target; None where no limiting gets there.

        With a gain reduction of 0, gain alone is enough.
        """
        driven, ceiling_db = self._by[detection], self.limit_dbtp
        drive_db = 0.0
        for _ in range(4):  # the ceiling follows from the overshoot, which hardly changes with the drive
            found = driven.drive(target_lufs - ceiling_db)
            if found is None:
                return None
            drive_db = found
            before, ceiling_db = ceiling_db, self._ceiling(detection, driven.at(drive_db, "true_peak_db"))
            if abs(ceiling_db - before) < 1e-6:
                break
        shown = self.limit_dbtp if detection == "true_peak" else ceiling_db
        curve = driven.curve(drive_db)
        return Preview(drive_db + ceiling_db, shown, float(curve.max()), driven.at(drive_db, "p95_db"), curve)

    def _ceiling(self, detection: Detection, over_db: float) -> float:
        """Of the detector, so that the true peak keeps the limit."""
        ceiling_db = self.limit_dbtp - max(0.0, over_db)
        if detection == "true_peak":
            return ceiling_db
        return round(floor(min(ceiling_db, 0.0) / CEILING_STEP_DB + 1e-9) * CEILING_STEP_DB, 6)


def _p95(reduction_db: NDArray[np.float64]) -> float:
    return float(np.percentile(reduction_db, 95)) if reduction_db.size else 0.0


def _thinned(curve_db: NDArray[np.float64]) -> NDArray[np.float64]:
    starts = np.unique(np.linspace(0, len(curve_db), min(COLUMNS, len(curve_db)), endpoint=False).astype(np.intp))
    return np.asarray(np.maximum.reduceat(curve_db, starts))
