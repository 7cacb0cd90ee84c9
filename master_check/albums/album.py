"""An album: many files measured at once, judged each and together, and what does not go together in them.

Figures of the sequence are those of `quantities.ALBUM_QUANTITIES`. Alternate versions (instrumental, clean ...) are
measured, judged and held against their main version, but are no part of the sequence.
"""

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from master_check import cores
from master_check.albums import consistency
from master_check.albums.consistency import Join, Observation
from master_check.albums.tracks import VERSIONS, find_tracks, find_versions, lone_versions
from master_check.albums.versions import conversions, delay, hop_powers, same_audio, same_but_for_gain, same_samples
from master_check.judgement.checked import Checked, asks_origin, load_all
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Overall, Verdict, judge, judge_album, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.store import Store
from master_check.meters.loudness import GATING_STEP, MOMENTARY, gated
from master_check.sound.blocks import HOPS_PER_SECOND, hop_edges
from master_check.sound.format import AudioError
from master_check.tables.layouts import Layout
from master_check.tables.quantities import ALBUM_QUANTITIES, Value

PLAYBACK_LUFS: Final = -14.0
"""Where no profile says at which level a place plays (AES TD1008: album-normalised music)."""

PLAYBACK_PEAK: Final = -1.0
"""dBTP that turning a track up must not pass (AES TD1008)."""

CD_RATE: Final = 44_100
CD_FRAME: Final = 588
"""Samples in a frame of 1/75 s (IEC 60908)."""

SAME_GAIN_DB: Final = 0.05
"""Copies of less gain than this between them count as one."""

SAME_LENGTH_S: Final = 0.001
ALIGNED_S: Final = 0.0005
"""What a version may differ from its main version by, in length and in place (common practice: a version is cut in for
its main version in the middle of a song)."""


@dataclass(frozen=True, slots=True)
class Playback:
    """How a place that normalises loudness plays a track (AES TD1008).

    Attributes
    ----------
    mode : str
        `track`: the track is brought to the level. `album`: the loudest track of the album is, and all others get
        the same gain, so that they keep their distance.
    level_lufs : float
        The level of the place.
    gain_db : float
        What the track is turned up (or down) by.
    withheld_db : float
        How much more it would be turned up if its true peak (of an album: the highest) did not pass -1 dBTP then.
    plays_lufs, true_peak_dbtp : float
        What it plays at, and its true peak then.
    """

    mode: Literal["track", "album"]
    level_lufs: float
    gain_db: float
    withheld_db: float
    plays_lufs: float
    true_peak_dbtp: float


@dataclass(frozen=True, slots=True)
class Version:
    """An alternate version held against its main version.

    Attributes
    ----------
    main : int
        The main version, as an index into `Album.tracks`.
    longer_s : float or None
        Its duration minus that of the main version; None where one of them could not be measured.
    later_s : float or None
        How much later its music lies, to the sample; None where nothing in common was found.
    """

    main: int
    longer_s: float | None = None
    later_s: float | None = None


@dataclass(frozen=True, slots=True)
class Track(Checked):
    """A checked file and its place in the album.

    Attributes
    ----------
    number : int or None
        Its place in the sequence, from 1; None for an alternate version.
    offset_lu : float or None
        Its loudness minus the album's.
    playback : tuple of Playback
        For every playback level of the profiles, track-normalised, then (not of versions) album-normalised.
    version : Version or None
        Of an alternate version.
    """

    number: int | None = None
    offset_lu: float | None = None
    playback: tuple[Playback, ...] = ()
    version: Version | None = None


@dataclass(frozen=True, slots=True)
class Album:
    """Many files, measured and judged each and together.

    Attributes
    ----------
    tracks : tuple of Track
        All files in the order given, alternate versions and files that could not be read among them.
    values : dict
        Every key of `ALBUM_QUANTITIES`: number, or None where it cannot be had. Files that could not be read count as
        tracks and are missing from all else.
    verdicts : tuple of Verdict
        The album rules, one verdict a profile.
    observations : tuple of Observation
        What somebody should look at; never judged.
    joins : tuple of Join
        Every change of track of the sequence.
    """

    tracks: tuple[Track, ...]
    values: dict[str, Value]
    verdicts: tuple[Verdict, ...]
    observations: tuple[Observation, ...]
    joins: tuple[Join, ...]

    @property
    def result(self) -> Overall:
        return worst(chain((track.result for track in self.tracks), (v.result for v in self.verdicts)))


