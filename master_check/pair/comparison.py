"""What mastering did: a premaster and its master measured, aligned, and told apart."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.pair.align import Alignment, PairError, align
from master_check.pair.change import Change, change
from master_check.pair.saturation import PairSaturation, SideSaturation, pair_saturation
from master_check.sound.file import AudioFile
from master_check.tables.layouts import Layout
from master_check.text import clock

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

SPOKEN_PERCENT: Final = 0.5
"""Distortion from which the summary calls a side saturated: a compressor alone may read up to this."""

SPOKEN_DB: Final = 0.7
"""Change of tone or width from which the summary speaks of it."""

REGIONS: Final = (
    ("below 100 Hz", 0.0, 100.0),
    ("from 125 to 400 Hz", 125.0, 400.0),
    ("from 500 Hz to 2 kHz", 500.0, 2000.0),
    ("from 2.5 to 6.3 kHz", 2500.0, 6300.0),
    ("above 8 kHz", 8000.0, 20000.0),
)

_NAMES: Final = {
    "left": "the left",
    "right": "the right",
    "mid": "the middle",
    "side": "the sides",
    "mono": "the channel",
}


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
    notes : tuple of str
        What the reader of the figures has to know.
    """

    premaster: Measurement
    master: Measurement
    alignment: Alignment
    change: Change
    saturation: PairSaturation
    differences: dict[str, float | None]
    notes: tuple[str, ...]

    def summary(self) -> list[str]:
        """What mastering did, in plain lines."""
        return [
            line for line in (_levels(self), _sides(self), _tone(self), _width(self), _gain(self), _place(self)) if line
        ]


