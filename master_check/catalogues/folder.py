"""A catalogue on the disk: a folder of Parquet files, to which parts are added and which are merged now and then.

A part is written beside its place, synced and renamed, so it is whole or not there; its name follows from what it
holds. Nothing is ever changed in a part. A file that is measured again, or is gone, gets another row, and its latest
row counts. Merging leaves one row a file, in few parts: the new ones are there before the old ones go, so that
whatever stops it leaves rows twice at worst, and never none.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any, Final

from master_check.catalogues.batches import Row
from master_check.catalogues.columns import SCHEMA_VERSION, schema
from master_check.catalogues.errors import CatalogueError, library
from master_check.output import OutputError, sync, write_whole

ROWS: Final = 20_000
"""Rows in a part that is merged no further."""

MOST_PARTS: Final = 200
"""Small parts that are left before they are merged."""

_LOCK: Final = ".sendoff.lock"


class Folder:
    """The parts of a catalogue.

    Parameters
    ----------
    path : path
        A folder; need not be there yet.

    Raises
    ------
    CatalogueError
        It is something else than a catalogue, cannot be read, or a library is missing.
    """

    def __init__(self, path: str | Path) -> None:
        self._pa = library("pyarrow")
        self._pq = library("pyarrow.parquet")
        self.path = Path(path)
        self.schema = schema()
        self._small = 0
        try:
            if not self.path.exists():
                return
            if not self.path.is_dir():
                raise CatalogueError(f"{path}: is not a folder; name a folder, which will hold Parquet files")
            strangers = [p.name for p in self.path.iterdir() if p.suffix != ".parquet" and p.name[0] != "."]
        except OSError as error:
            raise CatalogueError(f"{path}: cannot be read ({error.strerror or error})") from None
        if strangers:
            raise CatalogueError(f"{path}: is no catalogue: it holds {sorted(strangers)[0]}; name another folder")
        for part in self.parts()[:1]:
            self._version(part)

    def _version(self, part: Path) -> None:
        found = (self._opened(part).schema_arrow.metadata or {}).get(b"sendoff_catalogue")
        if found is None:
            raise CatalogueError(f"{self.path}: is no catalogue: {part.name} is not of sendoff; name another folder")
        if found != str(SCHEMA_VERSION).encode():
            raise CatalogueError(
                f"{self.path}: of another version of sendoff (schema {found.decode()}, here {SCHEMA_VERSION}); "
                "name another folder"
            )

    def parts(self) -> list[Path]:
        """All that are there, by name."""
        return sorted(p for p in self.path.glob("*.parquet") if p.name[0] != ".") if self.path.is_dir() else []

    def _opened(self, part: Path) -> Any:
        try:
            return self._pq.ParquetFile(part)
        except (self._pa.ArrowException, OSError) as error:
            raise self._damaged(part, error) from None

    def _damaged(self, part: Path, error: Exception) -> CatalogueError:
        reason = " ".join(str(error).split())[:200]
        return CatalogueError(f"{part}: damaged ({reason}); delete it and run again, which measures its files again")

    def read(self, part: Path, columns: Sequence[str] | None = None) -> Any:
        """A part as a pyarrow table.

        Raises
        ------
        CatalogueError
            It is damaged.
        """
        try:
            with self._opened(part) as file:
                return file.read(columns)
        except (self._pa.ArrowException, OSError) as error:
            raise self._damaged(part, error) from None

    def rows(self, part: Path, numbers: Sequence[int]) -> Any:
        """Some rows of a part as a table. Raises what `read` raises."""
        return self.read(part).take(self._pa.array(numbers, self._pa.int64()))

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Makes the folder where it is not there; nobody else may write into it meanwhile.

        Raises
        ------
        CatalogueError
            It cannot be made, or another run writes into it.
        """
        try:
            self.path.mkdir(exist_ok=True)
            lock = (self.path / _LOCK).open("ab")
        except FileNotFoundError:
            raise CatalogueError(f"{self.path}: there is no folder {self.path.parent}") from None
        except OSError as error:
            raise CatalogueError(f"{self.path}: cannot be written ({error.strerror or error})") from None
        with lock:
            if not _locked(lock.fileno()):
                raise CatalogueError(f"{self.path}: another run is writing into it; wait for it, or stop it")
            for half in self.path.glob(".sendoff.*.part"):  # of a run that was killed
                with suppress(OSError):
                    half.unlink()
            yield

    def add(self, rows: Sequence[Row]) -> None:
        """Write rows as a new part.

        Raises
        ------
        CatalogueError
            The folder cannot be written.
        """
        if rows:
            self.add_table(self._pa.Table.from_pylist(list(rows), schema=self.schema))
            self._small += 1
            if self._small >= MOST_PARTS:
                self.merge()

    def add_table(self, table: Any) -> Path:
        """Write a table of these columns as a new part; where it is."""
        names = ("path", "size_bytes", "modified_ns", "measuring", "judging", "state", "recorded_at")
        content = sha256(repr([table.column(name).to_pylist() for name in names]).encode()).hexdigest()
        part = self.path / f"{content[:24]}.parquet"
        written = BytesIO()
        self._pq.write_table(table, written, compression="zstd")
        try:
            write_whole(part, written.getvalue())
            sync(self.path)
        except OutputError as error:
            raise CatalogueError(str(error)) from None
        return part

    def latest(self, columns: Sequence[str] = ()) -> Iterator[tuple[Path, Any, list[int]]]:
        """Each part with these columns, and which of its rows count: the latest of every file."""
        wanted = list(dict.fromkeys(("path", "path_bytes", "recorded_at", *columns)))
        tables = [(part, self.read(part, wanted)) for part in self.parts()]
        newest: dict[str | bytes, tuple[Any, int, int]] = {}
        for number, (_, table) in enumerate(tables):
            at = table.column("recorded_at").cast(self._pa.int64()).to_pylist()
            for row, (key, time) in enumerate(zip(_keys(table), at, strict=True)):
                if key not in newest or time >= newest[key][0]:
                    newest[key] = (time, number, row)
        kept: list[list[int]] = [[] for _ in tables]
        for _, number, row in newest.values():
            kept[number].append(row)
        for (part, table), rows in zip(tables, kept, strict=True):
            yield part, table, sorted(rows)

    def merge(self) -> None:
        """Leave one row a file, in parts of `ROWS` rows."""
        self._small = 0
        old = [(part, rows) for part, table, rows in self.latest() if len(rows) < len(table) or len(rows) < ROWS // 2]
        if len(old) == 1 and len(old[0][1]) == self.read(old[0][0], ["path"]).num_rows:
            return
        waiting: list[Any] = []
        done: list[Path] = []
        for place, (part, rows) in enumerate(old):
            waiting.append(self.rows(part, rows))
            done.append(part)
            if sum(map(len, waiting)) >= ROWS or place == len(old) - 1:
                table = self._pa.concat_tables(waiting).combine_chunks()
                new = self.add_table(table) if len(table) else None
                for each in done:
                    if each != new:
                        with suppress(OSError):  # then its rows are there twice, and the latest counts
                            each.unlink()
                waiting, done = [], []


def _keys(table: Any) -> Iterator[str | bytes]:
    """What tells files apart: their names, in bytes where these are no text."""
    names, raw = (table.column(name).to_pylist() for name in ("path", "path_bytes"))
    return (name if other is None else other for name, other in zip(names, raw, strict=True))


def _locked(number: int) -> bool:
    """Whether this process alone may write; where the system has no such locks, it may."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a network's disk that knows no locks
        return True
    return True


def key_of(path: str) -> str | bytes:
    """What `latest` tells a file by."""
    raw = os.fsencode(path)
    with suppress(UnicodeDecodeError):
        return raw.decode("utf-8")
    return raw