def album(
    places: str | Path | Sequence[str | Path],
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = (),
    *,
    layout: Layout | None = None,
    fresh: bool = False,
    workers: int | None = None,
    versions: str = VERSIONS,
    progress: Callable[[float], Any] | None = None,
    origin: bool = False,
) -> Album:
    """Measure an album's files, judge them, and say what does not go together.

    Parameters
    ----------
    places : str, path or a sequence of them
        A folder, whose sound files are taken in natural order; or files in the order of the album.
    profiles : one or a sequence of str, path or Profile
        Names, paths to TOML files, or profiles already loaded. Each file and the album are held against every one.
    layout : Layout, optional
        What the channels of all files are, where they do not say or are wrong.
    fresh : bool
        Look at nothing that earlier runs remembered.
    workers : int, optional
        Files measured at once, one a core by default; no figure depends on it.
    versions : str
        Regular expression that finds the mark of an alternate version in a file's name (`tracks.find_versions`).
    progress : callable, optional
        Told the share of the whole album (0 to 1) done since it was last told; never by two threads at once.
    origin : bool
        Also look for what earlier conversions and encodes have left; done in any case for a profile that rules on it.

    Raises
    ------
    AlbumError
        `versions` is no regular expression, or a folder has no sound files.
    ProfileError
        A profile cannot be used.
    """
    loaded = load_all(profiles)
    paths = list(find_tracks([places] if isinstance(places, str | Path) else places).paths)
    mains = find_versions(paths, versions)
    pool = ThreadPoolExecutor(cores.threads(workers))
    try:
        with Store() as store:
            tell = _shares(paths, progress)
            measure_one = partial(_measure, store, layout, fresh, origin or asks_origin(loaded))
            files = list(pool.map(measure_one, paths, tell))
            found = _Found(files, mains, lone_versions(paths, versions), store, layout, fresh)
            return _put_together(found, loaded, pool)
    finally:
        pool.shutdown(cancel_futures=True)


def _shares(paths: Sequence[Path], progress: Callable[[float], Any] | None) -> list[Callable[[float], None]]:
    """A progress callable for every file, by which its share counts for as much as the file is large."""
    sizes = []
    for path in paths:
        try:
            sizes.append(max(path.stat().st_size, 1))
        except (OSError, ValueError):
            sizes.append(1)
    lock = threading.Lock()

    def tell(weight: float, share: float) -> None:
        if progress:
            with lock:
                progress(weight * share)

    return [partial(tell, size / sum(sizes)) for size in sizes]


def _measure(
    store: Store, layout: Layout | None, fresh: bool, origin: bool, path: Path, tell: Callable[[float], None]
) -> Checked:
    told = 0.0

    def passed_on(share: float) -> None:
        nonlocal told
        share = min(share, 1.0 - told)
        told += share
        tell(share)

    try:
        return Checked(str(path), store.measured(path, layout, fresh, passed_on, origin))
    except AudioError as error:
        return Checked(str(path), error=error.problem)
    finally:
        tell(1.0 - told)


@dataclass(frozen=True, slots=True)
class _Found:
    """What is known of the files before they are put together."""

    files: Sequence[Checked]
    mains: Mapping[int, int]
    lone: Sequence[int]
    store: Store
    layout: Layout | None
    fresh: bool

    @property
    def measured(self) -> dict[int, Measurement]:
        return {i: file.measurement for i, file in enumerate(self.files) if file.measurement is not None}

    @property
    def sequence(self) -> list[tuple[int, Measurement]]:
        return [(i, measurement) for i, measurement in self.measured.items() if i not in self.mains]

    def same(self, first: int, second: int) -> bool:
        """Whether two files hold the same samples; remembered."""
        a, b = self.files[first], self.files[second]
        if a.sha256 == b.sha256:
            return True
        return bool(self._derived("same", first, second, lambda: same_samples(a.path, b.path, self.layout)))

    def version(self, number: int) -> Version:
        """A version held against its main version; remembered."""
        main = self.mains[number]
        first, second = self.measured.get(main), self.measured.get(number)
        if first is None or second is None:
            return Version(main)
        longer = float(second.values["duration_s"] or 0.0) - float(first.values["duration_s"] or 0.0)
        later = self._derived("delay", main, number, lambda: delay(first, second, self.layout))
        return Version(main, longer, later)

    def _derived(self, name: str, first: int, second: int, find: Callable[[], Any]) -> Any:
        of = (
            str(self.files[first].sha256),
            str(self.files[second].sha256),
            ",".join(self.layout.labels) if self.layout else "",
        )
        try:
            return self.store.derived(name, of, find, self.fresh)
        except AudioError:  # taken away since it was measured
            return None


