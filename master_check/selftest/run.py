"""The published signals through this very installation: written as files, read back, measured, and held to the figures.

After them a second meter: pyloudnorm, an implementation of BS.1770 that shares no code with this one, on a programme
made of noise.
"""

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from master_check import __version__
from master_check.decibels import amplitude_of
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.measurement.store import folder
from master_check.output import OutputError, temporary_folder, write_whole
from master_check.selftest.published import CASES, Case
from master_check.tables import layouts

SECOND_METER_LU: Final = 0.02
"""What this meter and pyloudnorm may differ by; both claim the same arithmetic, so only rounding is left."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One case at one rate.

    Attributes
    ----------
    name, title, measure : str
    rate : int
        Hz.
    expected : float
        The figure of the document (of the second meter), for the reading that is furthest from its own.
    below, above : float
        The tolerance.
    read : float
        That reading; NaN where there was none.
    passed : bool
    """

    name: str
    title: str
    measure: str
    rate: int
    expected: float
    below: float
    above: float
    read: float
    passed: bool


def run(rates: tuple[int, ...], progress: Callable[[float], Any] | None = None) -> Iterator[Outcome]:
    """Every case at every rate, then the second meter; the files are written to a temporary folder and removed.

    Parameters
    ----------
    rates : tuple of int
        Hz.
    progress : callable, optional
        Told the share of all cases done since it was last told.

    Raises
    ------
    OSError
        The temporary folder cannot be written.
    """
    share = 1.0 / (len(rates) * (len(CASES) + 1))
    with temporary_folder("selftest") as folder:
        path = folder / "signal.wav"
        for rate in rates:
            for case in CASES:
                yield _case(case, rate, path)
                if progress:
                    progress(share)
            yield _second_meter(rate, path)
            if progress:
                progress(share)


def largest_misses(outcomes: list[Outcome]) -> dict[str, float]:
    """How far the readings of each quantity lay from the documents' figures at most."""
    misses: dict[str, float] = {}
    for outcome in outcomes:
        miss = abs(outcome.read - outcome.expected)
        misses[outcome.measure] = max(misses.get(outcome.measure, 0.0), miss)
    return misses


def _case(case: Case, rate: int, path: Path) -> Outcome:
    def through_a_file(frames: NDArray[np.float32], rate: int, layout: str) -> Measurement:
        soundfile.write(path, frames, rate, subtype="FLOAT")
        return measure(path, layouts.parse(layout))

    readings = case.read(rate, through_a_file)
    expected = case.expected * (len(readings) // len(case.expected))
    pairs = list(zip(readings, expected, strict=True))
    read, wanted = max(pairs, key=lambda pair: np.inf if np.isnan(pair[0]) else abs(pair[0] - pair[1]))
    return Outcome(
        case.name, case.title, case.measure, rate, wanted, case.below, case.above, read, not case.misses(readings)
    )


def _second_meter(rate: int, path: Path) -> Outcome:
    import pyloudnorm

    frames = programme(rate)
    soundfile.write(path, frames, rate, subtype="FLOAT")
    read = measure(path).values["integrated_lufs"]
    other = float(pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(frames.astype(np.float64)))
    value = float("nan") if read is None else float(read)
    passed = bool(abs(value - other) <= SECOND_METER_LU)
    name, title = "second meter: pyloudnorm", "noise with loud and quiet passages, 20 s"
    return Outcome(name, title, "integrated_lufs", rate, other, SECOND_METER_LU, SECOND_METER_LU, value, passed)


def programme(rate: int) -> NDArray[np.float32]:
    """20 s of pink-like stereo noise in passages of 2 s at different levels, (n, 2) float32."""
    rng = np.random.default_rng(1770)
    white = rng.standard_normal((20 * rate, 2))
    levels = np.repeat(amplitude_of(np.array([-20, -26, -50, -18, -30, -14, -40, -22, -16, -60])), 2 * rate)
    spectrum = np.fft.rfft(white, axis=0)
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), 20))[:, None]
    noise = np.fft.irfft(spectrum, len(white), axis=0)
    return np.asarray(noise / noise.std() * levels[:, None], np.float32)


def remember(summary: str) -> None:
    """Keep a selftest's summary for the reports of this installation; where it cannot be kept, they do without."""
    with suppress(OutputError, OSError):
        _kept().parent.mkdir(parents=True, exist_ok=True)
        write_whole(_kept(), summary)


def remembered() -> str:
    """The summary of the last selftest of this version and with when it was run; empty where there was none."""
    try:
        path = _kept()
        day = datetime.fromtimestamp(path.stat().st_mtime).date()
        return f"{path.read_text(encoding='utf-8')} ({day.isoformat()})"
    except (OSError, ValueError):
        return ""


def _kept() -> Path:
    return folder() / f"selftest-{__version__}.txt"
