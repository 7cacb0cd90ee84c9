"""One of each meter, and what they say together: a `Measurement`."""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels_each
from master_check.measurement.measurement import SHORT_FOR_RANGE, SUMS, Measurement, Series
from master_check.meters import Meter, Reading
from master_check.meters.clipping import ClippingMeter
from master_check.meters.levels import LevelMeter
from master_check.meters.loudness import SHORT_TERM, LoudnessMeter
from master_check.meters.pinned import pinned_percent
from master_check.meters.saturation import SaturationMeter
from master_check.meters.silence import SilenceMeter
from master_check.meters.spectrum import SpectrumMeter
from master_check.meters.true_peak import TruePeakMeter
from master_check.meters.word_length import WordMeter
from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import CHANNEL_KEYS, QUANTITIES, Value

if TYPE_CHECKING:
    from master_check.provenance.origin import OriginMeter

STEADY_S = 60.0
"""Loudness range is not stable in a programme shorter than this (EBU Tech 3341, section 2.6)."""

SIDES: Final = {"left": "L", "right": "R", "mid": "mid", "side": "side"}
"""The rows of the series by the names that quantities have for them."""


class Meters:
    """One of each meter, for one file; that of its origin only where it is asked for."""

    def __init__(self, format: AudioFormat, origin: bool = False) -> None:
        self._format = format
        self._origin = _origin_meter(format) if origin else None
        self._loudness = LoudnessMeter(format)
        self._levels = LevelMeter(format)
        self._spectrum = SpectrumMeter(format)
        self.all: list[Meter] = [
            self._loudness,
            self._levels,
            self._spectrum,
            TruePeakMeter(format),
            ClippingMeter(format),
            SaturationMeter(format),
            SilenceMeter(format),
            WordMeter(format),
        ]
        if self._origin is not None:
            self.all.append(self._origin)

    def feed(self, block: Block) -> None:
        for meter in self.all:
            meter.feed(block)

    def measurement(self, path: str, frames: int, oddities: list[str]) -> Measurement:
        format = self._format
        readings = [meter.result() for meter in self.all]
        series = Series(
            format.rate, _rows(format), self._loudness.energy(), self._levels.tops(), self._spectrum.powers()
        )
        values: dict[str, Value] = dict.fromkeys(QUANTITIES)
        at_s: dict[str, float] = {}
        places_s: dict[str, tuple[float, ...]] = {}
        for reading in readings:
            values |= reading.values
            at_s |= reading.at_s
            places_s |= {key: found for key, found in reading.places_s.items() if found}
        values |= {
            "sample_rate_hz": format.rate,
            "bit_depth": format.bit_depth,
            "channels": format.channels,
            "duration_s": frames / format.rate,
            "layout": format.layout.name if format.layout else None,
            "container": format.container,
            "encoding": format.encoding,
        }
        values["plr_lu"] = _difference(values["true_peak_dbtp"], values["integrated_lufs"])
        values |= _pinned(format, series)
        psr = _lowest_psr(series, values["integrated_lufs"])
        if psr is not None:
            values["psr_min_lu"], at_s["psr_min_lu"] = psr
        return Measurement(
            path,
            format,
            values,
            at_s,
            _by_channel(format, readings),
            (*oddities, *_notes(values)),
            series,
            origin=self._origin.findings() if self._origin else None,
            places_s=places_s,
        )


def _origin_meter(format: AudioFormat) -> "OriginMeter":
    from master_check.provenance.origin import OriginMeter  # seldom asked for, and not quick to load

    return OriginMeter(format)


def _rows(format: AudioFormat) -> tuple[str, ...]:
    return (*format.labels, *SUMS) if format.stereo else format.labels


def _difference(a: Value, b: Value) -> float | None:
    return float(a) - float(b) if a is not None and b is not None else None


def _pinned(format: AudioFormat, series: Series) -> dict[str, Value]:
    """How much peaks press against a ceiling: of left and right, of stereo's middle and sides, of mono."""
    rows = {"mid": series.rows[0]} if format.channels == 1 else SIDES
    return {
        f"pinned_{side}_percent": pinned_percent(series.tops_of(row))
        for side, row in rows.items()
        if row in series.rows
    }


def _lowest_psr(series: Series, integrated: Value) -> tuple[float, float] | None:
    """Smallest sample peak minus short-term loudness of any 3 s that counts as programme, and where it begins."""
    short = series.short_term()
    if integrated is None or not len(short):
        return None
    tops = series.tops[: series.channels].max(axis=0)
    peaks = np.lib.stride_tricks.sliding_window_view(_tenths(tops), SHORT_TERM // 10).max(axis=1)
    short = short[::10][: len(peaks)]
    peaks = peaks[: len(short)]
    programme = short > float(integrated) - 10.0
    if not programme.any():
        return None
    psr = np.where(programme, decibels_each(np.maximum(peaks, 1e-12)) - short, np.inf)
    at = int(np.argmin(psr))
    return float(psr[at]), at / 10.0


def _tenths(tops: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest of every ten hops; a rest of fewer is dropped."""
    return np.asarray(tops[: len(tops) // 10 * 10].reshape(-1, 10).max(axis=1))


def _by_channel(format: AudioFormat, readings: list[Reading]) -> tuple[dict[str, Value], ...]:
    rows: list[dict[str, Value]] = [{"label": label} for label in format.labels]
    for reading in readings:
        for row, own in zip(rows, reading.channels, strict=False):
            row |= own
    return tuple({"label": row["label"]} | {key: row.get(key) for key in CHANNEL_KEYS} for row in rows)


def _notes(values: dict[str, Value]) -> tuple[str, ...]:
    notes = []
    duration = float(values["duration_s"] or 0.0)
    if values["sample_peak_dbfs"] is None:
        notes.append("digital silence: no level can be given")
    elif duration < 0.4:
        notes.append("shorter than 400 ms: no loudness can be given")
    elif values["integrated_lufs"] is None:
        notes.append("nothing louder than -70 LUFS: no integrated loudness can be given")
    elif duration < STEADY_S:
        notes.append(SHORT_FOR_RANGE)
    return tuple(notes)
