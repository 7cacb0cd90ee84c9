"""The gain sheet: every stem of a mix measured and judged, the buses they make, and what somebody should look at."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import Any, Final

from master_check import cores
from master_check.balance.files import Balance, balance
from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import Overall, Verdict, judge, worst
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure_source
from master_check.measurement.stated import with_tags
from master_check.sound.blocks import Block
from master_check.sound.checksum import Hashing, changed, state
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioError
from master_check.sound.source import Source
from master_check.sound.tags.read import read_tags
from master_check.stem.bus import Sum
from master_check.stem.files import Place, StemsError, find_stems
from master_check.stem.kinds import kind_of
from master_check.stem.levels import PlayingLevel, trim
from master_check.stem.one_pass import StemMeters
from master_check.stem.polarity import LowBand
from master_check.stem.remarks import Remark, polarity, remarks, ringing, usual
from master_check.stem.ringing import Ring
from master_check.stem.strip import Strip
from master_check.tables.layouts import Layout
from master_check.tables.quantities import STEM_QUANTITIES, Value

PROFILE: Final = "stems"

BUS_GROUPS: Final = ("Loudness", "Peaks", "Dynamics", "Stereo", "Stem")
"""Groups of quantities that a sum is judged by; the others are of files."""


@dataclass(frozen=True, slots=True)
class Stem(Checked):
    """A stem: a checked file, whose values have the keys of `STEM_QUANTITIES` too.

    Attributes
    ----------
    name : str
        What it is called among the stems: its path below the folder that was named.
    group : str or None
        The sub-folder that it lies in.
    strip : Strip or None
        Its level and peaks over time, and where something was found; None where it could not be measured.
    """

    name: str = ""
    group: str | None = None
    strip: Strip | None = field(default=None, compare=False, repr=False)

    @property
    def values(self) -> dict[str, Value]:
        """By key of `QUANTITIES` and `STEM_QUANTITIES`; empty where it could not be measured."""
        return self.measurement.values if self.measurement else {}

    @property
    def trim_db(self) -> float | None:
        """The gain to alignment level."""
        return _number(self.values.get("trim_db"))

    @property
    def low_cut_hz(self) -> float | None:
        """The highest corner of a high-pass of 12 dB an octave that takes nothing of what it plays."""
        return _number(self.values.get("low_cut_hz"))


@dataclass(frozen=True, slots=True)
class Bus(Checked):
    """The sum of a group of stems, or of all, with every fader at 0 dB.

    Attributes
    ----------
    group : str or None
        None for the sum of all.
    stems : tuple of int
        Those added, as indices into `Stems.stems`.
    left_out : tuple of int
        Those of the group that could not be: not read, of another sample rate, or of channels that do not go together.
    """

    group: str | None = None
    stems: tuple[int, ...] = ()
    left_out: tuple[int, ...] = ()

    @property
    def values(self) -> dict[str, Value]:
        """By key of `QUANTITIES` and `STEM_QUANTITIES`; empty where there is nothing to add."""
        return self.measurement.values if self.measurement else {}

    @property
    def trim_db(self) -> float | None:
        """The gain to alignment level."""
        return _number(self.values.get("trim_db"))


@dataclass(frozen=True, slots=True)
class Stems:
    """The gain sheet of the stems of a mix.

    Attributes
    ----------
    stems : tuple of Stem
        In their order: a folder's own, then group by group.
    buses : tuple of Bus
        A group each, then the sum of all; those of fewer than two stems are left out.
    remarks : tuple of Remark
        What somebody should look at; never judged.
    profile : Profile
        What stems and buses were held against.
    balance : Balance or None
        The stems against a mix and a rough mix, where there are such.
    """

    stems: tuple[Stem, ...]
    buses: tuple[Bus, ...]
    remarks: tuple[Remark, ...]
    profile: Profile
    balance: Balance | None = None

    @property
    def result(self) -> Overall:
        """Of the rules, and of the null where a limit was asked for."""
        mix = self.balance.mix if self.balance else None
        missed: tuple[Overall, ...] = ("fail",) if mix and mix.limit_asked and not mix.nulls else ()
        return worst([*(file.result for file in chain(self.stems, self.buses)), *missed])


def stems(
    places: str | Path | Sequence[str | Path],
    profile: str | Path | Profile = PROFILE,
    *,
    mix: str | Path | None = None,
    rough: str | Path | None = None,
    null_db: float | None = None,
    layout: Layout | None = None,
    threads: int | None = None,
    progress: Callable[[float], Any] | None = None,
) -> Stems:
    """Measure the stems of a mix and the buses they make, and hold them against a profile, a mix and a rough mix.

    Parameters
    ----------
    places : str, path or a sequence of them
        A folder, whose sub-folders are groups; or files.
    profile : str, path or Profile
        Its target for `playing_level_dbfs` is the alignment level, its lowest maximum for `sample_peak_dbfs` what no
        trim brings a peak above.
    mix : str or path, optional
        What the stems should make.
    rough : str or path, optional
        A rough mix, whose balance is told.
    null_db : float, optional
        What may be left of the mix when the stems are taken away, dB against it: the result fails if there is more.
    layout : Layout, optional
        What the channels of all files are, where they do not say or are wrong.
    threads : int, optional
        Files measured at once, one a core by default; no figure depends on it.
    progress : callable, optional
        Told the share of the whole (0 to 1) done since it was last told; never by two threads at once.

    Raises
    ------
    StemsError
        A folder cannot be read or has no sound files.
    AudioError
        The mix or the rough mix cannot be measured.
    PairError
        One of the two is not made of these stems at all.
    ProfileError
        The profile cannot be used.
    """
    against = profile if isinstance(profile, Profile) else load_profile(profile)
    found = find_stems([places] if isinstance(places, str | Path) else places)
    tell = _telling(progress)
    alone = mix is None and rough is None
    work = _Work(found, against, layout, tell if alone else lambda share: tell(0.5 * share))
    with ThreadPoolExecutor(cores.threads(threads)) as pool:
        try:
            ahead = len(found) < cores.threads(threads)
            checked = tuple(pool.map(lambda place: work.stem(place, ahead), found))
            members = list(_members(checked))
            buses = tuple(pool.map(lambda group: work.bus(checked, *group), members))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    told = (*remarks(checked), *ringing(checked, work.rings), *polarity(checked, work.low_bands))
    work.forget()
    found_in = None
    if not alone:
        found_in = _balance(checked, mix, rough, null_db, lambda share: tell(0.5 * share))
    return Stems(checked, buses, told, against, found_in)


def _balance(
    stems: Sequence[Stem],
    mix: str | Path | None,
    rough: str | Path | None,
    null_db: float | None,
    tell: Callable[[float], None],
) -> Balance:
    """Of those that could be read."""
    read = [stem for stem in stems if stem.measurement is not None]
    if not read:
        raise StemsError(["no stem can be read, and so none can be found in a mix"])
    groups: dict[str, list[int]] = {}
    for number, stem in enumerate(read):
        if stem.group is not None:
            groups.setdefault(stem.group, []).append(number)
    return balance([stem.path for stem in read], mix, rough, groups, null_db, tell)


@dataclass(frozen=True, slots=True)
class _Work:
    """What measuring a stem or a bus needs to know."""

    places: Sequence[Place]
    profile: Profile
    layout: Layout | None
    tell: Callable[[float], None]
    states: dict[str, str | None] = field(default_factory=dict)
    """What each file was when it was measured, so that no other is added up."""
    low_bands: dict[str, LowBand] = field(default_factory=dict)
    rings: dict[str, tuple[Ring, ...]] = field(default_factory=dict)
    """By path."""

    def forget(self) -> None:
        """Give the room back that only remarks needed."""
        self.rings.clear()
        self.low_bands.clear()

    def stem(self, place: Place, ahead: bool) -> Stem:
        path = str(place.path)
        told = _Share(self.tell, 0.5 / len(self.places))
        try:
            with AudioFile(path, self.layout) as file, Hashing(path) as hashing:
                self.states[path] = state(path)
                meters = StemMeters(file.format, kind_of(place.name, place.group))
                measurement = measure_source(Tapped(file, meters), ahead=ahead, progress=told)
                own = meters.result(measurement)
                measurement = with_tags(self._with(measurement, own.values), read_tags(path))
            measurement = replace(measurement, sha256=hashing.result())
            self.low_bands[path], self.rings[path] = meters.low_band, own.rings
        except AudioError as error:
            return Stem(path, error=error.problem, name=place.name, group=place.group)
        finally:
            told(1.0)
        verdicts = (judge(measurement, self.profile),)
        return Stem(path, measurement, verdicts, None, place.name, place.group, own.strip)

    def bus(self, stems: Sequence[Stem], group: str | None, members: Sequence[int], buses: int) -> Bus:
        taken, left_out = _fitting(stems, members)
        told = _Share(self.tell, 0.5 / buses)
        try:
            with ExitStack() as stack:
                files = [stack.enter_context(AudioFile(stems[i].path, self.layout)) for i in taken]
                total = Sum(group or "all stems", files)
                level = PlayingLevel(total.format)
                measurement = measure_source(Tapped(total, level), progress=told)
                measurement = self._with(measurement, level.values(measurement.series.energy))
            for i in taken:
                if state(stems[i].path) != self.states[stems[i].path]:
                    raise changed(stems[i].path)
        except AudioError as error:
            return Bus(group or "", error=str(error), group=group, stems=taken, left_out=left_out)
        finally:
            told(1.0)
        verdict = _of_a_sum(judge(measurement, self.profile))
        return Bus(measurement.path, measurement, (verdict,), None, group, taken, left_out)

    def _with(self, measurement: Measurement, own: Mapping[str, Value]) -> Measurement:
        """With a stem's or a bus's own figures, and the trim that follows from them."""
        trims = trim(own["playing_level_dbfs"], measurement.values["sample_peak_dbfs"], self.profile)
        return replace(measurement, values=measurement.values | dict.fromkeys(STEM_QUANTITIES) | dict(own) | trims)


class Tapped:
    """A source whose blocks are looked at by the meters of stems as they go by."""

    def __init__(self, source: Source, meter: StemMeters | PlayingLevel) -> None:
        self._source, self._meter = source, meter
        self.name, self.format, self.notes = source.name, source.format, source.notes
        self.frames = source.frames

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        for block in self._source.blocks(hops, ahead):
            self._meter.feed(block)
            yield block


class _Share:
    """Tells of a part of the whole, never of more than it."""

    def __init__(self, tell: Callable[[float], None], part: float) -> None:
        self._tell, self._part, self._left = tell, part, 1.0

    def __call__(self, share: float) -> None:
        share = min(share, self._left)
        self._left -= share
        self._tell(share * self._part)


def _telling(progress: Callable[[float], Any] | None) -> Callable[[float], None]:
    lock = threading.Lock()

    def tell(share: float) -> None:
        if progress:
            with lock:
                progress(share)

    return tell


def _members(stems: Sequence[Stem]) -> Iterator[tuple[str | None, list[int], int]]:
    """Every bus of at least two stems: its group, which stems, and how many buses there are."""
    groups: dict[str | None, list[int]] = {}
    for place, stem in enumerate(stems):
        if stem.group is not None:
            groups.setdefault(stem.group, []).append(place)
    groups[None] = list(range(len(stems)))
    buses = [(group, members) for group, members in groups.items() if len(members) > 1]
    for group, members in buses:
        yield group, members, len(buses)


def _fitting(stems: Sequence[Stem], members: Sequence[int]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Which of these stems can be added up, and which cannot."""
    measured = {i: m.format for i in members if (m := stems[i].measurement) is not None}
    rate = usual(format.rate for format in measured.values())
    widest = max((format.channels for format in measured.values() if format.rate == rate), default=0)
    taken = tuple(i for i, format in measured.items() if format.rate == rate and format.channels in (1, widest))
    return taken, tuple(i for i in members if i not in taken)


def _of_a_sum(verdict: Verdict) -> Verdict:
    """Without the rules on what only files have."""
    kept = tuple(finding for finding in verdict.findings if finding.quantity.group in BUS_GROUPS)
    return replace(verdict, findings=kept, result=worst(finding.result for finding in kept))


def _number(value: Value) -> float | None:
    return float(value) if isinstance(value, int | float) else None
