"""`sendoff compare`: what mastering did to a premaster."""

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
    console,
    layout_option,
    load,
    measuring,
    profiles_option,
    report_options,
    write_report,
)

if TYPE_CHECKING:
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("premaster", type=PATH)
@click.argument("master", type=PATH)
@profiles_option
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@report_options
def compare(
    premaster: Path,
    master: Path,
    profiles: tuple[str, ...],
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
) -> None:
    """Show what mastering did to a premaster.

    Lines up PREMASTER and MASTER first (offset, polarity, gain, sample rate), and says so if they do not belong
    together. Then shows what changed in loudness, peaks, tone, width and gain, and how far left, right, mid and sides
    were saturated or clipped. With -p, the master is checked as `check` does.

    \b
    Example:
      sendoff compare mix.wav master.wav -p streaming
    """
    from master_check.alignment.align import PairError
    from master_check.judgement.checked import Checked, asks_origin
    from master_check.judgement.verdict import judge
    from master_check.pair.comparison import compare as tell
    from master_check.report.json import comparison_json, text
    from master_check.sound.format import AudioError

    check_report(report, [premaster, master], force)
    loaded = load(profiles)
    try:
        with measuring(2) as progress:
            found = tell(premaster, master, layout, progress, asks_origin(loaded))
    except AudioError as error:
        raise Refused(str(error)) from None
    except PairError as error:
        raise Refused(f"{premaster}, {master}: {error}") from None
    before = Checked(str(premaster), found.premaster)
    after = Checked(str(master), found.master, tuple(judge(found.master, profile) for profile in loaded))
    if report is not None:
        from master_check.report.html import compare_page

        write_report(report, compare_page, found, after.verdicts, loaded, checksums=checksums([before, after]))
    if as_json:
        click.echo(text(comparison_json(before, after, found)))
    else:
        from master_check.report.terminal import print_comparison

        print_comparison(console(), before, after, found)
    sys.exit(STATUS[after.result])
