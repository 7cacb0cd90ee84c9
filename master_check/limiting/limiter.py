"""A look-ahead brick-wall limiter, as a mastering engineer's last stage would work, for `plan` to simulate.

All channels get the same gain, so the image stays. The gain needed at each sample is held for the look-ahead
before it, recovers by the release after it, and is smoothed by two moving averages that together are as long
as the look-ahead: the gain arrives, without a corner, exactly when the peak does. The output is as long as
the input and aligned with it.

Signals are worked on a few seconds at a time, and what has to be known of each sample is kept in a temporary file:
length costs disk, and no memory.
"""

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import repeat
from types import TracebackType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of, decibels, decibels_each
from master_check.limiting import limiter_kernels as kernels
from master_check.meters.true_peak import interpolator, true_peak
from master_check.sound.blocks import Block, Blocks
from master_check.sound.kept import Signal

Detection = Literal["sample_peak", "true_peak"]

LOOK_AHEAD_MS = 2.0
"""Common practice: mastering limiters look 1 to 5 ms ahead."""

RELEASE_MS = 80.0
"""Common practice: 50 to 100 ms. Here: the time in which the gain regains 63 % (1 - 1/e) of what it lost."""

CURVE_STEP_S = 0.01
"""Resolution of the reported gain reduction."""

LOOK_AHEAD_MAX_MS = 100.0
"""Longer is no limiter; also keeps the exact sums of the gain curve within 64 bits up to 768 kHz."""

