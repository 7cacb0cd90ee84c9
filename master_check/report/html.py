"""Results as one HTML file to hand over: verdict first, then every figure with its limit, then how it was measured.

A page needs nothing but itself: no scripts, no fonts, pictures or styles from elsewhere, and a content security policy
that forbids them. Whatever comes from outside (names, profiles) is escaped by jinja2, after control and direction
characters have been made visible. Nothing is computed here.
"""

import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, Final

import jinja2
import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Finding, Verdict, worst
from master_check.report import pictures
from master_check.report.pictures import Bar, Level, Picture, minus
from master_check.report.seal import seal
from master_check.report.terminal import without_repeats
from master_check.report.wording import verdicts as said
from master_check.report.wording.figures import signed
from master_check.report.wording.files import file_format
from master_check.report.wording.origin import origin_lines
from master_check.tables.quantities import (
    ALBUM_QUANTITIES,
    CHANNEL_KEYS,
    QUANTITIES,
    REHEARSAL_QUANTITIES,
    RULE_QUANTITIES,
    Quantity,
    Value,
    grouped,
)
from master_check.text import clock, visible

if TYPE_CHECKING:
    from master_check.albums.album import Album
    from master_check.albums.album import Track as AlbumTrack
    from master_check.delivery.delivered import Delivered
    from master_check.judgement.tags import TaggedFile
    from master_check.limiting.plan import Plan, Setting
    from master_check.measurement.measurement import Measurement
    from master_check.pair.comparison import Comparison
    from master_check.rehearsal.rehearse import Rehearsed, Run
    from master_check.stem.sheet import Stems


Progress = Callable[[float], Any]

SELDOM: Final = ("Metadata", "Origin", "Stem")
"""Groups whose figures are left out where there are none: a file states nothing, or nobody asked for its origin."""

DRAWING: Final = 0.7
"""What drawing takes of the time that a page of many files takes; the rest is writing it down."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What profiles want of a figure, in words: those that want the same share a line."""

    text: str
    result: str
    note: bool
    profiles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """A figure with what is wanted of it."""

    quantity: Quantity
    shown: str
    at: str
    limits: tuple[Limit, ...]
    share: float | None = None
    """0 to 1 where a bar helps."""
    at_s: float | None = None

    @property
    def result(self) -> str:
        return worst(limit.result for limit in self.limits)


@dataclass(frozen=True, slots=True)
class Track:
    """What a page shows of one file."""

    number: int
    shown_number: str
    checked: Checked
    checksum: str
    groups: tuple[tuple[str, tuple[Row, ...]], ...]
    pictures: tuple[tuple[str, Picture], ...]
    origin: tuple[str, ...] = ()
    """What earlier conversions and encodes have left, in words."""

    @property
    def name(self) -> str:
        return PurePath(self.checked.path).name or self.checked.path


@dataclass(frozen=True, slots=True)
class Issue:
    """Who made the page, when, from what."""

    version: str
    date: datetime
    checksums: Mapping[str, str]
    selftest: str = ""

    @property
    def day(self) -> str:
        return f"{self.date.day} {self.date:%B %Y}"

    @property
    def moment(self) -> str:
        return f"{self.day}, {self.date:%H:%M} {self.date:%Z}".strip()

    @property
    def digest(self) -> bytes:
        return hashlib.sha256("\n".join(self.checksums.values()).encode()).digest()


