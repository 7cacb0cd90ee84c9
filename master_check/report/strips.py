"""A stem over time as a picture: its peaks, its level, and where something was found."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.report.pictures import Picture, minus, number_text, times
from master_check.report.svg import COLUMNS, Plot, Tick
from master_check.report.wording.stems import LANES, found_places
from master_check.stem.strip import Spot, Strip

DEEP_DB: Final = 48.0
"""Down from the highest peak: what lies lower is seldom heard in a mix."""

LANE_DB: Final = 10.0


def strip_picture(strip: Strip) -> Picture | None:
    """Peaks and level in dBFS, and below them a lane for each kind of finding; None in silence."""
    heard = strip.peak_dbfs[np.isfinite(strip.peak_dbfs)]
    if not len(heard):
        return None
    top = max(0.0, math.ceil(float(heard.max())))
    bottom = 6.0 * math.floor((float(heard.max()) - DEEP_DB) / 6.0)
    kinds = [kind for kind in LANES if any(spot.kind == kind for spot in strip.spots)]
    duration = len(strip.peak_dbfs) * strip.step_s
    plot = Plot((0.0, duration), (bottom - LANE_DB * (len(kinds) + 0.5) * bool(kinds), top), "plot low")
    plot.scale_y([Tick(at, number_text(at)) for at in np.arange(0.0, bottom - 1.0, -12.0).tolist()], "dBFS")
    seconds = (np.arange(len(strip.peak_dbfs)) + 0.5) * strip.step_s
    plot.area(seconds, bottom, np.maximum(strip.peak_dbfs, bottom), "band")
    plot.line(seconds, np.where(strip.level_dbfs > bottom, strip.level_dbfs, np.nan), "line-thin")
    for number, kind in enumerate(kinds, start=1):
        lane = bottom - LANE_DB * number
        plot.scale_y([Tick(lane, LANES[kind])])
        across = (np.arange(COLUMNS) + 0.5) * duration / COLUMNS
        plot.dashes(across, _covered([spot for spot in strip.spots if spot.kind == kind], duration), lane, "tick")
    plot.scale_x(times(duration))
    key = [("band", "peaks"), ("line-thin", "level"), *([("tick", "found here")] if kinds else [])]
    label = f"Peaks and level over time, {duration:.0f} s; highest peak {float(heard.max()):.1f} dBFS"
    return Picture(plot.svg(), minus(label + found_places(strip.spots) + "."), tuple(key))


def _covered(spots: list[Spot], duration: float) -> NDArray[np.bool_]:
    """Which columns a spot reaches into."""
    there = np.zeros(COLUMNS, np.bool_)
    for spot in spots:
        first, last = (int(min(at / duration, 1.0) * COLUMNS) for at in (spot.start_s, spot.end_s))
        there[min(first, COLUMNS - 1) : last + 1] = True
    return there
