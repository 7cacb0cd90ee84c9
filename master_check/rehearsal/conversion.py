"""One encode or conversion of a master at any gain: made, decoded and measured, whole or in passages."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from time import perf_counter
from typing import Final

import numpy as np

from master_check import __version__
from master_check.alignment.align import PairError, align
from master_check.decibels import decibels
from master_check.judgement.profile import Rehearsal
from master_check.measurement.all_meters import Meters
from master_check.measurement.measurement import Measurement
from master_check.meters.true_peak import true_peak
from master_check.rehearsal import libsndfile_encodes, pyav_encodes, rates
from master_check.rehearsal.errors import RehearsalError
from master_check.rehearsal.feed import Feed, Stream, format_of
from master_check.rehearsal.words import Shortened, dither_of, fits
from master_check.sound.blocks import HOPS_PER_SECOND
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioError
from master_check.sound.kept import ArraySignal, Frames, Kept, Signal
from master_check.sound.source import Source
from master_check.tables.layouts import Layout
from master_check.tables.quantities import Value

BY_LIBSNDFILE: Final = ("mp3", "vorbis", "opus")

LEAD_S: Final = 0.75
"""A passage that is encoded by itself begins so much before what is looked at."""

AROUND_S: Final = 0.25
"""So much on either side of a place is looked at."""

PLACES: Final = 12
APART_S: Final = 0.5
"""How many of the loudest places are kept, and how far they are from each other."""

NEAR: Final = 2560
"""Samples on either side of a hop whose peak is read: what the meter's long interpolator reaches, and the fade."""

FADE: Final = 256

ALIGNED_S: Final = 6.0
"""So much around the loudest place is laid over the master, to see that nothing comes late."""


@dataclass(frozen=True, slots=True)
class Master:
    """A master as rehearsals take it: measured, and its samples at every sample rate that they need.

    Attributes
    ----------
    measurement : Measurement
    signals : mapping of int to Signal
        By sample rate in Hz, its own among them.
    """

    measurement: Measurement
    signals: Mapping[int, Signal]

    @property
    def layout(self) -> Layout | None:
        return self.measurement.format.layout


@dataclass(frozen=True, slots=True)
class Place:
    """A moment of what came out.

    Attributes
    ----------
    at_s : float
        In the master.
    true_peak_dbtp : float
        There.
    """

    at_s: float
    true_peak_dbtp: float


@dataclass(frozen=True, slots=True)
class Whole:
    """What a whole master came out as.

    Attributes
    ----------
    encoder : str or None
        What made it, with its version; None where the master is so already.
    kbps : float or None
        Bit rate it came to, kbit/s; None for what is no encode.
    measurement : Measurement
    values : dict
        By key, of the table of quantities and of that of rehearsals.
    late_samples : float
        How much later it comes than the master; looked for where it was made as it is.
    loudest : tuple of Place
        The loudest first.
    seconds : float
        What it took to make, decode and measure.
    """

    encoder: str | None
    kbps: float | None
    measurement: Measurement
    values: Mapping[str, Value]
    late_samples: float
    loudest: tuple[Place, ...]
    seconds: float


def rate_for(rehearsal: Rehearsal, rate: int) -> int:
    """The sample rate at which a master of `rate` goes in: what the rehearsal says, else what the encoding takes.

    As places do: a rate that is not taken becomes the one of its own family, 44.1 or 48 kHz.
    """
    taken = rehearsal.of_kind.rates
    if rehearsal.rate_hz is not None:
        return rehearsal.rate_hz
    if not taken or rate in taken:
        return rate
    family = 44_100 if rate % 11_025 == 0 else 48_000
    return family if family in taken else taken[0]


