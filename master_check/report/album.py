"""An album for the terminal, as JSON and as CSV."""

import csv
import io
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from master_check.albums.album import Album, Track
from master_check.judgement.checked import Checked
from master_check.report.json import VERSION, check_json, file_json, number, rounded
from master_check.report.terminal import findings_lines, verdict_word, without_repeats
from master_check.report.wording.album import observation
from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES, Value
from master_check.text import clock, visible

COLUMNS = ("integrated_lufs", "loudness_range_lu", "true_peak_dbtp", "plr_lu")
_ORDER = ("error", "fail", "warn", "pass")


def print_album(console: Console, album: Album, skipped: int, worst_first: bool) -> None:
    """The album's verdicts, a row a track, what breaks a rule, what somebody should look at."""
    word = album.result if any(track.verdicts for track in album.tracks) or album.result == "error" else "skip"
    title = Text.assemble(verdict_word(word), "  album of ", (f"{_songs(album)} tracks", "bold"))
    versions = len(album.tracks) - _songs(album)
    title.append(f" and {versions} alternate versions" if versions else "")
    title.append(f"; {skipped} other files skipped" if skipped else "", style="dim")
    console.print(title)
    console.print(Padding(_figures(album), (0, 0, 0, 2), expand=False))
    for verdict in album.verdicts:
        broken = without_repeats(verdict.broken())
        if broken:
            head = Text.assemble(
                verdict_word(verdict.result), "  ", (verdict.profile, "bold"), "  the album as a whole"
            )
            console.print(Padding(head, (1, 0, 0, 2), expand=False))
            console.print(Padding(findings_lines(broken), (0, 0, 0, 4), expand=False))
    console.print()
    console.print(Padding(_tracks(album, worst_first), (0, 0, 0, 2), expand=False))
    _print_broken(console, album, worst_first)
    if album.observations:
        console.print(Padding(Text("To look at", style="bold"), (1, 0, 0, 2), expand=False))
        for found in album.observations:
            names = ", ".join(_name(album.tracks[index]) for index in found.tracks)
            console.print(Padding(Text(f"{names}: {observation(found)}"), (0, 0, 0, 4), expand=False))


def _songs(album: Album) -> int:
    return sum(track.version is None for track in album.tracks)


def _figures(album: Album) -> Text:
    keys = ("album_integrated_lufs", "track_spread_lu", "album_true_peak_dbtp", "total_s")
    parts = []
    for key in keys:
        value, quantity = album.values[key], ALBUM_QUANTITIES[key]
        shown = clock(float(value)) if key == "total_s" and value is not None else quantity.format(value)
        parts.append(f"{quantity.title.lower()} {shown}")
    return Text(" · ".join(parts), style="dim")


def _tracks(album: Album, worst_first: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("", no_wrap=True)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("track", overflow="fold")
    for title in ("integrated", "of album", "range", "true peak", "PLR", "alone", "in album", "time"):
        table.add_column(title, justify="right", no_wrap=True)
    for track in _sorted(album.tracks, worst_first):
        values: dict[str, Value] = track.measurement.values if track.measurement else {}
        shown = {key: QUANTITIES[key].format(values.get(key)) for key in COLUMNS}
        played = {play.mode: f"{play.gain_db:+.1f} dB" for play in track.playback[:2]}
        table.add_row(
            verdict_word(track.result) if track.verdicts or track.error else Text("–"),
            "" if track.number is None else str(track.number),
            Text(_name(track)),
            shown["integrated_lufs"],
            "–" if track.offset_lu is None else f"{track.offset_lu + 0.0:+.1f} LU",
            shown["loudness_range_lu"],
            shown["true_peak_dbtp"],
            shown["plr_lu"],
            played.get("track", "–"),
            played.get("album", "–"),
            clock(float(values["duration_s"] or 0.0)) if values else "–",
        )
    levels = {play.level_lufs for track in album.tracks for play in track.playback[:1]}
    if levels:
        table.caption = f"alone, in album: gain by which a place playing at {min(levels):g} LUFS plays the track"
        table.caption_style = "dim"
        table.caption_justify = "left"
    return table


def _print_broken(console: Console, album: Album, worst_first: bool) -> None:
    for track in _sorted(album.tracks, worst_first):
        broken = [(verdict, without_repeats(verdict.broken())) for verdict in track.verdicts]
        if track.error is None and not any(findings for _, findings in broken):
            continue
        console.print(Padding(Text(_name(track), style="bold"), (1, 0, 0, 2), expand=False))
        if track.error is not None:
            console.print(Padding(Text(f"not read: {visible(track.error)}"), (0, 0, 0, 4), expand=False))
        for verdict, findings in broken:
            if findings:
                head = Text.assemble(verdict_word(verdict.result), "  ", (verdict.profile, "bold"))
                console.print(Padding(head, (0, 0, 0, 4), expand=False))
                console.print(Padding(findings_lines(findings, reasons=False), (0, 0, 0, 6), expand=False))


def _sorted(tracks: Sequence[Track], worst_first: bool) -> Sequence[Track]:
    return sorted(tracks, key=lambda track: _ORDER.index(track.result)) if worst_first else tracks


def _name(track: Track) -> str:
    return visible(track.path.replace("\\", "/").rpartition("/")[2])


def checked(track: Track) -> Checked:
    """A track as a file of `check`."""
    return Checked(track.path, track.measurement, track.verdicts, track.error)


def album_json(album: Album, skipped: int) -> dict[str, Any]:
    """What `album --json` prints: the tracks as files of `check`, each with its place, then the album."""
    return {
        "sendoff_json": VERSION,
        "files": [_track_json(track) for track in album.tracks],
        "album": {
            "measures": {key: number(value) for key, value in album.values.items()},
            "checks": [check_json(verdict) for verdict in album.verdicts],
            "observations": [
                {"kind": o.kind, "tracks": list(o.tracks), "text": observation(o), "values": rounded(o.values)}
                for o in album.observations
            ],
            "joins": [
                {
                    "first": join.first,
                    "second": join.second,
                    "end_lufs": number(join.end_lufs),
                    "start_lufs": number(join.start_lufs),
                    "step_lu": number(join.step_lu),
                    "silence_s": number(join.silence_s),
                }
                for join in album.joins
            ],
            "skipped_files": skipped,
        },
        "result": album.result,
    }


def _track_json(track: Track) -> dict[str, Any]:
    version = track.version
    return {
        **file_json(checked(track)),
        "sha256": track.sha256,
        "number": track.number,
        "offset_lu": number(track.offset_lu),
        "playback": [
            {
                "mode": play.mode,
                "level_lufs": play.level_lufs,
                "gain_db": number(play.gain_db),
                "withheld_db": number(play.withheld_db),
                "plays_lufs": number(play.plays_lufs),
                "true_peak_dbtp": number(play.true_peak_dbtp),
            }
            for play in track.playback
        ],
        "version_of": None
        if version is None
        else {
            "main": version.main,
            "longer_s": number(version.longer_s),
            "later_s": number(version.later_s),
            "exact": version.exact,
        },
    }


def album_csv(album: Album) -> str:
    """A row a track, as `check --csv`, with its number and its offset from the album behind."""
    from master_check.report.csv import text

    rows = list(csv.reader(io.StringIO(text([checked(track) for track in album.tracks]))))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*rows[0], "number", "offset_lu", "sha256"])
    for row, track in zip(rows[1:], album.tracks, strict=True):
        offset = "" if track.offset_lu is None else number(track.offset_lu)
        writer.writerow([*row, track.number or "", offset, track.sha256 or ""])
    return out.getvalue()
