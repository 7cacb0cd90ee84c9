"""The local page's words and pictures: parts of the report as it has them, and what the page itself draws as data."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from master_check.albums.album import Album
from master_check.decibels import amplitude_of
from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.limiting.preview import Preview
from master_check.measurement.measurement import Measurement
from master_check.report import html
from master_check.report.pictures import FARTHEST_LU, Level, loudness_span, minus
from master_check.report.seal import seal
from master_check.report.wording import page as words
from master_check.report.wording import verdicts as said
from master_check.report.wording.album import observation
from master_check.report.wording.figures import signed
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES
from master_check.text import clock, visible

SHAPES: Final = {
    "true_peak_over_runs": "triangle",
    "clipped_runs": "square",
    "flat_top_runs": "bar",
    "hidden_clipped_runs": "lozenge",
}
"""How places are marked; all others are rings."""

ONCE: Final = ("true_peak_dbtp", "sample_peak_dbfs", "momentary_max_lufs", "psr_min_lu", "correlation_min")
"""Figures that happen at one place, which is marked too."""

LEAST: Final = 0.02
"""A level of peaks below this share of full scale cannot be told from the middle line."""


def whole(version: str, selftest: str, profiles: Sequence[tuple[str, str]]) -> str:
    """The page itself, before anything is open.

    Parameters
    ----------
    version : str
        Of sendoff.
    selftest : str
        What `sendoff selftest` found, one line; empty where it was not run.
    profiles : sequence of (str, str)
        Name and title of those that can be chosen.
    """
    template = html.environment().get_template("listen.html")
    return template.render(version=version, selftest=selftest, profiles=profiles, words=words)


def file_part(number: int, checked: Checked, profiles: Sequence[Profile]) -> str:
    """What the report says of one file: verdict, findings, spectrum and all figures; times in it can be heard."""
    measurement = checked.measurement
    checksums = {checked.path: measurement.sha256} if measurement and measurement.sha256 else {}
    track = html.track(number, checked, checksums)
    word, headline = said.outcome([checked])
    return (
        html.environment()
        .get_template("listen_file.html")
        .render(
            track=track,
            word=word,
            headline=headline,
            seal=seal(html.Issue("", datetime.now(), checksums).digest, word),
            pictures=[(title, picture) for title, picture in track.pictures if title == "Spectrum"],
            places=_places(measurement) if measurement else [],
            most=words.MOST_PLACES,
            hear=True,
            HEAR=words.HEAR,
        )
    )


def album_part(found: Album) -> str:
    """What the report says of the files as an album."""
    sequence = [track for track in found.tracks if track.number is not None]
    return (
        html.environment()
        .get_template("listen_album.html")
        .render(
            album=found,
            tracks=[
                html.Track(n, "", Checked(t.path, t.measurement), "", (), ()) for n, t in enumerate(found.tracks, 1)
            ],
            verdicts=[verdict for verdict in found.verdicts if verdict.findings],
            remarks=[(remark.tracks, observation(remark)) for remark in found.observations],
            groups=html.groups(ALBUM_QUANTITIES, found.values, {}, found.verdicts),
            count=len(sequence),
        )
    )


def _places(measurement: Measurement) -> list[tuple[str, int, list[tuple[float, str]]]]:
    """Quantity, how many places of it are known, and the first of them with their clock."""
    return [
        (QUANTITIES[key].title, len(places), [(at, clock(at)) for at in places[: words.MOST_PLACES]])
        for key, places in measurement.places_s.items()
    ]


def drawn(measurement: Measurement, checked: Checked, profiles: Sequence[Profile]) -> dict[str, Any]:
    """What the page draws of a file besides its curves, as JSON has it: scales, levels, marks, gains of playback."""
    integrated = measurement.values["integrated_lufs"]
    levels = [*html.limits_drawn(checked.verdicts, html.LOUDNESS), *html.played(profiles)]
    peaks = html.limits_drawn(checked.verdicts, html.PEAKS)
    found: dict[str, Any] = {
        "labels": list(measurement.format.labels),
        "rate": measurement.format.rate,
        "duration_s": measurement.values["duration_s"],
        "heard": heard(measurement.format),
        "loudness": None,
        "levels_dbfs": [_level(each) for each in peaks if amplitude_of(each.value) > LEAST],
        "marks": _marks(measurement),
        "loudest": None,
        "playback": _playback(measurement, profiles),
    }
    momentary = measurement.series.momentary()
    if isinstance(integrated, float) and len(momentary):
        levels = [level for level in levels if abs(level.value - integrated) <= FARTHEST_LU]
        lines = [integrated, *(level.value for level in levels)]
        low, high = loudness_span(momentary, measurement.series.short_term(), lines)
        found["loudness"] = {
            "low": low,
            "high": high,
            "integrated": integrated,
            "words": minus(f"integrated {integrated:.1f} LUFS"),
            "levels": [_level(level) for level in levels if low <= level.value <= high],
        }
    if "short_term_max_lufs" in measurement.at_s:
        at, value = measurement.at_s["short_term_max_lufs"], measurement.values["short_term_max_lufs"]
        shown = QUANTITIES["short_term_max_lufs"].format(value)
        found["loudest"] = {"at_s": at, "stop_s": at + 3.0, "words": minus(f"loudest 3 s, {shown}")}
    return found


def _level(level: Level) -> dict[str, Any]:
    return {"value": level.value, "words": minus(level.words), "style": level.style}


def _marks(measurement: Measurement) -> list[dict[str, Any]]:
    marks = [
        {"key": key, "words": QUANTITIES[key].title, "shape": SHAPES.get(key, "ring"), "at_s": list(places)}
        for key, places in measurement.places_s.items()
    ]
    for key in ONCE:
        if key in measurement.at_s:
            quantity = QUANTITIES[key]
            shown = f"{quantity.title}, {quantity.format(measurement.values[key])}"
            marks.append({"key": key, "words": minus(shown), "shape": "line", "at_s": [measurement.at_s[key]]})
    return marks


def _playback(measurement: Measurement, profiles: Sequence[Profile]) -> list[dict[str, Any]]:
    """What places that normalise do to the file, where they turn it down."""
    integrated = measurement.values["integrated_lufs"]
    found = []
    for profile in profiles:
        if profile.playback_lufs is not None and isinstance(integrated, float):
            gain = min(0.0, profile.playback_lufs - integrated)
            told = minus(words.playback(profile.name, profile.playback_lufs, gain))
            found.append({"gain_db": gain, "words": told})
    return found


def heard(format: AudioFormat) -> str:
    """What two loudspeakers get of a file, in words; nothing where that is the file itself."""
    if format.channels <= 2:
        return ""
    return words.FOLDED if format.layout else words.FIRST_TWO


def row(checked: Checked, name: str) -> dict[str, Any]:
    """A file in the list of files."""
    values = checked.measurement.values if checked.measurement else {}
    shown = {key: minus(QUANTITIES[key].format(values.get(key))) for key in ("integrated_lufs", "true_peak_dbtp")}
    return {
        "name": visible(name),
        "result": checked.result if checked.verdicts or checked.error else "",
        "word": said.VERDICTS[checked.result] if checked.verdicts else "",
        "error": visible(checked.error or ""),
        "integrated": shown["integrated_lufs"],
        "true_peak": shown["true_peak_dbtp"],
        "length": clock(float(values["duration_s"] or 0.0)) if values else "",
    }


def plan_part(
    target_lufs: float, true_peak: Preview | None, sample_peak: Preview | None, limit_dbtp: float
) -> dict[str, Any]:
    """A plan for one target, in words, and its gain reduction over time."""
    shown = true_peak or sample_peak
    return {
        "target": minus(f"{target_lufs:.1f} LUFS"),
        "true_peak": minus(words.setting(true_peak, "true_peak", limit_dbtp)),
        "sample_peak": minus(words.setting(sample_peak, "sample_peak", limit_dbtp)),
        "curve": [] if shown is None else [round(float(value), 3) for value in shown.curve_db],
        "gain_db": None if shown is None else round(shown.gain_db, 3),
    }


def told_gain(gain_db: float) -> str:
    return minus(signed(gain_db, "dB"))