@dataclass(frozen=True, slots=True)
class _Copies:
    """Files of the same audio: heaps of the same samples, and pairs of heaps' first files that differ by a
    gain, with what else was done to one of a pair."""

    heaps: Sequence[Sequence[int]]
    near: Sequence[tuple[int, int, float]]
    apart: Mapping[tuple[int, int], dict[str, Value]]

    @classmethod
    def among(cls, found: _Found) -> "_Copies":
        measured = found.measured
        heaps = same_audio(measured, found.same)
        near = same_but_for_gain({heap[0]: measured[heap[0]] for heap in heaps})
        return cls(heaps, near, {(i, k): conversions(measured[i], measured[k]) for i, k, _ in near})

    def count(self, tracks: Sequence[int]) -> int:
        """How many of these tracks have the same audio as another of them, at the same gain."""
        heap_of = {i: heap[0] for heap in self.heaps for i in heap}
        for i, k, gain in self.near:
            if abs(gain) < SAME_GAIN_DB:
                joined, own = heap_of[i], heap_of[k]
                heap_of = {n: joined if heap == own else heap for n, heap in heap_of.items()}
        sizes = Counter(heap_of[i] for i in tracks)
        return sum(size for size in sizes.values() if size > 1)

    def observations(self) -> Iterable[Observation]:
        for heap in self.heaps:
            if len(heap) > 1:
                yield Observation("same_audio", tuple(heap))
        for i, k, gain in self.near:
            kind: consistency.Kind = "same_audio" if abs(gain) < SAME_GAIN_DB else "same_audio_gain"
            yield Observation(kind, (i, k), {"gain_db": gain, **self.apart[i, k]})


def _put_together(found: _Found, profiles: Sequence[Profile], pool: Executor) -> Album:
    copies = _Copies.among(found)
    versions = dict(zip(found.mains, pool.map(found.version, found.mains), strict=True))
    values = album_values(found.sequence) | {
        "tracks": len(found.files) - len(found.mains),
        "duplicate_tracks": copies.count([i for i, _ in found.sequence]),
    }
    joins = tuple(consistency.joins(found.sequence))
    tracks = tuple(_tracks(found, profiles, values, versions))
    return Album(
        tracks=tracks,
        values={key: values.get(key) for key in ALBUM_QUANTITIES},
        verdicts=tuple(judge_album(values, profile) for profile in profiles),
        observations=tuple(_observations(found, copies, versions, joins)),
        joins=joins,
    )


def album_values(sequence: Sequence[tuple[int, Measurement]]) -> dict[str, Value]:
    """The figures of tracks in sequence that need nothing but their measurements, by key of `ALBUM_QUANTITIES`."""
    measured = [measurement for _, measurement in sequence]

    def figures(key: str) -> list[float]:
        return [float(m.values[key] or 0.0) for m in measured if m.values[key] is not None]

    def kinds(key: str) -> int | None:
        return len({m.values[key] for m in measured if m.values[key] is not None}) or None

    loudness, peaks, durations = figures("integrated_lufs"), figures("true_peak_dbtp"), figures("duration_s")
    on_cd = [round(float(m.values["duration_s"] or 0.0) * CD_RATE) for m in measured if m.format.rate == CD_RATE]
    return {
        "album_integrated_lufs": album_loudness(measured),
        "loudest_track_lufs": max(loudness, default=None),
        "quietest_track_lufs": min(loudness, default=None),
        "track_spread_lu": max(loudness) - min(loudness) if loudness else None,
        "album_true_peak_dbtp": max(peaks, default=None),
        "total_s": sum(durations) if durations else None,
        "shortest_track_s": min(durations, default=None),
        "sample_rates": kinds("sample_rate_hz"),
        "bit_depths": kinds("bit_depth"),
        "channel_counts": kinds("channels"),
        "containers": kinds("container"),
        "unframed_tracks": sum(frames % CD_FRAME > 0 for frames in on_cd) if on_cd else None,
    }