CHUNK_STEPS = 300
"""Of these `CURVE_STEP_S` is what is worked on at once: 3 s, which the processor's cache holds."""

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
    signal : Signal
        Full scale 1.0. Only read.
    detection : "sample_peak" or "true_peak"
        What must stay under the ceiling: the samples, or also the curve through them (4x oversampled).
    look_ahead_ms, release_ms : float
        See `LOOK_AHEAD_MS` and `RELEASE_MS`.

    Raises
    ------
    ValueError
        A look-ahead or release that is not positive; a look-ahead beyond `LOOK_AHEAD_MAX_MS`.
    OSError
        There is no room for the temporary file.
    """

    def __init__(
        self,
        signal: Signal,
        detection: Detection,
        look_ahead_ms: float = LOOK_AHEAD_MS,
        release_ms: float = RELEASE_MS,
    ) -> None:
        check_settings(detection, look_ahead_ms, release_ms)
        self.signal = signal
        self.detection = detection
        self.release_ms = release_ms
        self.step = max(1, round(CURVE_STEP_S * signal.rate))
        self._ahead = max(1, round(1e-3 * look_ahead_ms * signal.rate))
        self._held = tempfile.TemporaryFile()  # noqa: SIM115
        self.levels = np.concatenate(list(self._hold()))
        """The largest magnitude the detector sees in each `CURVE_STEP_S`, linear."""
        self._lows = np.ones(len(self.levels), np.float32)
        self._lows_of = math.nan, math.nan  # the drive and release that _lows were computed for

    def __enter__(self) -> "Limiter":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the room of the temporary file back; nothing can be limited any more."""
        self._held.close()

    def blocks(self, gain_db: float, ceiling_db: float, release_ms: float | None = None) -> Iterator[Block]:
        """One pass: amplify by `gain_db`, limit what the detector sees to `ceiling_db`; as meters take it."""
        blocks = Blocks(self.signal.rate, self.signal.channels)
        for frames in self._passes(gain_db, ceiling_db, release_ms, blocks.sizes()):
            yield blocks.lay(frames)

    def shape(self, gain_db: float, ceiling_db: float, out: NDArray[Any]) -> None:
        """One pass, written to `out`."""
        at = 0
        for frames in self._passes(gain_db, ceiling_db, None, Blocks(self.signal.rate, self.signal.channels).sizes()):
            out[at : at + len(frames)] = frames
            at += len(frames)

    def reduction_db(self, drive_db: float) -> NDArray[np.float64]:
        """The deepest gain reduction in each `CURVE_STEP_S`, dB >= 0, with gain `drive_db` over ceiling."""
        if self._lows_of != (drive_db, self.release_ms):
            chunk = self.step * CHUNK_STEPS
            for _ in self._curves(drive_db, self.release_ms, repeat(chunk)):
                pass
        return np.asarray(np.abs(decibels_each(self._lows.astype(np.float64))))

    def _passes(
        self, gain_db: float, ceiling_db: float, release_ms: float | None, sizes: Iterator[int]
    ) -> Iterator[NDArray[Any]]:
        ceiling = amplitude_of(ceiling_db)
        curves = self._curves(gain_db - ceiling_db, release_ms or self.release_ms, sizes)
        start = 0
        for curve in curves:
            frames = self.signal.read(start, start + len(curve))
            top = frames.dtype.type(ceiling)
            if float(top) > ceiling:
                top = np.nextafter(top, frames.dtype.type(0.0))
            kernels.apply(frames, curve, amplitude_of(gain_db), float(top))
            yield frames
            start += len(curve)

    def _curves(self, drive_db: float, release_ms: float, sizes: Iterator[int]) -> Iterator[NDArray[np.float32]]:
        """The limiter's gain at every sample, so many at a time; the lowest of each step is kept."""
        drive, rise = amplitude_of(drive_db), -math.expm1(-1.0 / (1e-3 * release_ms * self.signal.rate))
        half = self._ahead // 2
        state = (
            np.zeros(half + 1, np.int64), np.zeros(self._ahead - half + 1, np.int64), np.zeros(4, np.int64), np.ones(1),
        )  # fmt: skip
        lows = np.ones_like(self._lows)
        self._lows_of = math.nan, math.nan
        at = 0  # in the held peaks, which begin as much before the signal as the limiter looks ahead
        start, frames = 0, self.signal.frames
        kernels.gain_curve(self._read_held(0, self._ahead), drive, rise, *state, np.empty(self._ahead, np.float32))
        at = self._ahead
        for size in sizes:
            if start >= frames:
                break
            held = self._read_held(at, min(size, frames - start))
            curve = np.empty(len(held), np.float32)
            kernels.gain_curve(held, drive, rise, *state, curve)
            kernels.lowest(curve.view(np.int32), start, self.step, lows.view(np.int32))
            yield curve
            at += len(held)
            start += len(held)
        self._lows, self._lows_of = lows, (drive_db, release_ms)

    def _read_held(self, start: int, length: int) -> NDArray[np.float32]:
        held = np.empty(length, np.float32)
        self._held.seek(start * held.itemsize)
        self._held.readinto(held.data.cast("B"))
        return held

    def _hold(self) -> Iterator[NDArray[np.float32]]:
        """Write the peaks, held for the look-ahead, to the file; the largest of each step as it goes."""
        chunk = self.step * CHUNK_STEPS
        before = np.zeros(self._ahead, np.float32)
        for start in range(0, self.signal.frames, chunk):
            peaks = self._peaks(start, min(start + chunk, self.signal.frames))
            yield np.maximum.reduceat(peaks, np.arange(0, len(peaks), self.step))
            before = self._write_held(before, peaks)
        self._write_held(before, np.zeros(self._ahead, np.float32))

    def _write_held(self, before: NDArray[np.float32], peaks: NDArray[np.float32]) -> NDArray[np.float32]:
        together = np.concatenate([before, peaks])
        rest = together[len(peaks) :].copy()
        kernels.hold(together, self._ahead + 1)
        self._held.write(together[: len(peaks)].data.cast("B"))
        return rest

    def _peaks(self, start: int, stop: int) -> NDArray[np.float32]:
        """What the detector sees of samples `start` to `stop`, linear."""
        # A value between two samples counts for both, so the first needs the sample before it.
        before = DETECTOR_TAPS // 2 + 1
        frames = self.signal.read(start - before, stop + DETECTOR_TAPS + kernels.BLOCK)
        peaks = np.zeros(stop - start + 1, np.float32)
        kernels.linked_peaks(frames[before - 1 : before + stop - start], peaks)
        if self.detection == "true_peak":
            taps, values = interpolator(DETECTOR_TAPS, 5.0), np.empty(kernels.BLOCK, np.float32)
            for row in np.ascontiguousarray(frames.T, np.float32):
                kernels.linked_peaks_between(row, taps, values, peaks)
        return peaks[1:]


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
    """Amplify one signal by `gain_db` and limit it to `ceiling_db` (dBFS, or dBTP where true peaks are detected).

    A gain that moves between the detector's points, and a meter that interpolates longer than the detector, could
    leave the output a little over. So it is read with the project's true-peak meter, and the detector's ceiling
    lowered by the excess until the reading is at or under the ceiling.

    Parameters
    ----------
    frames : (n, channels) float32 or float64
        Full scale 1.0. Never written to.
    rate : int
        Sample rate, Hz.
    gain_db, ceiling_db : float
    detection, look_ahead_ms, release_ms
        As in `Limiter`.

    Raises
    ------
    ValueError
        As `Limiter`; or frames of another shape or type, empty, or with NaN or infinity; a rate that is not positive.

    Examples
    --------
    >>> tone = np.sin(np.arange(48000) / 10.0)[:, np.newaxis]
    >>> bool(abs(limit(tone, 48000, gain_db=6.0, ceiling_db=-2.0).frames).max() <= 10 ** (-2 / 20))
    True
    """
    signal = InMemory(frames, rate)
    out = np.empty(frames.shape, frames.dtype)
    inner_db, ceiling = ceiling_db, amplitude_of(ceiling_db)
    with Limiter(signal, detection, look_ahead_ms, release_ms) as limiter:
        limiter.shape(gain_db, inner_db, out)
        # Ends: no interpolator can exceed the sum of its taps' magnitudes times the detector's ceiling.
        while detection == "true_peak" and (reading := float(true_peak(out).max(initial=0.0))) > ceiling:
            inner_db -= (decibels(reading / ceiling) or 0.0) + 1e-5
            limiter.shape(gain_db, inner_db, out)
        return Limited(out, limiter.reduction_db(gain_db - inner_db), inner_db)


