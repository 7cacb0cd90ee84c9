"""A catalogue made or brought up to date: what is there is kept, the rest is measured in batches on an executor."""

import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from master_check.catalogues.batches import BATCH_S, Batch, File, Opener, Pace, Request, Row, batches
from master_check.catalogues.contents import Catalogued, read_catalogue
from master_check.catalogues.errors import CatalogueError, library
from master_check.catalogues.executors import Cluster, Place, Threads
from master_check.catalogues.folder import Folder, key_of
from master_check.catalogues.found import Found, find
from master_check.catalogues.rows import error_row, judged_again
from master_check.judgement.checked import asks_origin, load_all
from master_check.judgement.profile import Profile
from master_check.measurement.one_pass import MEASUREMENT_VERSION
from master_check.tables.layouts import Layout
from master_check.tables.quantities import QUANTITIES

AHEAD: Final = 2
"""Batches that wait for each one that is measured: a million at once would fill a scheduler."""

WRITE_S: Final = 1.0
"""Rows are written together, at least so often."""


@dataclass
class CatalogueProgress:
    """How far a run is.

    Attributes
    ----------
    files, done : int
        To be measured in this run, and measured.
    audio_s : float
        Seconds of sound in those.
    errors : int
        How many of the done ones could not be measured.
    work_s, work_done_s : float
        What all of them will take, reckoned from their sizes, and what the done ones were reckoned to.
    elapsed_s : float
        Since the run began to measure.
    slots : int
        Batches that are measured at once; 0 while there is no worker.
    """

    files: int = 0
    done: int = 0
    audio_s: float = 0.0
    errors: int = 0
    work_s: float = 0.0
    work_done_s: float = 0.0
    elapsed_s: float = 0.0
    slots: int = 0

    @property
    def left_s(self) -> float | None:
        """About how much longer it takes; None before there is anything to tell by."""
        if not self.work_done_s:
            return None
        return self.elapsed_s * max(0.0, self.work_s / self.work_done_s - 1.0)


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is to be done with the files that were found, and with those that are in the catalogue."""

    measure: list[File] = field(default_factory=list)
    kept: int = 0
    judge: dict[Path, list[int]] = field(default_factory=dict)
    vanished: dict[Path, list[int]] = field(default_factory=dict)
    back: dict[Path, list[int]] = field(default_factory=dict)


def catalogue(
    places: str | Path | Sequence[str | Path],
    out: str | Path,
    profiles: str | Path | Profile | Sequence[str | Path | Profile] = (),
    *,
    layout: Layout | None = None,
    origin: bool = False,
    scheduler: str | None = None,
    map: Sequence[tuple[str, str]] = (),
    threads: int | None = None,
    time_limit_s: float | None = None,
    retry: bool = False,
    worst: int = 0,
    progress: Callable[[CatalogueProgress], Any] | None = None,
    opener: Opener | None = None,
    batch_s: float = BATCH_S,
) -> Catalogued:
    """Measure and judge all sound files under some folders, a row each, into a folder of Parquet files.

    Whatever stops it, it goes on when it is called again: files that are in the catalogue, and have not changed since,
    are not measured again. Where only the profiles changed, the figures that are there are judged again.

    Parameters
    ----------
    places : one or a sequence of str or path
        Folders, with all in them, and files.
    out : str or path
        The catalogue's folder; made where it is not there yet.
    profiles, layout, origin
        As in `check`.
    scheduler : str, optional
        Address of a Dask scheduler, such as tcp://scheduler:8786; this machine's cores where there is none.
    map : sequence of (str, str)
        How folders are called here, and where the work is done.
    threads : int, optional
        Files measured at once on this machine, one for each core by default.
    time_limit_s : float, optional
        A file that takes longer is given up; by default five minutes, and a second for each megabyte.
    retry : bool
        Measure those again that could not be measured before.
    worst : int
        How many of the worst files the result lists.
    progress : callable, optional
        Told a `CatalogueProgress` now and then.
    opener : callable, optional
        Gives a source of samples for a path in place of the file itself; importable on all workers.
    batch_s : float
        Seconds of work in a batch; changes no figure.

    Returns
    -------
    Catalogued
        What is in the catalogue now, and what this run did for it.

    Raises
    ------
    CatalogueError
        A place cannot be read, the catalogue cannot be written, the cluster is gone, or a library is missing.
    ProfileError
        A profile cannot be used.
    """
    loaded = tuple(load_all(profiles))
    request = Request(
        MEASUREMENT_VERSION,
        loaded,
        layout,
        origin or asks_origin(loaded),
        time_limit_s,
        tuple((str(here), str(there)) for here, there in map),
        opener,
    )
    folder = Folder(out)
    library("duckdb")  # the summary needs it: better to know before days of measuring
    found = find([places] if isinstance(places, str | Path) else places)
    began = time.monotonic()
    with folder.writing():
        plan = _planned(folder, found, request, retry)
        judged = _change(folder, plan.judge, lambda table: _judged(table, request))
        _change(folder, plan.vanished, lambda table: _with(table, {"state": ["vanished"] * len(table)}))
        _change(folder, plan.back, _back)
        if plan.measure:
            place = Cluster(scheduler) if scheduler else Threads(threads)
            try:
                _measure(plan.measure, request, place, folder.add, progress or (lambda _: None), batch_s)
            finally:
                place.close()
        folder.merge()
    return replace(
        read_catalogue(out, worst),
        measured=len(plan.measure),
        kept=plan.kept,
        judged_again=judged,
        skipped=found.skipped,
        unread=found.unread,
        seconds=time.monotonic() - began,
    )


def _planned(folder: Folder, found: Found, request: Request, retry: bool) -> _Plan:
    """What of the catalogue still holds, and what does not."""
    left = {key_of(file.path): file for file in found.files}
    plan = _Plan()
    columns = ("size_bytes", "modified_ns", "measuring", "judging", "state", "error")
    kept = 0
    measured_with, judged_with = request.measuring, request.judging
    for part, table, rows in folder.latest(columns):
        path, raw, _, *values = (column.to_pylist() for column in table.itercolumns())
        for row in rows:
            key = path[row] if raw[row] is None else raw[row]
            size, modified, measuring, judging, state, error = (column[row] for column in values)
            file = left.get(key)
            if file is None:
                gone = state != "vanished" and found.covers(path[row])
                plan.vanished.setdefault(part, []).extend([row] if gone else [])
                continue
            if (size, modified, measuring) != (file.size, file.modified_ns, measured_with):
                continue
            if error is not None and retry:
                continue
            del left[key]
            kept += 1
            if state == "vanished":
                plan.back.setdefault(part, []).append(row)
            elif error is None and judging != judged_with:
                plan.judge.setdefault(part, []).append(row)
    plan.measure.extend(left.values())
    return replace(plan, kept=kept)


def _change(folder: Folder, rows: dict[Path, list[int]], change: Callable[[Any], Any]) -> int:
    """Write rows anew with something in them changed; how many."""
    changed = 0
    for part, numbers in rows.items():
        if numbers:
            folder.add_table(change(folder.rows(part, numbers)))
            changed += len(numbers)
    return changed


def _with(table: Any, columns: dict[str, list[Any]]) -> Any:
    """A table with other values in some columns, recorded now."""
    pa = library("pyarrow")
    for name, values in (columns | {"recorded_at": [datetime.now(UTC)] * len(table)}).items():
        at = table.schema.get_field_index(name)
        kind = table.schema.field(at)
        table = table.set_column(at, kind, pa.array(values, kind.type))
    return table


def _judged(table: Any, request: Request) -> Any:
    """Figures held against other profiles."""
    values = table.select(list(QUANTITIES)).to_pylist()
    found = [judged_again(row, request.profiles) for row in values]
    columns = {name: [row[name] for row in found] for name in ("result", "checks")}
    return _with(table, columns | {"judging": [request.judging] * len(table)})


def _back(table: Any) -> Any:
    """Files that had vanished and are there again as they were."""
    errors = table.column("error").to_pylist()
    return _with(table, {"state": ["measured" if error is None else "error" for error in errors]})


def _measure(
    files: Sequence[File],
    request: Request,
    place: Place,
    write: Callable[[list[Row]], Any],
    progress: Callable[[CatalogueProgress], Any],
    batch_s: float,
) -> None:
    """Have all files measured.

    A batch that is lost with its worker again and again is halved until it is one file. That may still be an innocent
    one, which waited at the same worker each time; so it is measured at the end, with nothing else beside it.
    """
    pace = Pace()
    told = CatalogueProgress(len(files), work_s=sum(map(pace.seconds, files)))
    fresh = Pace()
    coming = batches(files, request, pace, batch_s)
    again: deque[Batch] = deque()
    alone: deque[Batch] = deque()
    running: dict[Future[list[Row]], Batch] = {}
    rows: list[Row] = []
    began = written = time.monotonic()
    while True:
        told.slots = place.slots()
        while len(running) < AHEAD * max(1, told.slots) + 1 and (
            batch := again.popleft() if again else next(coming, None)
        ):
            running[place.submit(batch)] = batch
        by_itself = not running and bool(alone)
        if by_itself:
            batch = alone.popleft()
            running[place.submit(batch)] = batch
        if not running:
            break
        done, _ = wait(running, timeout=WRITE_S, return_when=FIRST_COMPLETED)
        for future in done:
            batch = running.pop(future)
            try:
                made = _rows(future, batch, place, by_itself)
            except _LostError:
                (again if len(batch.files) > 1 else alone).extend(batch.halves())
                continue
            rows += made
            pace.learn(batch.files, sum(row["seconds"] for row in made))
            _tell(told, made, sum(map(fresh.seconds, batch.files)))
        if rows and (time.monotonic() - written >= WRITE_S or not running):
            write(rows)
            rows, written = [], time.monotonic()
        told.elapsed_s = time.monotonic() - began
        progress(told)
    if rows:
        write(rows)


class _LostError(Exception):
    """A batch was lost with its worker."""


def _rows(future: "Future[list[Row]]", batch: Batch, place: Place, by_itself: bool) -> list[Row]:
    """The rows of a batch.

    Raises
    ------
    CatalogueError
        Nothing more can be had of the place.
    _LostError
        It has to be measured again, in halves.
    """
    try:
        return future.result()
    except CatalogueError:
        raise
    except Exception as error:
        if (reason := place.lost()) is not None:
            raise CatalogueError(reason) from None
        if not by_itself:
            raise _LostError from None
        problem = f"its worker was lost each time ({type(error).__name__}: {' '.join(str(error).split())[:200]})"
        return [error_row(batch.files[0], batch.request, problem, 0.0)]


def _tell(told: CatalogueProgress, made: Iterable[Row], work_s: float) -> None:
    for row in made:
        told.done += 1
        told.errors += row["error"] is not None
        told.audio_s += row["duration_s"] or 0.0
    told.work_done_s += work_s
