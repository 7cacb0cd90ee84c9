"""A look-ahead brick-wall limiter, as a mastering engineer's last stage would work, for `plan` to simulate.

All channels get the same gain, so the image stays. The gain needed at each sample is held for the look-ahead
before it, recovers by the release after it, and is smoothed by two moving averages that together are as long
as the look-ahead: the gain arrives, without a corner, exactly when the peak does. The output is as long as
the input and aligned with it.
"""

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of, decibels, decibels_each
from master_check.limiting import limiter_kernels as kernels
from master_check.meters.true_peak import interpolator, true_peak

Detection = Literal["sample_peak", "true_peak"]

LOOK_AHEAD_MS = 2.0
"""Common practice: mastering limiters look 1 to 5 ms ahead."""

RELEASE_MS = 80.0
"""Common practice: 50 to 100 ms. Here: the time in which the gain regains 63 % (1 - 1/e) of what it lost."""

CURVE_STEP_S = 0.01
"""Resolution of the reported gain reduction."""

LOOK_AHEAD_MAX_MS = 100.0
"""Longer is no limiter; also keeps the exact sums of the gain curve within 64 bits up to 768 kHz."""

DETECTOR_TAPS = 48
"""Taps a phase of the 4x detector. The meter reads up to 4096, so a little is left over: 0.004 dB on music."""


@dataclass(frozen=True, eq=False)
class Limited:
    """What the limiter made of a signal.

    Attributes
    ----------
    frames : (n, channels), the dtype of the input
        The output, aligned with the input.
    gain_reduction_db : (ceil(n / step),) float64
        The deepest gain reduction in each `CURVE_STEP_S`, in dB, 0 or more.
    detector_ceiling_db : float
        The ceiling the detector worked to. Sample-peak mode: the ceiling asked for. True-peak mode: that much
        lower as the output's measured true peak would otherwise have passed the ceiling.
    """

    frames: NDArray[Any]
    gain_reduction_db: NDArray[np.float64]
    detector_ceiling_db: float


