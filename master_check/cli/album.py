"""`sendoff album`: the masters of an album, each and as a whole."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from master_check.cli.common import (
    PATH,
    STATUS,
    Refused,
    check_report,
    complain,
    console,
    layout_option,
    load,
    measuring,
    origin_option,
    profiles_option,
    report_options,
    threads_option,
    write_report,
)

if TYPE_CHECKING:
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("places", metavar="FOLDER|FILE...", nargs=-1, required=True, type=PATH)
@profiles_option
@click.option("--order", type=PATH, help="Text file with the sequence: one file name on each line.")
@click.option(
    "--versions",
    metavar="REGEX",
    help="Regular expression that marks alternate versions in file names, instead of the built-in one (instrumental, "
    "a cappella, clean, TV ...).",
)
@layout_option
@origin_option
@click.option("--worst-first", is_flag=True, help="List the tracks from the worst verdict to the best.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text, a row for each track.")
@click.option("--fresh", is_flag=True, help="Measure every file again, even if it has not changed.")
@report_options
@threads_option
def album(
    places: tuple[Path, ...],
    profiles: tuple[str, ...],
    order: Path | None,
    versions: str | None,
    layout: "Layout | None",
    origin: bool,
    worst_first: bool,
    as_json: bool,
    as_csv: bool,
    fresh: bool,
    threads: int | None,
    report: Path | None,
    force: bool,
) -> None:
    """Check the masters of an album, each and as a whole.

    Checks each track as `check` does, then the album: its loudness, how normalised playback will treat it, and what
    does not fit together, such as formats, levels and duplicates.

    A FOLDER's sound files are taken in natural order (2 before 10), FILEs in the order given. Measurements are kept:
    a second run measures only files that have changed.

    \b
    Examples:
      sendoff album masters/ -p streaming -p cd
      sendoff album masters/ -p cd --order sequence.txt --worst-first
    """
    from master_check.albums.album import album as verify
    from master_check.albums.tracks import VERSIONS, AlbumError, find_tracks, read_order
    from master_check.report import album as shown
    from master_check.report import csv, json

    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    loaded = load(profiles)
    pattern = VERSIONS if versions is None else versions
    try:
        tracks = find_tracks(places)
        if order is not None:
            tracks = read_order(order, tracks, pattern)
        check_report(report, tracks.paths, force)
        with measuring(1) as progress:
            found = verify(
                tracks.paths,
                loaded,
                layout=layout,
                fresh=fresh,
                workers=threads,
                versions=pattern,
                progress=progress,
                origin=origin,
            )
    except AlbumError as error:
        raise Refused(*error.faults) from None
    for track in found.tracks:
        if track.error is not None:
            complain(f"{track.path}: {track.error}")
    if report is not None:
        from master_check.report.html import album_page

        title = places[0].resolve().name if len(places) == 1 else ""
        write_report(report, album_page, found, loaded, title=title)
    if as_json:
        click.echo(json.text(json.album_json(found, tracks.skipped)))
    elif as_csv:
        click.echo(csv.album_text(found), nl=False)
    else:
        shown.print_album(console(), found, tracks.skipped, worst_first)
    sys.exit(STATUS[found.result])