def album_loudness(measured: Sequence[Measurement]) -> float | None:
    """Integrated loudness, LUFS, of files one after another, gated as one programme (ITU-R BS.1770-5, Annex 1).

    The gating blocks lie where they would in one file of all: tracks seldom end on a hop of 10 ms, so the energy up
    to any time is interpolated between the ends of the hops. None for silence or less than 400 ms.
    """
    times, energies = [np.zeros(1)], [np.zeros(1)]
    for measurement in measured:
        powers = hop_powers(measurement.series)
        hops = hop_edges(measurement.format.rate, 0, len(powers)) / measurement.format.rate
        start, length = times[-1][-1], float(measurement.values["duration_s"] or 0.0)
        # Only whole hops are measured: what is left of the last one goes on as it was before.
        rest = (powers[-1] if len(powers) else 0.0) * max(0.0, length - hops[-1])
        times += [start + hops[1:], np.array([start + length])]
        energies += [powers * np.diff(hops), np.array([rest])]
    total = np.cumsum(np.concatenate(energies))
    at = np.concatenate(times)
    length, step = MOMENTARY / HOPS_PER_SECOND, GATING_STEP / HOPS_PER_SECOND
    blocks = int((at[-1] - length) / step + 1e-6) + 1 if at[-1] >= length else 0
    starts = np.arange(blocks) * step
    return gated((np.interp(starts + length, at, total) - np.interp(starts, at, total)) / length)


def _tracks(
    found: _Found, profiles: Sequence[Profile], values: Mapping[str, Value], versions: Mapping[int, Version]
) -> Iterable[Track]:
    levels = dict.fromkeys(p.playback_lufs for p in profiles if p.playback_lufs is not None)
    number = 0
    for i, file in enumerate(found.files):
        number += i not in found.mains
        measurement = file.measurement
        own = measurement.values["integrated_lufs"] if measurement else None
        whole = values["album_integrated_lufs"]
        yield Track(
            path=file.path,
            measurement=measurement,
            verdicts=tuple(judge(measurement, profile) for profile in profiles) if measurement else (),
            error=file.error,
            number=None if i in found.mains else number,
            offset_lu=float(own) - float(whole) if own is not None and whole is not None else None,
            playback=tuple(
                played
                for level in levels or (PLAYBACK_LUFS,)
                for played in _played(measurement, values, level, in_album=i not in found.mains)
            ),
            version=versions.get(i),
        )


def _played(
    measurement: Measurement | None, values: Mapping[str, Value], level: float, in_album: bool
) -> Iterable[Playback]:
    """A track at a playback level: on its own, then as part of the album."""
    if measurement is None:
        return
    loudness, peak = measurement.values["integrated_lufs"], measurement.values["true_peak_dbtp"]
    if loudness is None or peak is None:
        return
    yield playback("track", level, float(loudness), float(peak), float(loudness), float(peak))
    loudest, highest = values["loudest_track_lufs"], values["album_true_peak_dbtp"]
    if in_album and loudest is not None and highest is not None:
        yield playback("album", level, float(loudness), float(peak), float(loudest), float(highest))


def playback(
    mode: Literal["track", "album"],
    level_lufs: float,
    loudness: float,
    peak: float,
    loudest: float,
    highest: float,
) -> Playback:
    """How a track of this loudness (LUFS) and true peak (dBTP) is played where `loudest` is brought to the level.

    `highest` is the true peak that keeps everything from being turned up further (AES TD1008).
    """
    wanted = level_lufs - loudest
    gain = min(wanted, max(0.0, PLAYBACK_PEAK - highest))
    return Playback(mode, level_lufs, gain, wanted - gain, loudness + gain, peak + gain)


def _observations(
    found: _Found, copies: _Copies, versions: Mapping[int, Version], joins: Sequence[Join]
) -> Iterable[Observation]:
    unread = tuple(i for i, file in enumerate(found.files) if file.error is not None)
    if unread:
        yield Observation("unread", unread)
    yield from consistency.formats(list(found.measured.items()))
    yield from consistency.outliers(found.sequence)
    yield from consistency.silences(found.sequence)
    yield from consistency.steps(joins)
    yield from copies.observations()
    if found.lone:
        yield Observation("version_alone", tuple(found.lone))
    for i, version in versions.items():
        yield from _against_main(i, version)


def _against_main(number: int, version: Version) -> Iterable[Observation]:
    pair = (number, version.main)
    if version.longer_s is None:
        return
    if abs(version.longer_s) > SAME_LENGTH_S:
        yield Observation("version_length", pair, {"longer_s": version.longer_s})
    if version.later_s is None:
        yield Observation("version_unlike", pair)
    elif abs(version.later_s) > ALIGNED_S:
        yield Observation("version_offset", pair, {"later_s": version.later_s})
