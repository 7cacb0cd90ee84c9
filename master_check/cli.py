"""The `sendoff` command: parse, call, print. Nothing is computed here, and nothing heavy is imported before it is used.

Exit status: 0, nothing a `must` rule forbids; 1, a `must` rule failed; 2, something could not be read or was asked
wrongly. Data goes to standard output, progress and errors to standard error.
"""

import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from master_check import __version__

if TYPE_CHECKING:
    from collections.abc import Iterator

    from master_check.layouts import Layout
    from master_check.profile import Profile
    from master_check.report.json import Checked

# click would refuse the whole call for one file that cannot be read; here each file gets its own line.
PATH = click.Path(path_type=Path, readable=False)

STATUS = {"pass": 0, "warn": 0, "fail": 1, "error": 2}


class Refused(click.ClickException):
    """Asked wrongly, or not to be had: lines on standard error, exit status 2."""

    exit_code = 2

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines  # kept apart: a file's name may hold a line feed

    def show(self, file: Any = None) -> None:
        for line in self.lines:
            complain(line)


def complain(line: str) -> None:
    """One line on standard error, with nothing in it that a terminal would obey."""
    from master_check.report.visible import visible

    with suppress(OSError):
        click.echo(f"sendoff: {visible(line)}", err=True)


def _profiles_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "-p", "--profile", "profiles", multiple=True, metavar="NAME",
        help="Delivery profile, by name or path to a TOML file; repeatable. `sendoff profiles list` shows them.",
    )(command)  # fmt: skip


def _load(names: Sequence[str]) -> "list[Profile]":
    from master_check.profile import ProfileError, load_profile

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
    from master_check import layouts

    try:
        return None if text is None else layouts.parse(text)
    except ValueError as error:
        raise Refused(f"--layout: {error}") from None


def _layout_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--layout", callback=_layout, metavar="NAME", help="Loudspeakers of the channels: 5.1, or L,R,C,LFE,Ls,Rs."
    )(command)


def _threads_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--threads", type=click.IntRange(1, 256), help="Files measured at once; as many as there are cores."
    )(command)


def _report_options(command: Callable[..., Any]) -> Callable[..., Any]:
    report = click.option("--report", type=PATH, metavar="OUT.html", help="Write a page for the client too.")
    force = click.option("--force", is_flag=True, help="Replace a report that is there.")
    return report(force(command))


def _check_report(report: Path | None, inputs: Sequence[Path], force: bool) -> None:
    """Refuse a report that could not be written before anything is measured for it."""
    if report is None:
        return
    import logging

    from master_check.output import OutputError, check_target

    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # its advice on folders is not for the engineer
    try:
        check_target(report, inputs, force)
    except OutputError as error:
        raise Refused(f"--report {error}") from None


def _write_report(report: Path, page: Callable[..., str], *arguments: Any, **options: Any) -> None:
    """Write a page of report/html.py, with what says where its figures come from."""
    from datetime import datetime

    from master_check.output import OutputError, write_whole
    from master_check.selftest import remembered

    now = datetime.now().astimezone()
    text = page(*arguments, version=__version__, date=now, selftest=remembered(), **options)
    try:
        write_whole(report, text)
    except OutputError as error:
        raise Refused(f"--report {error}") from None


def _checksums(files: "Sequence[Checked]") -> dict[str, str]:
    from master_check.audio import AudioError
    from master_check.store import checksum

    found = {}
    for file in files:
        if file.measurement is not None:
            with suppress(AudioError):
                found[file.path] = checksum(file.path)
    return found