class Limiter:
    """The limiter set up for one signal: what does not depend on gain or ceiling is computed once.

    Parameters
    ----------
    frames : (n, channels) float32 or float64
        The signal, full scale 1.0. Never written to.
    rate : int
        Sample rate, Hz.
    detection : "sample_peak" or "true_peak"
        What must stay under the ceiling: the samples, or also the curve through them (4x oversampled).
    look_ahead_ms, release_ms : float
        See `LOOK_AHEAD_MS` and `RELEASE_MS`.

    Raises
    ------
    ValueError
        Frames of another shape or type, empty, or with NaN or infinity; a rate, look-ahead or release
        that is not positive; a look-ahead beyond `LOOK_AHEAD_MAX_MS`.
    """

    def __init__(
        self,
        frames: NDArray[Any],
        rate: int,
        detection: Detection,
        look_ahead_ms: float = LOOK_AHEAD_MS,
        release_ms: float = RELEASE_MS,
    ) -> None:
        _validate(frames, rate, detection, look_ahead_ms, release_ms)
        self.frames = np.ascontiguousarray(frames)
        self.detection = detection
        self.step = max(1, round(CURVE_STEP_S * rate))
        self._rise = -math.expm1(-1.0 / (1e-3 * release_ms * rate))
        ahead = max(1, round(1e-3 * look_ahead_ms * rate))
        self._windows = np.zeros(ahead // 2 + 1, np.int64), np.zeros(ahead - ahead // 2 + 1, np.int64)
        peaks = np.zeros(ahead + len(frames), np.float32)
        kernels.linked_peaks(self.frames, peaks[ahead:])
        if detection == "true_peak":
            _raise_between(frames, peaks[ahead:])
        self.levels = np.maximum.reduceat(peaks, np.arange(ahead, peaks.size, self.step))
        """The largest magnitude the detector sees in each `CURVE_STEP_S`, linear."""
        kernels.hold(peaks, ahead + 1)
        self._held = peaks
        self._curve = np.empty(len(frames), np.float32)
        self._drive_db = math.nan  # the drive that _curve was computed for

    def shape(self, gain_db: float, ceiling_db: float, out: NDArray[Any]) -> None:
        """One pass: amplify by `gain_db`, limit what the detector sees to `ceiling_db`, write it to `out`."""
        self._solve_curve(gain_db - ceiling_db)
        ceiling = amplitude_of(ceiling_db)
        top = out.dtype.type(ceiling)
        if float(top) > ceiling:
            top = np.nextafter(top, out.dtype.type(0.0))
        kernels.apply(self.frames, self._curve, amplitude_of(gain_db), float(top), out)

    def run(self, gain_db: float, ceiling_db: float, out: NDArray[Any] | None = None) -> Limited:
        """Amplify by `gain_db` and limit to `ceiling_db` (dBFS, or dBTP in true-peak mode).

        The result is written to `out` where one is given (shape and dtype of the input). In true-peak mode a
        gain that moves between the detector's points, and a meter that interpolates longer than the detector,
        could leave the output a little over. So it is read with the project's true-peak meter, and the
        detector's ceiling lowered by the excess until the reading is at or under the ceiling.
        """
        out = np.empty_like(self.frames) if out is None else out
        ceiling = amplitude_of(ceiling_db)
        inner_db = ceiling_db
        self.shape(gain_db, inner_db, out)
        # Ends: no interpolator can exceed the sum of its taps' magnitudes times the detector's ceiling.
        while self.detection == "true_peak" and (reading := float(true_peak(out).max(initial=0.0))) > ceiling:
            inner_db -= (decibels(reading / ceiling) or 0.0) + 1e-5
            self.shape(gain_db, inner_db, out)
        return Limited(out, self.reduction_db(gain_db - inner_db), inner_db)

    def reduction_db(self, drive_db: float) -> NDArray[np.float64]:
        """The deepest gain reduction in each `CURVE_STEP_S`, dB >= 0, with gain `drive_db` over ceiling."""
        self._solve_curve(drive_db)
        lows = np.empty(-(-len(self.frames) // self.step), np.float32)
        kernels.lowest(self._curve, self.step, lows)
        return np.asarray(np.abs(decibels_each(lows.astype(np.float64))))

    def _solve_curve(self, drive_db: float) -> None:
        if drive_db != self._drive_db:
            drive = amplitude_of(drive_db)
            kernels.gain_curve(self._held, drive, self._rise, *self._windows, self._curve)
            self._drive_db = drive_db


def limit(
    frames: NDArray[Any],
    rate: int,
    *,
    gain_db: float = 0.0,
    ceiling_db: float = -1.0,
    detection: Detection = "true_peak",
    look_ahead_ms: float = LOOK_AHEAD_MS,
    release_ms: float = RELEASE_MS,
) -> Limited:
    """Amplify and limit one signal; the arguments and errors are those of `Limiter` and `Limiter.run`.

    Examples
    --------
    >>> tone = np.sin(np.arange(48000) / 10.0)[:, np.newaxis]
    >>> bool(abs(limit(tone, 48000, gain_db=6.0, ceiling_db=-2.0).frames).max() <= 10 ** (-2 / 20))
    True
    """
    return Limiter(frames, rate, detection, look_ahead_ms, release_ms).run(gain_db, ceiling_db)


def _validate(frames: NDArray[Any], rate: int, detection: str, look_ahead_ms: float, release_ms: float) -> None:
    if frames.ndim != 2 or frames.size == 0:
        raise ValueError(f"frames must be (n, channels) and not empty, not of shape {frames.shape}")
    if frames.dtype not in (np.float32, np.float64):
        raise ValueError(f"frames must be float32 or float64, not {frames.dtype}")
    if not np.isfinite(frames).all():
        raise ValueError("frames hold NaN or infinity")
    if detection not in ("sample_peak", "true_peak"):
        raise ValueError(f"detection must be sample_peak or true_peak, not {detection!r}")
    for name, value in (("rate", rate), ("look_ahead_ms", look_ahead_ms), ("release_ms", release_ms)):
        if not 0 < value < math.inf:
            raise ValueError(f"{name} must be above 0, not {value}")
    if look_ahead_ms > LOOK_AHEAD_MAX_MS:
        raise ValueError(f"look_ahead_ms must be at most {LOOK_AHEAD_MAX_MS:g}, not {look_ahead_ms:g}")


def _raise_between(frames: NDArray[Any], peaks: NDArray[np.float32]) -> None:
    """Raise `peaks` by what a 4x oversampled reading finds between the samples."""
    taps = interpolator(DETECTOR_TAPS, 5.0)
    values = np.empty(kernels.BLOCK, np.float32)
    before = DETECTOR_TAPS // 2
    row = np.zeros(before + len(frames) + DETECTOR_TAPS + kernels.BLOCK, np.float32)
    for channel in range(frames.shape[1]):
        row[before : before + len(frames)] = frames[:, channel]
        kernels.linked_peaks_between(row, taps, values, peaks)