def compare(
    premaster: str | Path,
    master: str | Path,
    layout: Layout | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Comparison:
    """Compare two files.

    Parameters
    ----------
    premaster, master : str or path
    layout : Layout, optional
        What the channels of both are, where they do not say or are wrong.
    progress : callable, optional
        Told the share (0 to 2, one a file) measured since it was last told.

    Raises
    ------
    AudioError
        One of the files cannot be measured.
    PairError
        The two cannot be compared, or do not belong together.
    """

    def read(path: str | Path) -> tuple[Measurement, NDArray[np.float32]]:
        measurement = measure(path, layout, progress=progress)
        with AudioFile(path, layout) as file:
            return measurement, file.read_all()

    with ThreadPoolExecutor(2) as pool:
        (before, first), (after, second) = pool.map(read, (premaster, master))
    alignment, change_, saturation = compare_frames(first, before.format.rate, second, after.format.rate)
    return Comparison(
        before,
        after,
        alignment,
        change_,
        saturation,
        _differences(before, after),
        tuple(_notes(before, after, alignment)),
    )


def compare_frames(
    premaster: NDArray[Any], premaster_rate: int, master: NDArray[Any], rate: int
) -> tuple[Alignment, Change, PairSaturation]:
    """Align samples in memory, (n, channels) each, and tell what was done to them.

    Raises
    ------
    PairError
        The two cannot be compared, or do not belong together.
    """
    alignment, before, after = align(premaster, premaster_rate, master, rate)
    start_s = max(0.0, alignment.offset_s)
    try:
        saturation = pair_saturation(before[:, :2], after[:, :2], rate)
    except ValueError as error:  # levels that no music has
        raise PairError(str(error)) from None
    # An offset is no change of tone or gain; the meters tell it.
    before, after = before - before.mean(axis=0), after - after.mean(axis=0)
    return alignment, change(before, after, rate, start_s), saturation


def _differences(before: Measurement, after: Measurement) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for key in DIFFERENCES:
        a, b = before.values[key], after.values[key]
        found[key] = float(b) - float(a) if a is not None and b is not None else None
    return found


def _notes(before: Measurement, after: Measurement, alignment: Alignment) -> Sequence[str]:
    notes = []
    found = _differences(before, after)
    louder, peaks = found["integrated_lufs"], found["plr_lu"]
    if louder is not None and peaks is not None and louder < -1.0 and peaks > 1.0:
        notes.append("the second file is quieter and has more peaks than the first: the wrong way round?")
    for name, measurement in (("premaster", before), ("master", after)):
        notes += [f"{name}: {note}" for note in measurement.notes if not note.startswith("shorter than 60 s")]
        lost = float(measurement.values["duration_s"] or 0.0) - alignment.overlap_s
        if lost > max(5.0, 0.1 * alignment.overlap_s):
            notes.append(f"{clock(lost)} of the {name} is not in the other file")
    return notes


def _levels(c: Comparison) -> str:
    louder, crest, peaks = c.differences["integrated_lufs"], c.differences["crest_db"], c.differences["true_peak_dbtp"]
    if louder is None or crest is None or peaks is None:
        return ""
    verb = f"added {louder:.1f} LU" if louder >= 0.0 else f"took {-louder:.1f} LU of loudness"
    took = f"took {-crest:.1f} dB of crest" if crest <= 0.0 else f"added {crest:.1f} dB of crest"
    return f"mastering {verb} and {took}; true peak {peaks:+.1f} dB"


def _sides(c: Comparison) -> str:
    pair = {"left_right": ("left", "right"), "mid_side": ("mid", "side")}
    names = pair.get(c.saturation.domain or "", tuple(s.side for s in c.saturation.sides))
    own = [side for side in c.saturation.sides if side.side in names and side.peak_dbfs is not None]
    hot = [side for side in own if side.thd_percent is not None and side.thd_percent >= SPOKEN_PERCENT]
    if any(side.thd_percent is None for side in own):
        return "no telling of saturation: too much was done that is neither equalising nor gain nor a curve"
    if not hot:
        most = max((side.thd_percent or 0.0 for side in own), default=0.0)
        return f"no side was saturated (at most {most:.1f} % THD)"
    cold = [_NAMES[side.side] for side in own if side not in hot]
    told = ", ".join(_hot(side) for side in hot)
    return told + (f"; {' and '.join(cold)} not" if cold else "")


def _hot(side: SideSaturation) -> str:
    plural = "were" if side.side == "side" else "was"
    how = f"clipped at {side.clip_dbfs:z.1f} dBFS" if side.clip_dbfs is not None else "saturated"
    return f"{_NAMES[side.side]} {plural} {how} ({side.thd_percent:.1f} % THD)"


def _tone(c: Comparison) -> str:
    parts = []
    for name, low, high in REGIONS:
        changes = [b.level_change_db for b in c.change.bands if low <= b.hz <= high and b.level_change_db is not None]
        mean = float(np.mean(changes)) if changes else 0.0
        if abs(mean) >= SPOKEN_DB:
            parts.append(f"{'rose' if mean > 0.0 else 'fell'} {abs(mean):.1f} dB {name}")
    return f"balance {', '.join(parts)}" if parts else "balance unchanged"


def _width(c: Comparison) -> str:
    wider, mono = c.differences["side_to_mid_db"], c.differences["mono_loss_lu"]
    if wider is None or mono is None:
        return ""
    if abs(wider) < SPOKEN_DB:
        return "width unchanged"
    return f"sides against middle {wider:+.1f} dB; lost in mono {mono:+.1f} LU"


def _gain(c: Comparison) -> str:
    most, often = c.change.gain_reduction_max_db, c.change.gain_reduction_p95_db
    if most is None or often is None or most < 0.5:
        return "no moving gain to speak of"
    place = f", most at {clock(c.change.worst[0].at_s)}" if c.change.worst else ""
    return f"gain moved by up to {most:.1f} dB (95th percentile {often:.1f} dB){place}"


def _place(c: Comparison) -> str:
    a = c.alignment
    later = (
        "in the same place"
        if abs(a.offset_s) < 1e-4
        else f"{abs(a.offset_s):.4f} s {'later' if a.offset_s > 0 else 'earlier'}"
    )
    polarity = "polarity INVERTED" if a.inverted else "same polarity"
    rates = (
        f", converted from {a.premaster_rate / 1000:g} to {a.rate / 1000:g} kHz" if a.premaster_rate != a.rate else ""
    )
    return f"the master lies {later}, {polarity}, {a.gain_db:+.1f} dB{rates}; coherence {a.coherence:.2f}"
