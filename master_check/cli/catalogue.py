"""`sendoff catalogue`: a whole archive measured and judged, into a folder of Parquet files."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from master_check.cli.common import (
    PATH,
    STATUS,
    Refused,
    complain,
    console,
    layout_option,
    load,
    origin_option,
    profiles_option,
    within,
)

if TYPE_CHECKING:
    from master_check.catalogues.contents import Catalogued
    from master_check.catalogues.run import CatalogueProgress
    from master_check.tables.layouts import Layout


def _pairs(context: click.Context, parameter: click.Parameter, given: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    pairs = [text.partition("=") for text in given]
    for here, sign, there in pairs:
        if not (here.startswith("/") or ":" in here) or not sign or not there:
            raise click.BadParameter(
                f"{here}{sign}{there} is not two absolute folders with = between them.", context, parameter
            )
    return tuple((here, there) for here, _, there in pairs)


@click.command()
@click.argument("places", metavar="[FOLDER|FILE...]", nargs=-1, type=PATH)
@click.option("--out", type=PATH, required=True, metavar="OUT.parquet", help="Folder that holds the catalogue.")
@profiles_option
@layout_option
@origin_option
@click.option("--scheduler", metavar="ADDRESS", help="Measure on a Dask cluster: the address of its scheduler.")
@click.option(
    "--map", "pairs", multiple=True, callback=_pairs, metavar="HERE=THERE",
    help="A folder's name here, and on the cluster's workers. Can be given several times.",
)  # fmt: skip
@click.option(
    "--time-limit", type=float, callback=within(0.0, 1e6), metavar="SECONDS",
    help="Give up on a file after this; unless given, after 5 minutes and a second for each megabyte.",
)  # fmt: skip
@click.option("--retry", is_flag=True, help="Measure those again that could not be measured before.")
@click.option("--worst", type=click.IntRange(0, 1_000_000), default=0, metavar="N", help="List the N worst files.")
@click.option("--sql", metavar="QUERY", help="Answer a query on the table `catalogue`, which has a row for each file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print the answer to --sql as CSV.")
@click.option(
    "--threads", type=click.IntRange(1, 256),
    help="Files to measure at the same time here; one for each core unless given.",
)  # fmt: skip
def catalogue(
    places: tuple[Path, ...],
    out: Path,
    profiles: tuple[str, ...],
    layout: "Layout | None",
    origin: bool,
    scheduler: str | None,
    pairs: tuple[tuple[str, str], ...],
    time_limit: float | None,
    retry: bool,
    worst: int,
    sql: str | None,
    as_json: bool,
    as_csv: bool,
    threads: int | None,
) -> None:
    """Measure and judge a whole archive.

    Takes all sound files in FOLDERs, however deep, and writes a row for each into Parquet files in OUT.parquet: every
    figure, the result for each profile, what broke, format and checksum. It can be stopped at any time, and goes on
    when it is called again: what has not changed is not measured again, and where only profiles changed, the figures
    are judged again. Without a FOLDER it shows what is in the catalogue.

    \b
    Examples:
      sendoff catalogue masters/ --out vault.parquet -p streaming
      sendoff catalogue --out vault.parquet --worst 50
    """
    from master_check.catalogues.contents import query_catalogue, read_catalogue
    from master_check.catalogues.errors import CatalogueError
    from master_check.report import catalogue as shown

    _refuse_what_does_not_go_together(places, profiles, sql, as_json, as_csv)
    loaded = load(profiles)
    try:
        if sql is not None:
            names, rows = query_catalogue(out, sql)
            if as_csv:
                click.echo(shown.answer_csv(names, rows), nl=False)
            else:
                shown.print_answer(console(), names, rows)
            return
        if places:
            from master_check.catalogues.executors import quiet
            from master_check.catalogues.run import catalogue as make

            if scheduler is not None:
                quiet()
            with _telling() as progress:
                found = make(
                    places, out, loaded, layout=layout, origin=origin, scheduler=scheduler, map=pairs,
                    threads=threads, time_limit_s=time_limit, retry=retry, worst=worst, progress=progress,
                )  # fmt: skip
        else:
            found = read_catalogue(out, worst)
    except CatalogueError as error:
        raise Refused(str(error)) from None
    _complain(found)
    if as_json:
        from master_check.report import json

        click.echo(json.text(shown.catalogue_json(found)))
    else:
        shown.print_catalogue(console(), found)
    sys.exit(STATUS[found.result])


def _refuse_what_does_not_go_together(
    places: tuple[Path, ...], profiles: tuple[str, ...], sql: str | None, as_json: bool, as_csv: bool
) -> None:
    if sql is not None and (places or as_json):
        raise Refused("--sql: goes with --out and --csv only")
    if as_csv and sql is None:
        raise Refused("--csv: goes with --sql only; a catalogue is a folder of Parquet files")
    if profiles and not places:
        raise Refused("-p: name the folders too; without any, the catalogue is only read")


def _complain(found: "Catalogued") -> None:
    from master_check.report.wording.catalogue import more_problems

    for path, error in [*found.unread, *found.problems]:
        complain(f"{path}: {error}")
    if found.errors > len(found.problems):
        complain(more_problems(found.errors - len(found.problems)))


@contextmanager
def _telling() -> "Iterator[Callable[[CatalogueProgress], Any]]":
    """A bar on standard error while there is a terminal: files, hours of sound a second, the time left."""
    from master_check.report.wording.catalogue import NO_WORKER, pace

    if not sys.stderr.isatty():
        said: set[str] = set()

        def say(told: "CatalogueProgress") -> None:
            if told.slots == 0 and NO_WORKER not in said:
                said.add(NO_WORKER)
                complain(NO_WORKER)

        yield say
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[pace]}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None, pace="")
        yield lambda told: bar.update(task, completed=told.done, total=told.files, pace=pace(told))
