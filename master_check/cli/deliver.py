"""`sendoff deliver`: the file that each place takes, written, proved and listed."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    from master_check.delivery.delivered import Delivered
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("master", type=PATH, required=False)
@profiles_option
@click.option("--to", type=PATH, metavar="FOLDER", help="Where the files go; made where it is not there.")
@click.option(
    "--trim",
    is_flag=True,
    help="Turn down what would exceed full scale or the profile's limits, by as little as it takes.",
)
@click.option("--verify", type=PATH, metavar="FOLDER", help="Hold a delivered folder against its list instead.")
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@report_options
@click.option(
    "--threads",
    type=click.IntRange(1, 256),
    help="Pieces to convert at the same time; one for each core unless given.",
)
def deliver(
    master: Path | None,
    profiles: tuple[str, ...],
    to: Path | None,
    trim: bool,
    verify: Path | None,
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
    threads: int | None,
) -> None:
    """Write the file that each place takes.

    For each profile, writes what its [deliver] table asks for: sample rate, word length (TPDF dither where bits are
    lost), container, silence, file name, metadata. MASTER is never made louder or limited, nothing is overwritten.
    What was written is measured and judged again, compared with the master, and listed with checksums.

    \b
    Examples:
      sendoff deliver master.wav -p cd -p streaming --to out/
      sendoff deliver --verify out/
    """
    if verify is not None:
        if master is not None or profiles or to is not None or trim or report is not None:
            raise Refused("--verify: goes with --json only")
        _verify(verify, as_json)
        return
    if master is None:
        raise Refused("no master given: name the file to deliver, or --verify and a folder")
    if not profiles:
        raise Refused("no profile given: its [deliver] says what to write; name one with -p")
    if to is None:
        raise Refused("no folder given: name one with --to")
    check_report(report, [master], force)
    loaded = load(profiles)
    found = _made(master, loaded, to, trim, layout, threads)
    if report is not None:
        from master_check.report.html import delivery_page

        write_report(report, delivery_page, found, loaded, checksums=checksums([found.master, *found.files]))
    _print(found, as_json)
    sys.exit(STATUS[found.result])


def _made(master: Path, loaded: Any, to: Path, trim: bool, layout: "Layout | None", threads: int | None) -> "Delivered":
    from master_check.delivery.deliver import deliver as make
    from master_check.delivery.order import DeliveryError
    from master_check.output import OutputError
    from master_check.sound.format import AudioError

    try:
        with measuring(1, "delivering") as progress:
            return make(master, loaded, to, trim=trim, layout=layout, threads=threads, progress=progress)
    except (AudioError, DeliveryError, OutputError) as error:
        raise Refused(str(error)) from None


def _print(found: "Delivered", as_json: bool) -> None:
    from master_check.report import delivery

    if as_json:
        from master_check.report import json

        click.echo(json.text(delivery.delivery_json(found)))
    else:
        delivery.print_delivery(console(), found)


def _verify(folder: Path, as_json: bool) -> None:
    from master_check.delivery.manifest import verify
    from master_check.delivery.order import DeliveryError
    from master_check.report import delivery

    try:
        found = verify(folder)
    except DeliveryError as error:
        raise Refused(str(error)) from None
    told = delivery.verification_json(found)
    if as_json:
        from master_check.report import json

        click.echo(json.text(told))
    else:
        delivery.print_verification(console(), found)
    sys.exit(STATUS[told["result"]])
