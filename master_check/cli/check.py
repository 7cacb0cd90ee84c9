"""`sendoff check`: files against delivery profiles."""

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
    origin_option,
    profiles_option,
    report_options,
    threads_option,
    write_report,
)

if TYPE_CHECKING:
    from master_check.judgement.checked import Checked
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH)
@profiles_option
@layout_option
@origin_option
@click.option("--all", "everything", is_flag=True, help="Show every rule, not only the broken ones.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text, a row for each file.")
@report_options
@threads_option
def check(
    files: tuple[Path, ...],
    profiles: tuple[str, ...],
    layout: "Layout | None",
    origin: bool,
    everything: bool,
    as_json: bool,
    as_csv: bool,
    threads: int | None,
    report: Path | None,
    force: bool,
) -> None:
    """Measure FILES and check them against delivery profiles.

    Without -p it only measures. The exit status is 1 if a file fails a profile, and 2 if one cannot be read.

    With --origin, or with a profile that asks for it, it also looks for traces of a lower sample rate, of shorter
    words, of a lossy encode and of mono. No trace found does not prove that there was none.

    \b
    Examples:
      sendoff check master.wav -p streaming -p cd
      sendoff check *.wav -p broadcast-r128 --csv > figures.csv
    """
    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    check_report(report, files, force)
    loaded = load(profiles)
    from master_check.judgement.checked import check_files
    from master_check.judgement.verdict import worst

    with measuring(len(files)) as progress:
        checked = check_files(files, loaded, layout, threads, progress, origin)
    for file in checked:
        if file.error is not None:
            complain(f"{file.path}: {file.error}")
    if report is not None:
        from master_check.report.html import check_page

        write_report(report, check_page, checked, loaded, checksums=checksums(checked))
    _print(checked, as_json, as_csv, everything)
    sys.exit(STATUS[worst(file.result for file in checked)])


def _print(checked: "list[Checked]", as_json: bool, as_csv: bool, everything: bool) -> None:
    if as_json:
        from master_check.report import json

        click.echo(json.text(json.results_json(checked)))
    elif as_csv:
        from master_check.report import csv

        click.echo(csv.text(checked), nl=False)
    else:
        from master_check.report import terminal as text

        out = console()
        text.print_checked(out, checked, everything)
        if len(checked) > 1:
            text.print_summary(out, checked)
