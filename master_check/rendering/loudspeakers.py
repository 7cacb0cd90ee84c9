"""The loudspeakers of a layout: in degrees (ITU-R BS.2051-3) and in the room (BS.2127-0, section 7.3)."""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering.geometry import cartesian
from master_check.tables.layouts import BS2051

_PLACES: Final[dict[str, tuple[float, float, float, float, float]]] = {
    "M+000": (0, 0, 0, 1, 0),
    "M+030": (30, 0, -1, 1, 0),
    "M-030": (-30, 0, 1, 1, 0),
    "M+060": (60, 0, -1, 0.414214, 0),
    "M-060": (-60, 0, 1, 0.414214, 0),
    "M+090": (90, 0, -1, 0, 0),
    "M-090": (-90, 0, 1, 0, 0),
    "M+110": (110, 0, -1, -1, 0),
    "M-110": (-110, 0, 1, -1, 0),
    "M+135": (135, 0, -1, -1, 0),
    "M-135": (-135, 0, 1, -1, 0),
    "M+180": (180, 0, 0, -1, 0),
    "U+000": (0, 30, 0, 1, 1),
    "U+030": (30, 30, -1, 1, 1),
    "U-030": (-30, 30, 1, 1, 1),
    "U+045": (45, 30, -1, 1, 1),
    "U-045": (-45, 30, 1, 1, 1),
    "U+090": (90, 30, -1, 0, 1),
    "U-090": (-90, 30, 1, 0, 1),
    "U+110": (110, 30, -1, -1, 1),
    "U-110": (-110, 30, 1, -1, 1),
    "U+135": (135, 30, -1, -1, 1),
    "U-135": (-135, 30, 1, -1, 1),
    "U+180": (180, 30, 0, -1, 1),
    "T+000": (0, 90, 0, 0, 1),
    "B+000": (0, -30, 0, 1, -1),
    "B+045": (45, -30, -1, 1, -1),
    "B-045": (-45, -30, 1, 1, -1),
    "LFE1": (45, -30, -1, 1, -1),
    "LFE2": (-45, -30, 1, 1, -1),
}
"""Azimuth, elevation; x, y, z. LFE stands somewhere only to compare it with where a channel is meant to be."""


@dataclass(frozen=True, eq=False)
class Loudspeakers:
    """Loudspeakers at their nominal places.

    Attributes
    ----------
    layout : str
        Their name in BS.2051.
    labels : tuple of str
    azimuths, elevations : (n,) array
        Degrees.
    directions : (n, 3) array
        The same as vectors of length 1.
    room : (n, 3) array
        Where they stand in a room that goes from -1 to 1.
    lfe : (n,) array of bool
    """

    layout: str
    labels: tuple[str, ...]
    azimuths: NDArray[np.float64]
    elevations: NDArray[np.float64]
    directions: NDArray[np.float64]
    room: NDArray[np.float64]
    lfe: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.labels)


@cache
def loudspeakers(layout: str) -> Loudspeakers:
    """All loudspeakers of a layout, in its order. KeyError where BS.2051 has no such layout, or none is known here."""
    return _of(layout, BS2051[layout])


@cache
def main_loudspeakers(layout: str) -> Loudspeakers:
    """Those that objects are panned to: all but the low-frequency ones."""
    return _of(layout, tuple(label for label in BS2051[layout] if not label.startswith("LFE")))


def _of(layout: str, labels: tuple[str, ...]) -> Loudspeakers:
    places = np.array([_PLACES[label] for label in labels], np.float64)
    lfe = np.array([label.startswith("LFE") for label in labels])
    azimuths, elevations = places[:, 0], places[:, 1]
    return Loudspeakers(layout, labels, azimuths, elevations, cartesian(azimuths, elevations), places[:, 2:], lfe)
