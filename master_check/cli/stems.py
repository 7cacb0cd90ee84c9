"""`sendoff stems`: the gain sheet of stems, the mix they make, the balance of the rough mix."""

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
    within,
    write_report,
)

if TYPE_CHECKING:
    from master_check.stem.sheet import Stems
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("stems", nargs=-1, required=True, type=PATH)
@click.option("--mix", type=PATH, metavar="FILE", help="The mix: do the stems make it?")
@click.option("--rough", type=PATH, metavar="FILE", help="The rough mix: is its balance kept?")
@click.option(
    "--null",
    "null_db",
    type=float,
    callback=within(-200.0, 0.0),
    metavar="DB",
    help="With --mix: fail if more than this is left of it when the stems are taken away, such as -60.",
)
@click.option(
    "-p",
    "--profile",
    metavar="NAME",
    default="stems",
    help="What to hold stems and buses against: the profile `stems` unless given.",
)
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text, a row for each stem and bus.")
@report_options
@threads_option
def stems(
    stems: tuple[Path, ...],
    mix: Path | None,
    rough: Path | None,
    null_db: float | None,
    profile: str,
    layout: "Layout | None",
    as_json: bool,
    as_csv: bool,
    report: Path | None,
    force: bool,
    threads: int | None,
) -> None:
    """Check the stems of a mix, and what they make.

    STEMS are files or a folder, whose sub-folders are buses. Shows level, peak and trim of every stem and bus. With
    --mix, says whether the stems make the mix, and if not, why. With --rough, says how much louder or quieter each
    stem is than in the rough mix; what cannot be known to half a decibel is not given.

    \b
    Examples:
      sendoff stems stems/
      sendoff stems stems/ --mix mix.wav --null -60
      sendoff stems stems/ --mix mix.wav --rough rough.mp3
    """  # fmt: skip
    from master_check.alignment.align import PairError
    from master_check.sound.format import AudioError
    from master_check.stem.files import StemsError
    from master_check.stem.sheet import stems as look

    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    if null_db is not None and mix is None:
        raise Refused("--null: it is about the mix; name that with --mix")
    check_report(report, [*stems, *(each for each in (mix, rough) if each)], force)
    (against,) = load([profile])
    try:
        with measuring(1, "measuring") as progress:
            found = look(
                stems, against, mix=mix, rough=rough, null_db=null_db, layout=layout, threads=threads, progress=progress
            )
    except StemsError as error:
        raise Refused(*error.faults) from None
    except (AudioError, PairError) as error:
        raise Refused(str(error)) from None
    for stem in found.stems:
        if stem.error is not None:
            complain(f"{stem.path}: {stem.error}")
    if report is not None:
        from master_check.report.html import stems_page

        write_report(report, stems_page, found, checksums=checksums(found.stems))
    _print(found, as_json, as_csv)
    sys.exit(STATUS[found.result])


def _print(found: "Stems", as_json: bool, as_csv: bool) -> None:
    if as_json:
        from master_check.report import json
        from master_check.report.stems import stems_json

        click.echo(json.text(stems_json(found)))
    elif as_csv:
        from master_check.report import csv

        click.echo(csv.stems_text(found), nl=False)
    else:
        from master_check.report.stems import print_stems

        print_stems(console(), found)
