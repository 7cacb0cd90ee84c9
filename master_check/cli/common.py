"""What commands share: options, profiles, progress, reports, one-line errors."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from master_check import __version__

if TYPE_CHECKING:
    from master_check.judgement.checked import Checked
    from master_check.judgement.profile import Profile
    from master_check.tables.layouts import Layout


class FilePath(click.Path):
    """A file's name. Whether it can be read shows when it is opened, so that each file gets its own line."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not os.fspath(value):
            self.fail("the name is empty.", param, ctx)
        return super().convert(value, param, ctx)


class ReportPath(FilePath):
    """Where a page goes."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if os.fspath(value) == "-":
            self.fail("a report cannot go to standard output; give a file name.", param, ctx)
        return super().convert(value, param, ctx)


def within(low: float, high: float) -> Callable[[click.Context, click.Parameter, float | None], float | None]:
    """For an option that takes a number above `low` and at most `high`; NaN is neither."""

    def checked(context: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
        if value is not None and not low < value <= high:
            raise click.BadParameter(f"{value:g} is not above {low:g} and at most {high:g}.", context, parameter)
        return value

    return checked


PATH = FilePath()

LONGEST = 2000
"""Characters of a line on standard error; a path has hardly ever more."""

STATUS = {"pass": 0, "warn": 0, "fail": 1, "error": 2}


class Refused(click.ClickException):
    """A wrong command line, or something that cannot be done: lines on standard error, exit status 2."""

    exit_code = 2

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines  # kept apart: a file's name may hold a line feed

    def show(self, file: Any = None) -> None:
        for line in self.lines:
            complain(line)


def complain(line: str) -> None:
    """One line on standard error, with nothing in it that a terminal would obey."""
    from master_check.text import visible

    text = visible(line)
    if len(text) > LONGEST:  # what is wrong stands at the end
        text = f"{text[: LONGEST // 2]} ... {text[-LONGEST // 2 :]}"
    with suppress(OSError):
        click.echo(f"sendoff: {text}", err=True)


def profiles_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "-p", "--profile", "profiles", multiple=True, metavar="NAME",
        help="Delivery profile: a name from `sendoff profiles list`, or a TOML file. Can be given several times.",
    )(command)  # fmt: skip


def load(names: Sequence[str]) -> "list[Profile]":
    from master_check.judgement.profile import ProfileError
    from master_check.judgement.profile_files import load_profile

    loaded: list[Profile] = []
    faults: list[str] = []
    for name in dict.fromkeys(names):
        try:
            loaded.append(load_profile(name))
        except ProfileError as error:
            faults += error.lines
    if faults:
        raise Refused(*faults)
    return loaded


def _layout(context: click.Context, parameter: click.Parameter, text: str | None) -> "Layout | None":
    from master_check.tables import layouts

    try:
        return None if text is None else layouts.parse(text)
    except ValueError as error:
        raise Refused(f"--layout: {error}") from None


def layout_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--layout", callback=_layout, metavar="NAME",
        help="Loudspeaker layout, if the file gives none or a wrong one: 5.1, or L,R,C,LFE,Ls,Rs.",
    )(command)  # fmt: skip


def origin_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--origin", is_flag=True,
        help="Also look for what earlier conversions and encodes have left. Takes some seconds a file.",
    )(command)  # fmt: skip


def threads_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--threads", type=click.IntRange(1, 256),
        help="Files to measure at the same time; one for each core unless given.",
    )(command)  # fmt: skip


def report_options(command: Callable[..., Any]) -> Callable[..., Any]:
    report = click.option("--report", type=ReportPath(), metavar="OUT.html", help="Also write an HTML report.")
    force = click.option("--force", is_flag=True, help="Overwrite the report if it exists.")
    return report(force(command))


def check_report(report: Path | None, inputs: Sequence[Path], force: bool) -> None:
    """Refuse a report that cannot be written, before anything is measured."""
    if report is None:
        return
    from master_check.output import OutputError, check_target

    try:
        check_target(report, inputs, force)
    except OutputError as error:
        raise Refused(f"--report {error}") from None


def write_report(report: Path, page: Callable[..., str], *arguments: Any, **options: Any) -> None:
    """Write a page of report/html.py, with the version, date and selftest that stand behind its figures."""
    from datetime import datetime

    from master_check.output import OutputError, write_whole
    from master_check.selftest.run import remembered

    now = datetime.now().astimezone()
    with telling("writing the report", 1) as progress:
        text = page(*arguments, version=__version__, date=now, selftest=remembered(), progress=progress, **options)
    try:
        write_whole(report, text)
    except OutputError as error:
        raise Refused(f"--report {error}") from None


def checksums(files: "Sequence[Checked]") -> dict[str, str]:
    """SHA-256 by path, of the bytes that were measured."""
    return {f.path: f.measurement.sha256 for f in files if f.measurement is not None and f.measurement.sha256}


@contextmanager
def measuring(files: int, what: str = "measuring") -> "Iterator[Callable[[float], None]]":
    """Compiles first where nothing is compiled yet; then as `telling`, shares of a file."""
    _compile()
    with telling(what, files) as progress:
        yield progress


@contextmanager
def telling(what: str, total: float) -> "Iterator[Callable[[float], None]]":
    """A progress bar on standard error while there is a terminal; what it yields is to be told shares of the total."""
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn(what),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=total)
        yield lambda share: progress.advance(task, share)


def _compile() -> None:
    """On the first run after an installation, which would otherwise take longer."""
    from master_check.measurement import first_run

    if not first_run.needed():
        return
    if sys.stderr.isatty():
        click.echo("compiling for this machine, once", err=True)
    with suppress(OSError):
        first_run.compile_kernels()


def console() -> Any:
    """Standard output: as wide as the terminal (or as COLUMNS says); a file or a pipe has 160 columns and no colour."""
    from rich.console import Console

    class Output(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError  # for `main` to see; rich would end with the exit status of a broken rule

    width = 0
    with suppress(ValueError):
        width = int(os.environ.get("COLUMNS", 0))
    with suppress(OSError):
        width = width or os.get_terminal_size(sys.stdout.fileno()).columns
    return Output(highlight=False, emoji=False, markup=False, width=max(width, 20) if width else 160)
