"""Everything that a stem is measured for besides what every file is, in the same one pass."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement
from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat
from master_check.stem.heard import Heard
from master_check.stem.hum import hum, rumble_dbfs
from master_check.stem.kinds import Kind
from master_check.stem.levels import PlayingLevel
from master_check.stem.low_cut import low_cut
from master_check.stem.noise_floor import NoiseFloor, noise_floor
from master_check.stem.polarity import LowBand
from master_check.stem.ringing import Ring, ringing
from master_check.stem.sibilance import Sibilance, SibilanceMeter
from master_check.stem.spectra import SpectraMeter
from master_check.stem.strip import Spot, Strip, strip
from master_check.tables.quantities import Value


@dataclass(frozen=True, slots=True)
class Own:
    """What a stem is measured for besides what every file is.

    Attributes
    ----------
    values : dict
        By key of `STEM_QUANTITIES`, but for the trim; without those that it has not.
    strip : Strip
        The stem over time.
    rings : tuple of Ring
        Its resonances.
    """

    values: dict[str, Value]
    strip: Strip
    rings: tuple[Ring, ...]


class StemMeters:
    """One of each meter, for one stem; that of sibilance only for voices."""

    def __init__(self, format: AudioFormat, kind: Kind | None) -> None:
        self._rate = format.rate
        self._kind = kind
        self.level = PlayingLevel(format)
        self.low_band = LowBand(format)
        self._spectra = SpectraMeter(format)
        self._sibilance = SibilanceMeter(format) if kind == "voice" else None

    def feed(self, block: Block) -> None:
        for meter in (self.level, self.low_band, self._spectra, self._sibilance):
            if meter is not None:
                meter.feed(block)

    def result(self, measurement: Measurement) -> "Own":
        """What was found.

        measurement : Measurement
            Of the same samples.
        """
        energy = measurement.series.energy
        values = self.level.values(energy)
        hops = self.level.hops(len(energy))
        rings: tuple[Ring, ...] | None = None
        found: list[Spot] = []
        if values["playing_level_dbfs"] is not None:
            heard = self._heard(energy, hops)
            floor = noise_floor(heard)
            rings = ringing(heard, self._kind) if self._kind else None
            sibilance = self._sibilance.result(hops, heard.level) if self._sibilance else None
            values |= _low_values(heard, floor) | _noise_values(heard, floor) | _found_values(rings, sibilance)
            found += [Spot("ringing", *place) for ring in rings or () for place in ring.places_s]
            found += [Spot("sibilance", *place) for place in (sibilance.places_s if sibilance else ())]
        return Own(values, strip(measurement, hops, found), rings or ())

    def _heard(self, energy: NDArray[np.float64], hops: NDArray[np.float64]) -> Heard:
        steps, passes = self._spectra.steps(), self.level.passing(energy)
        count = min(len(steps), len(passes))
        return Heard(self._rate, energy, hops, steps[:count], self._spectra.columns, passes[:count])


def _low_values(heard: Heard, floor: NoiseFloor) -> dict[str, Value]:
    found = low_cut(heard, floor.spectrum)
    return {
        "low_cut_hz": found.hz[0],
        "low_cut_24_hz": found.hz[1],
        "lowest_fundamental_hz": found.fundamental_hz,
        "below_low_cut_dbfs": found.below_dbfs,
    }


def _noise_values(heard: Heard, floor: NoiseFloor) -> dict[str, Value]:
    mains = hum(heard, floor.spectrum) if floor.gaps == "steady" else None
    return {
        "gaps": floor.gaps,
        "noise_floor_dbfs": floor.dbfs,
        "hum_hz": mains.hz if mains else None,
        "hum_dbfs": mains.dbfs if mains else None,
        "rumble_dbfs": rumble_dbfs(heard, floor.spectrum) if floor.gaps == "steady" else None,
    }


def _found_values(rings: tuple[Ring, ...] | None, sibilance: Sibilance | None) -> dict[str, Value]:
    values: dict[str, Value] = {}
    if rings is not None:
        values["rings"] = len(rings)
        if rings:
            values |= {
                "ringing_hz": rings[0].hz,
                "ringing_above_db": rings[0].above_db,
                "ringing_percent": rings[0].percent,
            }
    if sibilance is not None:
        values |= {"sibilant_bursts": len(sibilance.places_s), "sibilance_db": sibilance.level_db}
    return values
