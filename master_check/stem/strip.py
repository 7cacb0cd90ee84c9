"""What a stem does over time, for a picture: level, peaks, and where something was found."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels_each, power_decibels_each
from master_check.measurement.measurement import Measurement
from master_check.meters.clipping import full_scale
from master_check.sound.blocks import HOPS_PER_SECOND

POINTS: Final = 400
TOGETHER_S: Final = 0.1
"""What lies closer together is one place."""

What = Literal["clipping", "dropout", "channel gap", "sibilance", "ringing"]


@dataclass(frozen=True, slots=True)
class Spot:
    """Where something was found, in seconds from the start of the stem."""

    kind: What
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Strip:
    """A stem over time.

    Attributes
    ----------
    step_s : float
        How long a step is; there are at most 400.
    level_dbfs : (steps,) float32
        RMS, a sine of full scale reads 0; -inf where silent.
    peak_dbfs : (steps,) float32
        Largest sample; -inf where silent.
    spots : tuple of Spot
        In order of time. Of dropouts and gaps of a channel the measurement keeps one place each.
    """

    step_s: float
    level_dbfs: NDArray[np.float32]
    peak_dbfs: NDArray[np.float32]
    spots: tuple[Spot, ...]


def strip(measurement: Measurement, hops: NDArray[np.float64], found: Iterable[Spot]) -> Strip:
    """What a stem does over time.

    hops : (hops,) float64, mean power of every 10 ms; a sine of full scale has 1.
    """
    size = max(1, -(-len(hops) // POINTS))
    starts = np.arange(0, len(hops), size)
    series = measurement.series
    tops = series.tops[: series.channels, : len(hops)].max(axis=0) if len(hops) else np.zeros(0)
    level = np.add.reduceat(hops, starts) / np.diff(np.append(starts, len(hops))) if len(hops) else np.zeros(0)
    peak = np.maximum.reduceat(tops, starts) if len(hops) else np.zeros(0)
    spots = sorted([*_faults(measurement), *found], key=lambda spot: (spot.start_s, spot.kind))
    return Strip(
        size / HOPS_PER_SECOND,
        power_decibels_each(level).astype(np.float32),
        decibels_each(peak).astype(np.float32),
        tuple(spots),
    )


def _faults(measurement: Measurement) -> list[Spot]:
    """Of what every file is measured for."""
    values, at_s, spots = measurement.values, measurement.at_s, []
    if values["clipped_runs"]:
        full = (
            measurement.series.tops[: measurement.series.channels] >= np.float32(full_scale(measurement.format))
        ).any(axis=0)
        places = np.flatnonzero(full) / HOPS_PER_SECOND
        spots += [Spot("clipping", a, b + 1.0 / HOPS_PER_SECOND) for a, b in together(places)]
    if "dropouts" in at_s:
        spots.append(Spot("dropout", at_s["dropouts"], at_s["dropouts"]))
    if "channel_gap_longest_s" in at_s:
        start = at_s["channel_gap_longest_s"]
        spots.append(Spot("channel gap", start, start + float(values["channel_gap_longest_s"] or 0.0)))
    return spots


def together(places: NDArray[np.float64]) -> list[tuple[float, float]]:
    """First and last of places that lie close together."""
    if not len(places):
        return []
    parts = np.split(places, np.flatnonzero(np.diff(places) > TOGETHER_S) + 1)
    return [(float(part[0]), float(part[-1])) for part in parts]