class Conversion:
    """An encode or conversion of a master.

    Parameters
    ----------
    master : Master
    rehearsal : Rehearsal
    folder : Path
        Where encodes lie for as long as they are looked at.

    Raises
    ------
    RehearsalError
        The encoding does not take so many channels.
    """

    def __init__(self, master: Master, rehearsal: Rehearsal, folder: Path) -> None:
        self._master = master
        self._rehearsal = rehearsal
        self._folder = folder
        self._numbers = count()
        kind, channels = rehearsal.of_kind, master.measurement.format.channels
        if kind.channels and channels not in kind.channels:
            takes = ", ".join(map(str, kind.channels[:-1])) + f" or {kind.channels[-1]}"
            raise RehearsalError(f"takes {takes} channels; the master has {channels}")
        self.rate = rate_for(rehearsal, master.measurement.format.rate)

    @property
    def _signal(self) -> Signal:
        return self._master.signals[self.rate]

    def whole(self, gain_db: float = 0.0) -> Whole:
        """All of it, made, decoded and measured, at some gain.

        Raises
        ------
        RehearsalError
            It cannot be made.
        """
        start = perf_counter()
        feed = Feed(self._signal, self._master.layout, 0, self._signal.frames, gain_db)
        with self._made(feed) as (source, encoder, kbps, shortened), Kept(source) as kept:
            measurement, over = _measured(kept)
            values = dict(measurement.values) | self._changes(measurement, gain_db)
            values["over_full_scale_samples"] = over
            if shortened is not None:
                values["added_noise_dbfs"] = shortened.noise_dbfs
                values["master_dither"] = dither_of(self._signal, self._master.measurement)
            # One gain tells for all: how late an encode comes does not depend on it.
            late = self._late(kept, measurement) if self._rehearsal.of_kind.group == "encode" and not gain_db else 0.0
            loudest = _loudest(kept, measurement, late)
        return Whole(encoder, kbps, measurement, values, late, loudest, perf_counter() - start)

    def peaks_at(self, gain_db: float, places: Sequence[Place]) -> dict[str, Value]:
        """True peak and sample peak around some places, each made by itself."""
        true, sample = 0.0, 0.0
        for place in places:
            frames = self._passage(place.at_s, gain_db)
            true = max(true, float(true_peak(frames, self.rate).max()))
            sample = max(sample, float(np.abs(frames).max()))
        return {"true_peak_dbtp": decibels(true), "sample_peak_dbfs": decibels(sample)}

    def _passage(self, at_s: float, gain_db: float) -> Frames:
        """What comes out around a place. It is encoded from a frame of the whole encode on."""
        frame = self._rehearsal.of_kind.frame
        middle, around = round(at_s * self.rate), round(AROUND_S * self.rate)
        start = max(0, (middle - around - round(LEAD_S * self.rate)) // frame * frame)
        stop = min(middle + 2 * around, self._signal.frames)
        feed = Feed(self._signal, self._master.layout, start, stop, gain_db)
        with self._made(feed) as (source, _, _, _):
            frames = np.concatenate([block.frames.T.copy() for block in source.blocks()])
        return _faded(frames[max(0, middle - around - start) : middle + around - start])

    @contextmanager
    def _made(self, feed: Feed) -> Iterator[tuple[Source, str | None, float | None, Shortened | None]]:
        """What comes out, who made it, at how many kbit/s, and how it was shortened."""
        rehearsal, kind = self._rehearsal, self._rehearsal.of_kind
        if kind.group == "rate":
            already = feed.rate == self._master.measurement.format.rate
            same = Stream(self._master.measurement.path, format_of(feed), feed.frames, feed.chunks)
            yield same, None if already else rates.converter(), None, None
        elif rehearsal.bits is not None:
            already = fits(self._master.measurement, rehearsal.bits)
            shortened = Shortened(
                self._master.measurement.path, feed, rehearsal.bits, "none" if already else rehearsal.dither or "none"
            )
            yield shortened.source, None if already else f"sendoff {__version__}", None, shortened
        else:
            with self._encoded(feed, rehearsal.kbps or 0.0) as (source, encoder, kbps):
                yield source, encoder, kbps, None

    @contextmanager
    def _encoded(self, feed: Feed, kbps: float) -> Iterator[tuple[Source, str, float]]:
        kind = self._rehearsal.of_kind
        path = self._folder / f"{next(self._numbers)}-{id(self)}.{kind.key}"
        try:
            with ExitStack() as stack:
                source: Source
                if kind.key in BY_LIBSNDFILE:
                    encoder = libsndfile_encodes.encode(feed, kind.key, kbps, path)
                    source = stack.enter_context(AudioFile(path, feed.layout))
                else:
                    encoder = pyav_encodes.encode(feed, kind.key, kbps, kind.frame, path)
                    source = pyav_encodes.decoded(feed, kind.key, path)
                came_to = path.stat().st_size * 8.0 / 1000.0 / max(feed.frames / feed.rate, 1e-9)
                yield source, encoder, came_to
        except AudioError as error:
            raise RehearsalError(f"the encode cannot be read back: {error.problem}") from None
        finally:
            path.unlink(missing_ok=True)

    def _changes(self, after: Measurement, gain_db: float) -> dict[str, Value]:
        """Against the master at the same gain."""
        before = self._master.measurement.values

        def change(key: str) -> float | None:
            a, b = after.values[key], before[key]
            return float(a) - float(b) - gain_db if a is not None and b is not None else None

        return {
            "overshoot_db": change("true_peak_dbtp"),
            "loudness_change_lu": change("integrated_lufs"),
            "added_noise_dbfs": None,
            "master_dither": None,
        }

    def _late(self, made: Signal, measurement: Measurement) -> float:
        """How much later what was made comes than what it was made of, in samples."""
        series = measurement.series
        at = int(series.tops[: series.channels].max(axis=0).argmax()) * self.rate // HOPS_PER_SECOND
        start = max(0, at - round(0.5 * ALIGNED_S * self.rate))
        stop = start + round(ALIGNED_S * self.rate)
        before, after = (ArraySignal(signal.read(start, stop), self.rate) for signal in (self._signal, made))
        try:
            alignment, _ = align(before, after)
        except PairError:  # too short or too quiet to tell
            return 0.0
        return alignment.offset_samples


def _loudest(made: Kept, measurement: Measurement, late: float) -> tuple[Place, ...]:
    """Where the highest true peaks are: the very highest, and the highest around the hops with the highest samples."""
    if "true_peak_dbtp" not in measurement.at_s:
        return ()
    tops = measurement.series.tops[: measurement.series.channels].max(axis=0).copy()
    apart = round(APART_S * HOPS_PER_SECOND)
    at = min(int(measurement.at_s["true_peak_dbtp"] * HOPS_PER_SECOND), len(tops) - 1)
    found: list[Place] = []
    while len(found) < PLACES and tops[at] > 0.0:
        start, stop = at * made.rate // HOPS_PER_SECOND, (at + 1) * made.rate // HOPS_PER_SECOND
        frames = _faded(made.read(start - NEAR, stop + NEAR))
        peak = decibels(float(true_peak(frames, made.rate).max()))
        where = start - NEAR + int(np.abs(frames).max(axis=1).argmax()) - late
        found.append(Place(max(0.0, where / made.rate), 0.0 if peak is None else peak))
        tops[max(0, at - apart) : at + apart + 1] = 0.0
        at = int(tops.argmax())
    return tuple(sorted(found, key=lambda place: -place.true_peak_dbtp))


def _faded(frames: Frames) -> Frames:
    """In and out: an edge would be a peak between the samples that the music does not have."""
    length = min(FADE, len(frames) // 2)
    ramp = np.sin(0.5 * np.pi * (np.arange(length, dtype=np.float32) + 0.5) / max(length, 1))[:, None] ** 2
    faded = frames.copy()
    faded[:length] *= ramp
    faded[len(faded) - length :] *= ramp[::-1]
    return faded


def _measured(source: Source) -> tuple[Measurement, int]:
    """Everything that is measured of a source, and how many samples lie above full scale."""
    meters = Meters(source.format)
    frames = over = 0
    for block in source.blocks():
        meters.feed(block)
        frames += block.length
        if float(block.tops.max()) > 1.0:
            over += int(np.count_nonzero(np.abs(block.frames) > 1.0))
    return meters.measurement(source.name, frames, source.notes), over
