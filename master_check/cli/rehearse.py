"""`sendoff rehearse`: what encoders and converters make of a master."""

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
    profiles_option,
    report_options,
    write_report,
)

if TYPE_CHECKING:
    from master_check.rehearsal.rehearse import Rehearsed
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("master", type=PATH)
@profiles_option
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text, a row for each rehearsal.")
@report_options
@click.option(
    "--threads",
    type=click.IntRange(1, 256),
    help="Encodes to make at the same time; one for each core unless given.",
)
def rehearse(
    master: Path,
    profiles: tuple[str, ...],
    layout: "Layout | None",
    as_json: bool,
    as_csv: bool,
    report: Path | None,
    force: bool,
    threads: int | None,
) -> None:
    """Encode and convert a master as the places will.

    Makes every encode and conversion that the profiles name, measures what comes out, and says where it overshoots.
    Then finds how far to turn MASTER down until every encode keeps its peak limits. The exit status is 1 if a result
    fails a rule, and 2 if an encode could not be made.

    \b
    Examples:
      sendoff rehearse master.wav -p streaming
      sendoff rehearse master.wav -p streaming -p cd --json
    """
    from master_check.rehearsal.errors import RehearsalError
    from master_check.rehearsal.rehearse import rehearse as make
    from master_check.sound.format import AudioError

    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    if not profiles:
        raise Refused("no profile given: its [[rehearse]] says what to rehearse; name one with -p")
    check_report(report, [master], force)
    loaded = load(profiles)
    try:
        with measuring(1, "rehearsing") as progress:
            found = make(master, loaded, layout, threads, progress)
    except AudioError as error:
        raise Refused(str(error)) from None
    except RehearsalError as error:
        raise Refused(f"{master}: {error}") from None
    for line in dict.fromkeys(f"{run.rehearsal.name}: {run.error}" for run in found.runs if run.error is not None):
        complain(line)
    if report is not None:
        from master_check.report.html import rehearsal_page

        write_report(report, rehearsal_page, found, loaded, checksums=checksums([found.master]))
    _print(found, as_json, as_csv)
    sys.exit(STATUS[found.result])


def _print(found: "Rehearsed", as_json: bool, as_csv: bool) -> None:
    if as_json:
        from master_check.report import json

        click.echo(json.text(json.rehearsal_json(found)))
    elif as_csv:
        from master_check.report import csv

        click.echo(csv.rehearsal_text(found), nl=False)
    else:
        from master_check.report.rehearsal import print_rehearsal

        print_rehearsal(console(), found)