def check_page(
    files: Sequence[Checked],
    profiles: Sequence[Profile],
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `check`.

    Parameters
    ----------
    files : sequence of Checked
        In the order they are to be shown.
    profiles : sequence of Profile
        Those the files were held against; their targets are drawn.
    checksums : mapping
        SHA-256 in hexadecimal by path as given; a file without one says so.
    version : str
        Of sendoff.
    date : datetime
        Of the measurement, with a time zone.
    selftest : str
        What `sendoff selftest` found on this installation, one line; empty where it was not run.
    progress : callable, optional
        Told the share of the page (0 to 1) that is done since it was last told.

    Returns
    -------
    str
        The whole page.
    """
    levels = played(profiles)
    drawn = (track(number, file, checksums, levels) for number, file in enumerate(files, start=1))
    tracks = _told(drawn, len(files), progress)
    word, headline = said.outcome(files)
    return _render(
        "check.html",
        progress=progress,
        told=DRAWING,
        issue=Issue(version, date, checksums, selftest),
        tracks=tracks,
        profiles=profiles,
        word=word,
        headline=headline,
        glossary=_glossary(tracks),
    )


def track(
    number: int,
    checked: Checked,
    checksums: Mapping[str, str],
    levels: Sequence[Level] = (),
    shown_number: str | None = None,
) -> Track:
    """What a page shows of one file, its pictures drawn; `number` is unique on the page.

    `levels` are drawn into its loudness, besides the limits it was held against.
    """
    shown_number = str(number) if shown_number is None else shown_number
    measurement = checked.measurement
    checksum = checksums.get(checked.path, "")
    if measurement is None:
        return Track(number, shown_number, checked, checksum, (), ())
    drawn = (
        (
            "Loudness over time",
            pictures.loudness_over_time(measurement, [*limits_drawn(checked.verdicts, LOUDNESS), *levels]),
        ),
        ("Waveform", pictures.waveform(measurement, limits_drawn(checked.verdicts, PEAKS))),
        ("Spectrum", pictures.spectrum(measurement)),
    )
    return Track(
        number,
        shown_number,
        checked,
        checksum,
        groups(RULE_QUANTITIES, measurement.values, measurement.at_s, checked.verdicts),
        tuple((title, picture) for title, picture in drawn if picture is not None),
        tuple(origin_lines(measurement.origin or ())),
    )


def album_page(
    album: "Album",
    profiles: Sequence[Profile],
    *,
    title: str = "",
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `album`.

    Parameters
    ----------
    album : Album
        Its tracks are shown in their order.
    profiles : sequence of Profile
        Those it was held against.
    title : str
        What the album is called, such as its folder's name.
    version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.wording.album import observation

    checksums = {track.path: track.sha256 for track in album.tracks if track.sha256}
    files = [Checked(t.path, t.measurement, t.verdicts, t.error) for t in album.tracks]
    levels = played(profiles)
    numbers = ["alt" if t.number is None else str(t.number) for t in album.tracks]
    numbered = enumerate(zip(files, numbers, strict=True), start=1)
    tracks = _told(
        (track(place, file, checksums, levels, number) for place, (file, number) in numbered), len(files), progress
    )
    whole = album.values["album_integrated_lufs"]
    sequence = [t for t in album.tracks if t.number is not None]
    bars = [_bar(t) for t in sequence]
    held = [verdict for t in sequence for verdict in t.verdicts]
    drawn = (
        (
            "Loudness of the tracks",
            pictures.album_loudness(bars, _number(whole), [*limits_drawn(held, ("integrated_lufs",)), *levels]),
        ),
        ("True peak of the tracks", pictures.album_peaks(bars, limits_drawn(held, ("true_peak_dbtp",)))),
    )
    word, headline = said.outcome(files, album.verdicts)
    return _render(
        "album.html",
        progress=progress,
        told=DRAWING,
        issue=Issue(version, date, checksums, selftest),
        word=word,
        headline=headline,
        title=title,
        album=album,
        remarks=[(remark.tracks, observation(remark)) for remark in album.observations],
        tracks=tracks,
        profiles=profiles,
        verdicts=[verdict for verdict in album.verdicts if verdict.findings],
        groups=groups(ALBUM_QUANTITIES, album.values, {}, album.verdicts),
        pictures=[(name, picture) for name, picture in drawn if picture is not None],
        levels=list(dict.fromkeys(played.level_lufs for t in album.tracks for played in t.playback)),
        glossary=_glossary(tracks),
    )


def _bar(track: "AlbumTrack") -> Bar:
    values: Mapping[str, Value] = track.measurement.values if track.measurement else {}
    loudness, short_term, true_peak = (
        _number(values.get(key)) for key in ("integrated_lufs", "short_term_max_lufs", "true_peak_dbtp")
    )
    broken = frozenset(finding.measure for verdict in track.verdicts for finding in verdict.broken())
    return Bar(str(track.number), loudness, short_term, true_peak, broken)


def _number(value: Value) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None


def plan_page(
    premaster: Checked,
    profile: Profile,
    plan: "Plan",
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `plan`.

    Parameters
    ----------
    premaster : Checked
        Measured, and held against the profile that says whether it is fit to be mastered.
    profile : Profile
        What is planned for.
    plan : Plan
        The answer.
    checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.wording.plan import headline, without_settings

    answers = [
        ("True-peak limiter", plan.true_peak_limiter),
        ("Sample-peak limiter", plan.sample_peak_limiter),
        ("Clipper, then true-peak limiter", plan.clipped if plan.clipped and plan.clipped.clip else None),
        ("True-peak limiter, within the cost limit", plan.true_peak_affordable),
        ("Sample-peak limiter, within the cost limit", plan.sample_peak_affordable),
    ]
    settings = [(title, setting) for title, setting in answers if setting is not None]
    if not settings and plan.plain is not None:
        settings = [("Gain alone, no limiter", plan.plain)]
    target = plan.target_lufs
    aims = [] if target is None else [Level(target, f"target {target:.1f} LUFS, {profile.name}")]
    shown = track(1, premaster, checksums, aims)
    return _render(
        "plan.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word="Plan",
        headline=minus(headline(plan, profile.name)),
        track=shown,
        profile=profile,
        plan=plan,
        lines=without_settings(plan),
        columns=[title for title, _ in settings],
        table=_settings_table([setting for _, setting in settings]),
        picture=_work_picture(settings[:2]),
        worst=[(title, s.gain_reduction.worst) for title, s in settings if s.gain_reduction and s.gain_reduction.worst],
        glossary=_glossary([shown]),
    )


def _settings_table(settings: Sequence["Setting"]) -> list[tuple[str, list[str]]]:
    """Rows for a table with a column for each setting; rows that no setting has are left out."""
    from master_check.report.wording.plan import ceiling, other_releases

    def clip(name: str, unit: str) -> Callable[["Setting"], str | None]:
        return lambda s: None if s.clip is None else f"{getattr(s.clip, name):.1f} {unit}"

    def row(title: str, cell: Callable[["Setting"], str | None]) -> tuple[str, list[str]]:
        return title, [cell(setting) or "\u2013" for setting in settings]

    def reading(key: str) -> Callable[["Setting"], str | None]:
        return lambda setting: QUANTITIES[key].format(getattr(setting.result, key))

    def work(name: str, unit: str) -> Callable[["Setting"], str | None]:
        return lambda s: None if s.gain_reduction is None else f"{getattr(s.gain_reduction, name):.1f} {unit}"

    def played(name: str, unit: str) -> Callable[["Setting"], str | None]:
        return lambda s: None if s.playback is None else gain(getattr(s.playback, name), unit)

    level = next((s.playback.playback_lufs for s in settings if s.playback), None)
    rows = [
        row("Gain", lambda setting: gain(setting.gain_db, "dB")),
        row("Ceiling", ceiling),
        row("Clip at", clip("at_dbfs", "dBFS")),
        row("Clipped off the highest peak", clip("by_db", "dB")),
        row("THD there", clip("thd_percent", "%")),
        row("Result", reading("integrated_lufs")),
        row("Result with other releases", other_releases),
        row("True peak", reading("true_peak_dbtp")),
        row("Sample peak", reading("sample_peak_dbfs")),
        row("PLR", reading("plr_lu")),
        row("Gain reduction, maximum", work("gain_reduction_max_db", "dB")),
        row("Gain reduction, 95th percentile", work("gain_reduction_p95_db", "dB")),
        row("Gain reduction, mean while limiting", work("gain_reduction_mean_db", "dB")),
        row("Time spent limiting", work("active_percent", "%")),
        row(f"Gain from playback at {level:.1f} LUFS" if level is not None else "", played("gain_db", "dB")),
        row("True peak after that", played("true_peak_dbtp", "dBTP")),
    ]
    return [(title, cells) for title, cells in rows if any(cell != "\u2013" for cell in cells)]


def _work_picture(settings: Sequence[tuple[str, "Setting"]]) -> Picture | None:
    curves = [(title, s.gain_reduction.curve_db, s.gain_reduction.step_s) for title, s in settings if s.gain_reduction]
    first = next((s.gain_reduction for _, s in settings if s.gain_reduction), None)
    return pictures.gain_reduction(curves, [place.at_s for place in first.worst] if first else [])


def tags_page(
    files: Sequence["TaggedFile"],
    profiles: Sequence[Profile],
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `tags`.

    Parameters
    ----------
    files : sequence of TaggedFile
        In the order they are to be shown.
    profiles : sequence of Profile
        Whose rules on metadata the files were held against.
    checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.wording.tags import NOTHING, headline

    tracks = [_undrawn(number, file.checked, checksums) for number, file in enumerate(files, start=1)]
    keys = dict.fromkeys(field.measure for file in files for field in file.fields if field.measure)
    return _render(
        "tags.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word=said.word(file.checked.result for file in files),
        headline=headline(files),
        tracks=tracks,
        statements=[_statements(file) for file in files],
        nothing=NOTHING,
        profiles=profiles,
        glossary=[QUANTITIES[key] for key in QUANTITIES if key in keys],
    )


def _statements(file: "TaggedFile") -> list[tuple[str, str, str, str, str]]:
    """What a file states, in words: what, where, the value, what was measured, result."""
    from master_check.report.wording.tags import MOST_FIELDS, TITLES, shown

    if file.checked.measurement is None:
        return []
    rate = file.checked.measurement.format.rate
    return [
        (TITLES[f.name], f.place, shown(f, f.value, rate), shown(f, f.measured, rate), f.result)
        for f in file.fields[:MOST_FIELDS]
    ]


def _undrawn(number: int, checked: Checked, checksums: Mapping[str, str]) -> Track:
    """A file without its figures and pictures."""
    return Track(number, str(number), checked, checksums.get(checked.path, ""), (), ())


def compare_page(
    comparison: "Comparison",
    verdicts: Sequence[Verdict],
    profiles: Sequence[Profile],
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `compare`.

    Parameters
    ----------
    comparison : Comparison
        What mastering did.
    verdicts : sequence of Verdict
        The master held against the profiles; empty where there are none.
    profiles, checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.wording.comparison import headline, notes, summary

    pair, changed = comparison, comparison.change
    master = track(1, Checked(pair.master.path, pair.master, tuple(verdicts)), checksums, played(profiles))
    premaster = track(2, Checked(pair.premaster.path, pair.premaster), checksums)
    sides = pair.saturation.sides
    drawn = (
        (
            "Transfer curves",
            pictures.transfer_curves([(SIDES[s.side], s.level_in, s.level_out) for s in sides if len(s.level_in)]),
        ),
        ("Change of the spectrum", pictures.spectrum_change(_band_changes(pair))),
        (
            "Gain reduction over time",
            pictures.gain_reduction(
                [("below the passages that were left alone", changed.gain_reduction_db, changed.step_s)],
                [place.at_s for place in changed.worst],
            ),
        ),
    )
    return _render(
        "compare.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word=said.word(verdict.result for verdict in verdicts) if verdicts else "Compared",
        headline=minus(headline(pair)),
        summary=summary(pair),
        notes=notes(pair),
        pair=pair,
        master=master,
        premaster=premaster,
        profiles=profiles,
        differences=_difference_rows(pair),
        sides=[(SIDES[side.side], side) for side in sides],
        most=max((side.thd_percent or 0.0 for side in sides), default=0.0),
        pictures=[(title, picture) for title, picture in drawn if picture is not None],
        glossary=_glossary([master, premaster]),
    )


def rehearsal_page(
    found: "Rehearsed",
    profiles: Sequence[Profile],
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `rehearse`.

    Parameters
    ----------
    found : Rehearsed
        The master, and what came out of every encode and conversion.
    profiles : sequence of Profile
        Those that named them.
    checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.wording.rehearsal import ENCODERS_DIFFER, answer, details, headline, verdict

    assert found.master.measurement is not None
    master = track(1, found.master, checksums, played(profiles))
    peak = _number(found.master.measurement.values["true_peak_dbtp"])
    levels = limits_drawn([run.verdict for run in found.runs if run.verdict], PEAKS)
    drawn = (
        ("True peak of what comes out", pictures.rehearsed_peaks(_peak_bars(found.runs), peak, levels)),
        ("Where it comes out too loud", pictures.overs(_over(found.runs))),
    )
    return _render(
        "rehearse.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word=verdict(found),
        headline=minus(headline(found)),
        profiles=profiles,
        found=found,
        master=master,
        answer=answer(found),
        details=details,
        differ=ENCODERS_DIFFER,
        pictures=[(title, picture) for title, picture in drawn if picture is not None],
        glossary=[*_glossary([master]), *REHEARSAL_QUANTITIES.values()],
    )


def delivery_page(
    found: "Delivered",
    profiles: Sequence[Profile],
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `deliver`.

    Parameters
    ----------
    found : Delivered
        The master, and what was written of it.
    profiles : sequence of Profile
        Those that asked for it.
    checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report.delivery import SHOWN
    from master_check.report.wording.delivery import headline, made

    master = track(1, found.master, checksums)
    tracks = [track(n, file, checksums) for n, file in enumerate(found.files, start=2)]
    return _render(
        "deliver.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word=said.word([found.result]),
        headline=headline(found),
        profiles=profiles,
        found=found,
        master=master,
        tracks=tracks,
        made=made,
        shown=[QUANTITIES[key] for key in SHOWN],
        glossary=_glossary([master, *tracks]),
    )


def stems_page(
    found: "Stems",
    *,
    checksums: Mapping[str, str],
    version: str,
    date: datetime,
    selftest: str = "",
    progress: Progress | None = None,
) -> str:
    """The report of `stems`.

    Parameters
    ----------
    found : Stems
        The gain sheet, and what the stems are in the mix and the rough mix.
    checksums, version, date, selftest, progress
        As in `check_page`.

    Returns
    -------
    str
        The whole page.
    """
    from master_check.report import balance as drawn
    from master_check.report.stems import SHOWN
    from master_check.report.strips import strip_picture
    from master_check.report.wording import balance as words
    from master_check.report.wording.stems import bus_name, headline, low_cut, remark, trim

    mix, rough = (found.balance.mix, found.balance.rough) if found.balance else (None, None)
    tracks = [track(n, stem, checksums) for n, stem in enumerate(found.stems, start=1)]
    pictures_ = (("What is left of the mix over time", drawn.null_picture), ("In third octaves", drawn.left_picture))
    return _render(
        "stems.html",
        progress=progress,
        told=0.0,
        issue=Issue(version, date, checksums, selftest),
        word=said.word([found.result]),
        headline=words.mix_headline(mix) if mix else headline(found),
        count=headline(found),
        found=found,
        profiles=[found.profile],
        mix=mix,
        rough=rough,
        mix_said=words.mix_summary(mix) if mix else [],
        rough_said=words.rough_summary(rough) if rough else [],
        bars=drawn.balance_bars(rough) if rough else [],
        pictures=[(title, picture) for title, draw in pictures_ if mix and (picture := draw(mix)) is not None],
        sheet=[(stem.name, stem) for stem in found.stems]
        + [(f"bus: {bus_name(bus.group)}", bus) for bus in found.buses],
        shown=[RULE_QUANTITIES[key] for key in SHOWN],
        remarks=[remark(each, found.stems) for each in found.remarks],
        tracks=tracks,
        names=[stem.name for stem in found.stems],
        strips=[strip_picture(stem.strip) if stem.strip else None for stem in found.stems],
        called=words.names(stem.path for stem in mix.stems) if mix else {},
        level_cell=words.level_cell,
        trim=trim,
        low_cut=low_cut,
        glossary=_glossary(tracks),
    )


def _peak_bars(runs: Iterable["Run"]) -> list[Bar]:
    return [
        Bar(
            str(number),
            None,
            None,
            _number(run.values["true_peak_dbtp"]) if run.values else None,
            frozenset(finding.measure for finding in run.verdict.broken()) if run.verdict else frozenset(),
        )
        for number, run in enumerate(runs, start=1)
    ]


def _over(runs: Iterable["Run"]) -> list[tuple[str, "Measurement", float]]:
    """Number, what came out, its peak limit, of those that came out too loud."""
    return [
        (str(number), run.measurement, run.limits.lowest_dbtp)
        for number, run in enumerate(runs, start=1)
        if run.measurement is not None and run.worst
    ]


SIDES: Final = {"left": "Left", "right": "Right", "mid": "Mid", "side": "Sides", "mono": "Mono"}


def _difference_rows(pair: "Comparison") -> list[tuple[Quantity, str, str, str]]:
    """Quantity, premaster, master, change; without what neither has."""
    rows = []
    for key, difference in pair.differences.items():
        quantity = QUANTITIES[key]
        before, after = (quantity.format(m.values[key]) for m in (pair.premaster, pair.master))
        if (before, after) != ("\u2013", "\u2013"):
            unit = {"LUFS": "LU", "dBTP": "dB", "dBFS": "dB"}.get(quantity.unit, quantity.unit)
            rows.append((quantity, before, after, gain(difference, unit, quantity.decimals)))
    return rows


def _band_changes(pair: "Comparison") -> list[tuple[str, NDArray[np.float64]]]:
    """Change of level and, of stereo, of width in every band; NaN where there is none."""
    bands = pair.change.bands
    level = np.array([np.nan if b.level_change_db is None else b.level_change_db for b in bands])
    width = np.array([np.nan if b.width_change_db is None else b.width_change_db for b in bands])
    curves = [("level", level)]
    if np.isfinite(width).any():
        curves.append(("sides to mid", width))
    return curves


LOUDNESS: Final = ("integrated_lufs", "short_term_max_lufs", "momentary_max_lufs")
PEAKS: Final = ("true_peak_dbtp", "sample_peak_dbfs")
"""Quantities whose limits are drawn into the pictures of loudness and of the waveform."""


def limits_drawn(verdicts: Iterable[Verdict], measures: Sequence[str]) -> list[Level]:
    """Targets, minima and maxima of the rules that were held against these quantities; those alike in one."""
    asking: dict[tuple[float, str], dict[str, None]] = {}
    for verdict in verdicts:
        for finding in verdict.findings:
            if finding.measure in measures and finding.result != "skip":
                for level in _edges(finding):
                    asking.setdefault(level, {})[verdict.profile] = None
    return [Level(value, f"{words}, {', '.join(names)}") for (value, words), names in sorted(asking.items())]


def _edges(finding: Finding) -> Iterable[tuple[float, str]]:
    rule, quantity = finding.rule, finding.quantity
    where = " where it applies" if rule.when else ""
    for value, sign in ((rule.target, "target"), (rule.min, "\u2265"), (rule.max, "\u2264")):
        if value is not None:
            places = max(quantity.decimals, len(f"{value:.10g}".partition(".")[2]))
            yield value, f"{quantity.short} {sign} {value:.{places}f} {quantity.unit}{where}"


def played(profiles: Iterable[Profile]) -> list[Level]:
    """The loudness at which places play, where that is no target of theirs."""
    playing: dict[float, list[str]] = {}
    for profile in profiles:
        level = profile.playback_lufs
        if level is not None and not any(r.measure == "integrated_lufs" and r.target == level for r in profile.rules):
            playing.setdefault(level, []).append(profile.name)
    return [
        Level(level, f"playback at {level:.1f} LUFS, {', '.join(names)}", "played") for level, names in playing.items()
    ]


def groups(
    quantities: Mapping[str, Quantity],
    values: Mapping[str, Value],
    at_s: Mapping[str, float],
    verdicts: Sequence[Verdict],
) -> tuple[tuple[str, tuple[Row, ...]], ...]:
    wrong = {finding.measure for verdict in verdicts for finding in verdict.broken()}
    shown = {
        key: each
        for key, each in quantities.items()
        if each.group not in SELDOM or values.get(key) is not None or key in wrong
    }
    return tuple(
        (group, tuple(_row(each, values.get(each.key), at_s.get(each.key), verdicts) for each in own))
        for group, own in grouped(shown).items()
    )


def _row(quantity: Quantity, value: Value, at_s: float | None, verdicts: Sequence[Verdict]) -> Row:
    key = quantity.key
    held = [
        (finding, verdict.profile) for verdict in verdicts for finding in verdict.findings if finding.measure == key
    ]
    # A value past its limit is shown with decimals enough to tell it from the limit.
    shown = max((finding.shown for finding, _ in held), key=len, default=quantity.format(value))
    at = "" if at_s is None else f"at {clock(at_s)}"
    if quantity.unit == "s" and isinstance(value, float) and value >= 60.0:
        at = f"that is {clock(value)}"
    share = min(max(value / 100.0, 0.0), 1.0) if quantity.unit == "%" and isinstance(value, float) else None
    return Row(quantity, shown, at, _limits(held), share, at_s)


def _limits(held: Iterable[tuple[Finding, str]]) -> tuple[Limit, ...]:
    names: dict[tuple[str, str, bool], list[str]] = {}
    for finding, profile in held:
        names.setdefault((wanted(finding), finding.result, finding.level == "note"), []).append(profile)
    return tuple(Limit(*what, tuple(who)) for what, who in names.items())


def _glossary(tracks: Iterable[Track]) -> list[Quantity]:
    shown = {row.quantity.key for t in tracks for _, rows in t.groups for row in rows if row.shown != "–"}
    return [quantity for key, quantity in RULE_QUANTITIES.items() if key in shown]


def wanted(finding: Finding) -> str:
    """The limit of a finding with its unit, in the words of a page."""
    return minus(finding.wanted.replace("<=", "\u2264").replace(">=", "\u2265"))


def gain(value: float | None, unit: str, places: int = 1) -> str:
    """A difference with its sign and its unit; nothing has no sign."""
    return minus(signed(value, unit, places))


def words(text: str) -> Markup:
    """Text from outside in which what stands between backticks is a command."""
    return Markup(re.sub(r"`([^`]+)`", r"<i>\1</i>", str(escape(visible(text)))))


def _shown(value: Any) -> Any:
    """Every string that a template prints, unless it is markup of ours."""
    return visible(value) if type(value) is str else value


@cache
def environment() -> jinja2.Environment:
    """What every page is written with."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "clock": clock,
        "gain": gain,
        "minus": minus,
        "wanted": wanted,
        "without_repeats": without_repeats,
        "words": words,
        "svg": Markup,  # pictures are ours, and escape what they print
    }
    environment.globals |= {
        "WORDS": said.VERDICTS,
        "RULE_WORDS": said.RULES,
        "QUANTITIES": QUANTITIES,
        "ALBUM_QUANTITIES": ALBUM_QUANTITIES,
        "CHANNEL_KEYS": CHANNEL_KEYS,
        "format_line": lambda measurement: ", ".join(file_format(measurement)),
    }
    return environment


def _told(tracks: Iterable[Track], count: int, progress: Progress | None) -> list[Track]:
    """All tracks; each is told as soon as it is drawn."""
    drawn = []
    for each in tracks:
        drawn.append(each)
        if progress:
            progress(DRAWING / count)
    return drawn


def _render(template: str, *, issue: Issue, word: str, progress: Progress | None, told: float, **context: Any) -> str:
    """The page; what of `progress` is not `told` yet is told when it is there."""
    drawn = seal(issue.digest, word)
    text = environment().get_template(template).render(issue=issue, seal=drawn, **context)
    if progress:
        progress(1.0 - told)
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
