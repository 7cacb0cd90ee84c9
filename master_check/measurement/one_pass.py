"""From a file to a `Measurement`: every meter over one file, in one pass."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from master_check.measurement.all_meters import Meters
from master_check.measurement.measurement import Measurement
from master_check.measurement.stated import with_tags
from master_check.sound.checksum import Hashing
from master_check.sound.file import AudioFile
from master_check.sound.kept import Kept
from master_check.sound.source import Source
from master_check.sound.tags.read import read_tags
from master_check.tables.layouts import Layout

MEASUREMENT_VERSION = 8
"""Raised whenever the same file would measure differently: stored measurements of another version are not used."""


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