@contextmanager
def _measuring(files: int) -> "Iterator[Callable[[float], None]]":
    """Compiles first where nothing is compiled yet; then, while there is a terminal, a progress bar on standard error.

    What it yields is to be told shares of a file.
    """
    _compile()
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("measuring"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("", total=files)
        yield lambda share: progress.advance(task, share)


def _compile() -> None:
    """On the first run after an installation, which would otherwise take longer."""
    from master_check import first_run

    if not first_run.needed():
        return
    if sys.stderr.isatty():
        click.echo("compiling for this machine, once", err=True)
    with suppress(OSError):
        first_run.compile_kernels()


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sendoff")
def cli() -> None:
    """The last check before a record leaves the room.

    Measures premasters and masters, holds them against delivery profiles, and plans the limiter.
    Input files are only ever read.
    """


@cli.command()
@click.argument("files", nargs=-1, required=True, type=PATH)
@_profiles_option
@_layout_option
@click.option("--all", "everything", is_flag=True, help="Show the rules that are met too.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text: a row a file.")
@_report_options
@_threads_option
def check(
    files: tuple[Path, ...],
    profiles: tuple[str, ...],
    layout: "Layout | None",
    everything: bool,
    as_json: bool,
    as_csv: bool,
    threads: int | None,
    report: Path | None,
    force: bool,
) -> None:
    """Measure FILES and judge them against delivery profiles.

    \b
    Examples:
      sendoff check master.wav -p streaming -p cd
      sendoff check *.wav -p broadcast-r128 --csv > figures.csv
    """
    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    _check_report(report, files, force)
    loaded = _load(profiles)
    with _measuring(len(files)) as progress:
        checked = _check_all(files, loaded, layout, threads or os.cpu_count() or 1, progress)
    for file in checked:
        if file.error is not None:
            complain(f"{file.path}: {file.error}")
    if report is not None:
        from master_check.report.html import check_page

        _write_report(report, check_page, checked, loaded, checksums=_checksums(checked))
    _print(checked, as_json, as_csv, everything)
    from master_check.verdict import worst

    sys.exit(STATUS[worst(file.result for file in checked)])


def _check_all(
    files: Sequence[Path],
    profiles: "list[Profile]",
    layout: "Layout | None",
    threads: int,
    progress: Callable[[float], None],
) -> "list[Checked]":
    from concurrent.futures import ThreadPoolExecutor

    from master_check.audio import AudioError
    from master_check.measure import measure
    from master_check.report.json import Checked
    from master_check.verdict import judge

    def one(path: Path) -> Checked:
        try:
            measurement = measure(path, layout, ahead=len(files) < threads, progress=progress)
        except AudioError as error:
            return Checked(str(path), error=error.problem)
        return Checked(str(path), measurement, tuple(judge(measurement, profile) for profile in profiles))

    with ThreadPoolExecutor(min(threads, len(files))) as pool:
        return list(pool.map(one, files))


def _print(checked: "list[Checked]", as_json: bool, as_csv: bool, everything: bool) -> None:
    if as_json:
        from master_check.report import json

        click.echo(json.text(json.results_json(checked)))
    elif as_csv:
        from master_check.report import csv

        click.echo(csv.text(checked), nl=False)
    else:
        from master_check.report import text

        console = _console()
        text.print_checked(console, checked, everything)
        if len(checked) > 1:
            text.print_summary(console, checked)


def _console() -> Any:
    """Standard output; a file or a pipe gets no colour and lines as long as they need."""
    from rich.console import Console

    class Output(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError  # for `main` to see; rich would end with the exit status of a broken rule

    width = 160
    with suppress(OSError):
        width = os.get_terminal_size(sys.stdout.fileno()).columns or width
    return Output(highlight=False, emoji=False, markup=False, width=width)


@cli.command()
@click.argument("places", metavar="FOLDER|FILE...", nargs=-1, required=True, type=PATH)
@_profiles_option
@click.option("--order", type=PATH, help="Text file with one file name a line: the sequence.")
@click.option("--versions", metavar="REGEX", help="What marks an alternate version in a file's name.")
@_layout_option
@click.option("--worst-first", is_flag=True, help="List the tracks by verdict instead of in sequence.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of text: a row a track.")
@click.option("--fresh", is_flag=True, help="Measure everything anew, remembered or not.")
@_report_options
@_threads_option
def album(
    places: tuple[Path, ...],
    profiles: tuple[str, ...],
    order: Path | None,
    versions: str | None,
    layout: "Layout | None",
    worst_first: bool,
    as_json: bool,
    as_csv: bool,
    fresh: bool,
    threads: int | None,
    report: Path | None,
    force: bool,
) -> None:
    """Verify the masters of an album: each as `check` does, then the sequence and what does not go together.

    Tracks come from a FOLDER in natural order (2 before 10), or from FILEs in the order given. What was measured
    before, and has not changed, is remembered.

    \b
    Examples:
      sendoff album masters/ -p streaming -p cd
      sendoff album masters/ -p cd --order sequence.txt --worst-first
    """
    from master_check.album import album as verify
    from master_check.report import album as shown
    from master_check.report import json
    from master_check.tracks import VERSIONS, AlbumError, find_tracks, read_order

    if as_json and as_csv:
        raise Refused("--json and --csv: choose one")
    loaded = _load(profiles)
    pattern = VERSIONS if versions is None else versions
    try:
        tracks = find_tracks(places)
        if order is not None:
            tracks = read_order(order, tracks, pattern)
        _check_report(report, tracks.paths, force)
        with _measuring(1) as progress:
            found = verify(
                tracks.paths,
                loaded,
                layout=layout,
                fresh=fresh,
                workers=threads,
                versions=pattern,
                progress=progress,
            )
    except AlbumError as error:
        raise Refused(*error.faults) from None
    for track in found.tracks:
        if track.error is not None:
            complain(f"{track.path}: {track.error}")
    if report is not None:
        from master_check.report.html import album_page

        title = places[0].resolve().name if len(places) == 1 else ""
        _write_report(report, album_page, found, loaded, title=title)
    if as_json:
        click.echo(json.text(shown.album_json(found, tracks.skipped)))
    elif as_csv:
        click.echo(shown.album_csv(found), nl=False)
    else:
        shown.print_album(_console(), found, tracks.skipped, worst_first)
    sys.exit(STATUS[found.result])


@cli.command()
@click.argument("premaster", type=click.Path(path_type=Path))
@click.argument("master", type=click.Path(path_type=Path))
@_profiles_option
@_layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@_report_options
def compare(
    premaster: Path,
    master: Path,
    profiles: tuple[str, ...],
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
) -> None:
    """What mastering did to PREMASTER to make MASTER, and how hot each side got.

    Aligns the two by itself (offset, polarity, gain, sample rate), and says so when they do not belong together. With
    -p the master is judged as `check` does.

    \b
    Example:
      sendoff compare mix.wav master.wav -p streaming
    """
    from master_check.audio import AudioError
    from master_check.pair.align import PairError
    from master_check.pair.compare import compare as tell
    from master_check.report.json import Checked, comparison_json, text
    from master_check.verdict import judge

    _check_report(report, [premaster, master], force)
    loaded = _load(profiles)
    try:
        with _measuring(2) as progress:
            found = tell(premaster, master, layout, progress)
    except AudioError as error:
        raise Refused(str(error)) from None
    except PairError as error:
        raise Refused(f"{premaster}, {master}: {error}") from None
    before = Checked(str(premaster), found.premaster)
    after = Checked(str(master), found.master, tuple(judge(found.master, profile) for profile in loaded))
    if report is not None:
        from master_check.report.html import compare_page

        _write_report(report, compare_page, found, after.verdicts, loaded, checksums=_checksums([before, after]))
    if as_json:
        click.echo(text(comparison_json(before, after, found)))
    else:
        from master_check.report.text import print_comparison

        print_comparison(_console(), before, after, found)
    sys.exit(STATUS[after.result])


@cli.command()
@click.argument("premaster", type=PATH)
@click.option("-p", "--profile", "profile_name", required=True, metavar="NAME", help="The delivery to plan for.")
@click.option("--target", type=float, metavar="LUFS", help="Loudness to reach, in place of the profile's.")
@click.option("--look-ahead", type=float, metavar="MS", help="Of the simulated limiter; 2 ms.")
@click.option("--release", type=float, metavar="MS", help="Of the simulated limiter; 80 ms.")
@_report_options
@_layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def plan(
    premaster: Path,
    profile_name: str,
    target: float | None,
    look_ahead: float | None,
    release: float | None,
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
) -> None:
    """What the limiter must do to PREMASTER: ceiling and gain, found by simulating one.

    Says first whether the premaster is fit to be mastered. The exit status is 1 where it is not.

    \b
    Example:
      sendoff plan mix.wav -p streaming
      sendoff plan mix.wav -p cd --target -11
    """
    from master_check.audio import AudioError, AudioFile
    from master_check.measure import measure
    from master_check.plan import plan as solve
    from master_check.report.json import Checked, plan_json, text
    from master_check.verdict import judge

    _check_report(report, [premaster], force)
    profile, fitness = _load([profile_name, "premaster"]) if profile_name != "premaster" else _load(["premaster"]) * 2
    try:
        with _measuring(1) as progress:
            measurement = measure(premaster, layout, ahead=True, progress=progress)
        with AudioFile(premaster, layout) as file:
            frames = file.read_all()
    except AudioError as error:
        raise Refused(str(error)) from None
    limiter = {"look_ahead_ms": look_ahead, "release_ms": release}
    try:
        found = solve(
            frames,
            measurement.format.rate,
            measurement.format.layout.weights,
            profile.target_lufs() if target is None else target,
            profile.highest_peak_db(),
            playback_lufs=profile.profile.playback_lufs,
            max_gain_reduction_db=profile.profile.max_gain_reduction_db,
            **{key: value for key, value in limiter.items() if value is not None},
        )
    except ValueError as error:
        raise Refused(f"{premaster}: {error}") from None
    checked = Checked(str(premaster), measurement, (judge(measurement, fitness),))
    if report is not None:
        from master_check.report.html import plan_page

        _write_report(report, plan_page, checked, profile, found, checksums=_checksums([checked]))
    if as_json:
        click.echo(text(plan_json(checked, profile, found)))
    else:
        from master_check.report.text import print_plan

        print_plan(_console(), checked, profile, found)
    sys.exit(STATUS[checked.result])


@cli.group()
def profiles() -> None:
    """The delivery profiles: list, show, copy, lint."""


@profiles.command("list")
def list_profiles() -> None:
    """Every profile that can be named, and where it is."""
    from rich.table import Table

    from master_check.profile import ProfileError, available, load_profile
    from master_check.report.visible import visible

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for column in ("name", "for", "file"):
        table.add_column(column, overflow="fold")
    for name, path in available().items():
        try:
            title = load_profile(path).profile.title
        except ProfileError as error:
            title = f"not usable: {len(error.faults)} faults, see `sendoff profiles lint {name}`"
        table.add_row(visible(name), visible(title), visible(str(path)))
    _console().print(table)


@profiles.command()
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def show(name: str, as_json: bool) -> None:
    """The rules of profile NAME, those it takes from others included."""
    from master_check.report import profiles as report

    (profile,) = _load([name])
    if as_json:
        click.echo(profile.model_dump_json(indent=2, exclude_none=True))
    else:
        report.print_profile(_console(), profile)


@profiles.command()
@click.argument("name")
@click.argument("new_name", required=False)
@click.option(
    "--here", is_flag=True, help="Into ./profiles of the working folder instead of your configuration folder."
)
@click.option("--force", is_flag=True, help="Replace a file that is there.")
def copy(name: str, new_name: str | None, here: bool, force: bool) -> None:
    """Copy profile NAME to edit it, as NEW_NAME if given. A copy of the same name is used in place of the original."""
    from master_check.output import OutputError, check_target, write_whole
    from master_check.profile import ProfileError, copied, find, user_folder

    folder = Path("profiles") if here else user_folder()
    new_name = new_name or Path(name).stem
    target = folder / f"{new_name}.toml"
    try:
        text = copied(find(name), new_name)
        folder.mkdir(parents=True, exist_ok=True)
        check_target(target, [find(name)], force)
        write_whole(target, text)
    except ProfileError as error:
        raise Refused(*error.lines) from None
    except OutputError as error:
        raise Refused(str(error)) from None
    except OSError as error:
        raise Refused(f"{target}: cannot be written ({error.strerror})") from None
    click.echo(str(target))


@profiles.command()
@click.argument("names", nargs=-1, required=True)
def lint(names: tuple[str, ...]) -> None:
    """Find everything wrong with profiles, given by name or path. Exit status 2 where there is something."""
    for profile in _load(names):
        click.echo(f"{profile.name}: {len(profile.rule)} rules, {len(profile.album_rule)} album rules, no faults")


@cli.command()
def quantities() -> None:
    """The catalogue: every measured quantity, its key for profiles and scripts, and what it means."""
    from master_check.report import profiles as report

    report.print_catalogue(_console())


@cli.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quick", is_flag=True, help="At 48 kHz only, not at 44.1 and 96 kHz too.")
def selftest(as_json: bool, quick: bool) -> None:
    """The published test signals, written as files and measured by this very installation.

    EBU Tech 3341 and 3342, ITU-R BS.1770, and a second meter. The exit status is 1 where one is missed.
    """
    from master_check import selftest as tests
    from master_check.report import json
    from master_check.report import selftest as report
    from master_check.standards import RATES

    try:
        with _measuring(1) as progress:
            outcomes = list(tests.run((48_000,) if quick else RATES, progress))
    except OSError as error:
        raise Refused(f"the temporary folder cannot be written ({error.strerror or error})") from None
    tests.remember(report.summary(outcomes))
    if as_json:
        click.echo(json.text(report.outcomes_json(outcomes)))
    else:
        report.print_outcomes(_console(), outcomes)
    sys.exit(0 if all(outcome.passed for outcome in outcomes) else 1)


@cli.command()
@click.argument("what", type=click.Choice(["results", "profile"]))
def schema(what: str) -> None:
    """JSON Schema of the RESULTS that --json prints, or of a PROFILE for your editor."""
    from master_check.profile import Profile
    from master_check.report import json

    click.echo(json.text(json.schema() if what == "results" else Profile.model_json_schema()))


def main() -> None:
    """Entry point of the `sendoff` command."""
    _prepare_streams()
    out, status = sys.stdout, _run()
    if sys.stdout is not out:  # click's way of saying that nobody reads any more; its status is that of a broken rule
        status = 2
    for stream in (out, sys.stderr):
        try:
            stream.flush()
        except OSError:  # what is still buffered would fail once more when the interpreter ends
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(status)


def _run() -> int:
    """The exit status. Whatever stops the command is a line on standard error."""
    try:
        status = cli(prog_name="sendoff", standalone_mode=False)
        sys.stdout.flush()
        return status or 0
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 2
    except Refused as error:
        error.show()
    except click.UsageError as error:
        if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):
            error.show()
        else:
            command = error.ctx.command_path if error.ctx else "sendoff"
            complain(f"{error.format_message()} See {command} --help.")
    except (click.Abort, KeyboardInterrupt):
        complain("stopped")
        return 130
    except BrokenPipeError:
        pass
    except OSError as error:
        complain(f"{error.filename or 'standard output'}: {error.strerror or error}")
    except MemoryError:
        complain("not enough memory")
    except RuntimeError as error:
        if "thread" not in str(error):
            raise
        complain("the system gives no more threads, or not enough memory for them; ask for fewer with --threads")
    return 2


def _prepare_streams() -> None:
    """Standard streams that are there, take any text, and hear nothing from C libraries."""
    for fd in (0, 1, 2):
        try:
            os.fstat(fd)
        except OSError:  # closed by the caller: the next file opened must not take its place
            os.open(os.devnull, os.O_RDWR)
    if sys.stdout is None:
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    _mute_decoders()


def _mute_decoders() -> None:
    """Keep C libraries off the standard streams: what they find wrong comes back as an error of ours."""
    if os.name != "posix":
        return
    for name, fd, buffering in (("stdout", 1, -1), ("stderr", 2, 1)):
        stream = getattr(sys, name)
        with suppress(OSError):
            if stream.fileno() != fd:
                continue
            stream.flush()
            own = os.fdopen(os.dup(fd), "w", buffering, encoding=stream.encoding, errors="backslashreplace")
            os.dup2(os.open(os.devnull, os.O_WRONLY), fd)
            setattr(sys, name, own)