class InMemory:
    """Samples in memory as a `Signal`, in the type that they have; arguments and errors as of `limit`."""

    def __init__(self, frames: NDArray[Any], rate: int) -> None:
        if frames.ndim != 2 or frames.size == 0:
            raise ValueError(f"frames must be (n, channels) and not empty, not of shape {frames.shape}")
        if frames.dtype not in (np.float32, np.float64):
            raise ValueError(f"frames must be float32 or float64, not {frames.dtype}")
        if not np.isfinite(frames).all():
            raise ValueError("frames hold NaN or infinity")
        if not 0 < rate < math.inf:
            raise ValueError(f"rate must be above 0, not {rate}")
        self.rate = rate
        self.channels = frames.shape[1]
        self.frames = len(frames)
        self._samples = frames

    def read(self, start: int, stop: int) -> NDArray[Any]:
        found = np.zeros((stop - start, self.channels), self._samples.dtype)
        part = self._samples[max(start, 0) : max(stop, 0)]
        at = max(-start, 0)
        found[at : at + len(part)] = part
        return found


def check_settings(detection: str, look_ahead_ms: float, release_ms: float) -> None:
    """Raise the ValueErrors of `Limiter`."""
    if detection not in ("sample_peak", "true_peak"):
        raise ValueError(f"detection must be sample_peak or true_peak, not {detection!r}")
    for name, value in (("look_ahead_ms", look_ahead_ms), ("release_ms", release_ms)):
        if not 0 < value < math.inf:
            raise ValueError(f"{name} must be above 0, not {value}")
    if look_ahead_ms > LOOK_AHEAD_MAX_MS:
        raise ValueError(f"look_ahead_ms must be at most {LOOK_AHEAD_MAX_MS:g}, not {look_ahead_ms:g}")
