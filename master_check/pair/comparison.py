"""What mastering did: a premaster and its master measured, aligned, and told apart."""

import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from master_check import cores
from master_check.alignment.align import Alignment, PairError, align
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_kept
from master_check.pair.averages import averages
from master_check.pair.change import Change, change
from master_check.pair.equaliser import equaliser
from master_check.pair.followed import follow
from master_check.pair.overlap import Overlap
from master_check.pair.saturation import PairSaturation, pair_saturation
from master_check.sound.kept import Kept, Signal
from master_check.tables.layouts import Layout

DIFFERENCES: Final = (
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "plr_lu",
    "psr_min_lu",
    "crest_db",
    "rms_dbfs",
    "correlation",
    "balance_lu",
    "mono_loss_lu",
    "side_to_mid_db",
)
"""Quantities whose change is told, master minus premaster."""

REGIONS: Final = ((None, 100.0), (125.0, 400.0), (500.0, 2_000.0), (2_500.0, 6_300.0), (8_000.0, None))
"""Lowest and highest third octave of each region of the spectrum, Hz; None where it is open."""

MISSING_S: Final = 5.0
MISSING_SHARE: Final = 0.1
"""Sound that the other file lacks is remarked on from here on: seconds, and share of what the two have in common."""


@dataclass(frozen=True, slots=True)
class Region:
    """Change of level, master minus premaster, over several third octaves; None where neither has any sound."""

    low_hz: float | None
    high_hz: float | None
    level_change_db: float | None


@dataclass(frozen=True, slots=True)
class Remark:
    """What to know before reading a comparison.

    Attributes
    ----------
    kind : str
        `swapped`: premaster and master look as if they were given the wrong way round. `premaster_only`,
        `master_only`: sound that the other file does not have. `premaster_lossy`, `master_lossy`: an encode, with what
        its encoder did.
    seconds : float
        Of sound that one file alone has.
    """

    kind: Literal["swapped", "premaster_only", "master_only", "premaster_lossy", "master_lossy"]
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """A premaster and its master.

    Attributes
    ----------
    premaster, master : Measurement
    alignment : Alignment
    change : Change
    saturation : PairSaturation
        Of left, right, middle and sides; of more than two channels, of the first two.
    differences : dict
        Master minus premaster for the keys of `DIFFERENCES`; None where one of them has no value.
    remarks : tuple of Remark
        What to know before reading the figures.
    """

    premaster: Measurement
    master: Measurement
    alignment: Alignment
    change: Change
    saturation: PairSaturation
    differences: dict[str, float | None]
    remarks: tuple[Remark, ...]

    @property
    def regions(self) -> tuple[Region, ...]:
        """The change of tone from the lows to the highs, in the regions of `REGIONS`."""
        return tuple(Region(low, high, _mean_change(self.change, low, high)) for low, high in REGIONS)


def compare(
    premaster: str | Path,
    master: str | Path,
    layout: Layout | None = None,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> Comparison:
    """Compare two files.

    Parameters
    ----------
    premaster, master : str or path
    layout : Layout, optional
        What the channels of both are, where they do not say or are wrong.
    progress : callable, optional
        Told the share (0 to 2, one a file) measured since it was last told.
    origin : bool
        Also look for what earlier conversions and encodes have left in either.

    Raises
    ------
    AudioError
        One of the files cannot be measured.
    PairError
        The two cannot be compared, or do not belong together.
    """

    with ExitStack() as stack:  # closes what one of the two kept where the other cannot be read

        def read(path: str | Path) -> tuple[Measurement, Kept]:
            measurement, kept = measure_kept(path, layout, progress=progress, origin=origin)
            return measurement, stack.enter_context(kept)

        with ThreadPoolExecutor(cores.threads()) as pool:
            (before, first), (after, second) = pool.map(read, (premaster, master))
        alignment, change_, saturation = compare_signals(first, second)
    return Comparison(
        before,
        after,
        alignment,
        change_,
        saturation,
        _differences(before, after),
        tuple(_remarks(before, after, alignment)),
    )


def compare_signals(premaster: Signal, master: Signal) -> tuple[Alignment, Change, PairSaturation]:
    """Align two signals, and tell what was done to them.

    Raises
    ------
    PairError
        The two cannot be compared, or do not belong together.
    """
    if premaster.channels != master.channels and (premaster.channels, master.channels) != (2, 1):
        raise PairError(f"the premaster has {_channels(premaster)}, the master {_channels(master)}")
    alignment, placed = align(premaster, master)
    return alignment, *compare_aligned(Overlap.along(placed.lines, placed, master))


def compare_aligned(overlap: Overlap) -> tuple[Change, PairSaturation]:
    """What was done to a premaster, where it and its master have the same sound; both are read three times.

    Raises
    ------
    PairError
        Silence, or levels that no audio has.
    """
    try:
        averaged = averages(overlap)
        followed = follow(overlap, equaliser(overlap, averaged), averaged.means)
        saturation = pair_saturation(overlap, averaged, followed)
    except ValueError as error:
        raise PairError(str(error)) from None
    return change(averaged, followed, overlap.rate), saturation


def _channels(signal: Signal) -> str:
    return "1 channel" if signal.channels == 1 else f"{signal.channels} channels"


def _differences(before: Measurement, after: Measurement) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for key in DIFFERENCES:
        a, b = before.values[key], after.values[key]
        found[key] = float(b) - float(a) if a is not None and b is not None else None
    return found


def _remarks(before: Measurement, after: Measurement, alignment: Alignment) -> Iterator[Remark]:
    found = _differences(before, after)
    louder, peaks = found["integrated_lufs"], found["plr_lu"]
    if louder is not None and peaks is not None and louder < -1.0 and peaks > 1.0:
        yield Remark("swapped")
    if before.format.lossy:
        yield Remark("premaster_lossy")
    if after.format.lossy:
        yield Remark("master_lossy")
    missing = [float(m.values["duration_s"] or 0.0) - alignment.overlap_s for m in (before, after)]
    least = max(MISSING_S, MISSING_SHARE * alignment.overlap_s)
    if missing[0] > least:
        yield Remark("premaster_only", missing[0])
    if missing[1] > least:
        yield Remark("master_only", missing[1])


def _mean_change(change: Change, low: float | None, high: float | None) -> float | None:
    inside = [band for band in change.bands if (low or 0.0) <= band.hz <= (high or math.inf)]
    changes = [band.level_change_db for band in inside if band.level_change_db is not None]
    return float(np.mean(changes)) if changes else None
