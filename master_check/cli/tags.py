"""`sendoff tags`: what files say of themselves."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from master_check.cli.common import (
    PATH,
    STATUS,
    Refused,
    check_report,
    checksums,
    complain,
    console,
    layout_option,
    load,
    measuring,
    report_options,
    threads_option,
    write_report,
)

if TYPE_CHECKING:
    from master_check.judgement.tags import TaggedFile
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option(
    "-p",
    "--profile",
    "profiles",
    multiple=True,
    metavar="NAME",
    help="Profile whose rules on metadata to check by.  [default: metadata]",
)
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text, a row for each statement.")
@report_options
@threads_option
def tags(
    files: tuple[Path, ...],
    profiles: tuple[str, ...],
    layout: "Layout | None",
    as_json: bool,
    as_csv: bool,
    threads: int | None,
    report: Path | None,
    force: bool,
) -> None:
    """Show what FILES say of themselves, against what is measured.

    Reads bext, iXML, LIST-INFO and cue points, and the tags of FLAC, Ogg, Opus, MP3 and AIFF. Checks loudness fields
    and gains against the measured loudness, the form of ISRCs, the coding history against the format, and the time
    reference.

    \b
    Examples:
      sendoff tags master.wav
      sendoff tags masters/*.wav --csv > tags.csv
    """
    from master_check.judgement.tags import PROFILE, TaggedFile, on_metadata, tagged

    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    check_report(report, files, force)
    loaded = [on_metadata(profile) for profile in load(profiles or (PROFILE,))]
    from master_check.judgement.checked import check_files
    from master_check.judgement.verdict import worst

    with measuring(len(files)) as progress:
        checked = check_files(files, loaded, layout, threads, progress)
    for file in checked:
        if file.error is not None:
            complain(f"{file.path}: {file.error}")
    found = [tagged(file.measurement, loaded) if file.measurement else TaggedFile(file) for file in checked]
    if report is not None:
        from master_check.report.html import tags_page

        write_report(report, tags_page, found, loaded, checksums=checksums(checked))
    _print(found, as_json, as_csv)
    sys.exit(STATUS[worst(file.result for file in checked)])


def _print(found: "list[TaggedFile]", as_json: bool, as_csv: bool) -> None:
    if as_json:
        from master_check.report import json

        click.echo(json.text(json.tags_json(found)))
    elif as_csv:
        from master_check.report import csv

        click.echo(csv.tags_text(found), nl=False)
    else:
        from master_check.report.tags import print_tags

        print_tags(console(), found)
