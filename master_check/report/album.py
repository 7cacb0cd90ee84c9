"""An album for the terminal."""

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.text import Text

from master_check.albums.album import Album, Track
from master_check.provenance.finding import OriginFinding
from master_check.report.lines import Cell, clauses, columns, flow, indented, prose, show
from master_check.report.terminal import findings_lines, verdict_word, without_repeats
from master_check.report.wording.album import observation
from master_check.report.wording.figures import signed
from master_check.report.wording.origin import NO_PROOF, origin_text
from master_check.tables.quantities import ALBUM_QUANTITIES, QUANTITIES, Value
from master_check.text import clock, visible

_ORDER = ("error", "fail", "warn", "pass")


def print_album(console: Console, album: Album, skipped: int, worst_first: bool) -> None:
    """The album's verdicts, a line for each track, what breaks a rule, what somebody should look at."""
    width = console.width
    word = album.result if any(track.verdicts for track in album.tracks) or album.result == "error" else "skip"
    songs = sum(track.version is None for track in album.tracks)
    title: list[Cell] = [verdict_word(word), Text(f"album of {_counted(songs, 'track')}", style="bold")]
    if versions := len(album.tracks) - songs:
        title.append(f"and {_counted(versions, 'alternate version')}")
    if skipped:
        title.append(Text(f"({_counted(skipped, 'other file')} skipped)", style="dim"))
    show(console, flow(title, width, gap="  "))
    show(console, indented(_figures(album, width - 2), 2))
    for verdict in album.verdicts:
        broken = without_repeats(verdict.broken())
        if broken:
            console.print()
            head = [verdict_word(verdict.result), Text(verdict.profile, style="bold"), Text("the album as a whole")]
            show(console, indented(flow(head, width - 2, gap="  "), 2))
            show(console, indented(findings_lines(broken, width - 4), 4))
    console.print()
    show(console, indented(_tracks(album, worst_first, width - 2), 2))
    _print_broken(console, album, worst_first)
    if album.observations:
        console.print()
        show(console, [Text("  Worth checking", style="bold")])
        for found in album.observations:
            names = ", ".join(_name(album.tracks[index]) for index in found.tracks)
            show(console, indented(clauses(f"{names}: {observation(found)}", width - 4), 4))
    _print_origins(console, album)


def _print_origins(console: Console, album: Album) -> None:
    """What earlier conversions and encodes have left in tracks, where somebody asked."""
    looked = [track for track in album.tracks if track.measurement is not None and track.measurement.origin is not None]
    if not looked:
        return
    found = [(track, each) for track in looked for each in _origins(track) if each.result == "found"]
    lines = [f"{_name(track)}: {origin_text(each)}" for track, each in found]
    lines.append(NO_PROOF if found else f"no trace found; {NO_PROOF}")
    console.print()
    show(console, [Text("  Origin", style="bold")])
    for line in lines:
        show(console, indented(prose(Text(line), console.width - 4), 4))


def _origins(track: Track) -> Sequence[OriginFinding]:
    return (track.measurement.origin or ()) if track.measurement is not None else ()


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _figures(album: Album, width: int) -> list[Text]:
    parts = []
    for key in ("album_integrated_lufs", "track_spread_lu", "album_true_peak_dbtp", "total_s"):
        value, quantity = album.values[key], ALBUM_QUANTITIES[key]
        shown = clock(float(value)) if key == "total_s" and value is not None else quantity.format(value)
        parts.append(Text(f"{quantity.title.lower()} {shown}", style="dim"))
    return flow(parts, width, gap=" · ")


def _tracks(album: Album, worst_first: bool, width: int) -> list[Text]:
    rows: list[list[Cell]] = []
    for track in _sorted(album.tracks, worst_first):
        values: Mapping[str, Value] = track.measurement.values if track.measurement else {}
        played = {play.mode: signed(play.gain_db, "dB") for play in track.playback[:2]}
        rows.append(
            [
                verdict_word(track.result) if track.verdicts or track.error else Text("–"),
                "" if track.number is None else str(track.number),
                _name(track),
                QUANTITIES["integrated_lufs"].format(values.get("integrated_lufs")),
                signed(track.offset_lu, "LU"),
                *(QUANTITIES[key].format(values.get(key)) for key in ("loudness_range_lu", "true_peak_dbtp", "plr_lu")),
                played.get("track", "–"),
                played.get("album", "–"),
                clock(float(values["duration_s"] or 0.0)) if values else "–",
            ]
        )
    heads = ["", "", "track", "integrated", "from album", "range", "true peak", "PLR", "by track", "by album", "time"]
    lines = columns(heads, rows, width, names=3)
    levels = {play.level_lufs for track in album.tracks for play in track.playback[:1]}
    if levels:
        words = f"by track, by album: gain from playback at {min(levels):g} LUFS, normalised by track or by album"
        lines += prose(Text(words, style="dim"), width)
    return lines


def _print_broken(console: Console, album: Album, worst_first: bool) -> None:
    width = console.width
    for track in _sorted(album.tracks, worst_first):
        broken = [(verdict, without_repeats(verdict.broken())) for verdict in track.verdicts]
        if track.error is None and not any(findings for _, findings in broken):
            continue
        console.print()
        show(console, indented(prose(Text(_name(track), style="bold"), width - 2), 2))
        if track.error is not None:
            show(console, indented(prose(f"not read: {visible(track.error)}", width - 4), 4))
        for verdict, findings in broken:
            if findings:
                head = [verdict_word(verdict.result), Text(verdict.profile, style="bold")]
                show(console, indented(flow(head, width - 4, gap="  "), 4))
                show(console, indented(findings_lines(findings, width - 6, reasons=False), 6))


def _sorted(tracks: Sequence[Track], worst_first: bool) -> Sequence[Track]:
    return sorted(tracks, key=lambda track: _ORDER.index(track.result)) if worst_first else tracks


def _name(track: Track) -> str:
    return visible(track.path.replace("\\", "/").rpartition("/")[2])
