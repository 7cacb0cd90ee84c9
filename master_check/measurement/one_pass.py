"""From a file to a `Measurement`: every meter over one file, in one pass."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels_each
from master_check.measurement.measurement import SHORT_FOR_RANGE, SUMS, Measurement, Series
from master_check.measurement.stated import with_tags
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
from master_check.sound.checksum import Hashing
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioFormat
from master_check.sound.kept import Kept
from master_check.sound.source import Source
from master_check.sound.tags.read import read_tags
from master_check.tables.layouts import Layout
from master_check.tables.quantities import CHANNEL_KEYS, QUANTITIES, Value

if TYPE_CHECKING:
    from master_check.provenance.origin import OriginMeter

MEASUREMENT_VERSION = 8
"""Raised whenever the same file would measure differently: stored measurements of another version are not used."""

STEADY_S = 60.0
"""Loudness range is not stable in a programme shorter than this (EBU Tech 3341, section 2.6)."""

SIDES: Final = {"left": "L", "right": "R", "mid": "mid", "side": "side"}
"""The rows of the series by the names that quantities have for them."""


def measure(
    source: str | Path | Source,
    layout: Layout | None = None,
    hops: int | None = None,
    ahead: bool = False,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> Measurement:
    """Measure one file, or anything else that gives samples.

    Parameters
    ----------
    source : str, path or Source
        Anything libsndfile reads, or a source such as `ArraySource`.
    layout : Layout, optional
        What the channels of a file are, where it does not say or is wrong.
    hops : int, optional
        10 ms hops read at a time; changes the memory used, never a figure.
    ahead : bool
        Decode in another thread than the meters run in: faster where a core is free, changes no figure.
    progress : callable, optional
        Told the share (0 to 1) measured since it was last told.
    origin : bool
        Also look for what earlier conversions and encodes have left, which takes longer than all else.

    Raises
    ------
    AudioError
        The file cannot be measured, or changed meanwhile; the message is one line for the engineer.

    Examples
    --------
    >>> import numpy as np
    >>> from master_check import measure
    >>> from master_check.sound.source import ArraySource
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)  # BS.1770-5: a full-scale sine in one channel
    >>> round(measure(ArraySource(tone, 48_000)).values["integrated_lufs"], 2)
    -3.01
    """
    if not isinstance(source, str | Path):
        return measure_source(source, hops, ahead, progress, origin)
    with AudioFile(source, layout) as file, Hashing(source) as hashing:
        tags = read_tags(source)
        measurement = with_tags(measure_source(file, hops, ahead, progress, origin), tags)
    return replace(measurement, sha256=hashing.result())


def measure_kept(
    path: str | Path,
    layout: Layout | None = None,
    ahead: bool = False,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> tuple[Measurement, Kept]:
    """Measure one file and keep its samples, in one pass; arguments and errors are those of `measure`.

    Returns
    -------
    measurement : Measurement
    kept : Kept
        The same samples; to be closed.
    """
    with ExitStack() as unless_all_goes_well:
        with AudioFile(path, layout) as file, Hashing(path) as hashing:
            kept = unless_all_goes_well.enter_context(Kept(file))
            tags = read_tags(path)
            measurement = with_tags(measure_source(kept, None, ahead, progress, origin), tags)
        measurement = replace(measurement, sha256=hashing.result())
        unless_all_goes_well.pop_all()
    return measurement, kept


def measure_source(
    source: Source,
    hops: int | None = None,
    ahead: bool = False,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> Measurement:
    """Every meter over a source, in one pass; see `measure`. The checksum is left to the caller."""
    meters = Meters(source.format, origin)
    frames = 0
    for block in source.blocks(hops, ahead):
        meters.feed(block)
        frames += block.length
        if progress:
            progress(block.length / max(source.frames, 1))
    return meters.measurement(source.name, frames, source.notes)


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
