"""Measurements kept between runs, in a small SQLite file in the user's cache folder.

A measurement is kept under what it was made from: the SHA-256 of the file's bytes, the layout asked for, and the
version of the measurement. So a renamed or copied file is recalled, a changed one is measured.

To be instant, a file's checksum is remembered too, under its path, device, inode, size and times of last change
(mtime and ctime, nanoseconds). That is safe enough: a program can set mtime back, but not ctime, which the system
moves at every write, rename over, or change of mtime; and a file that changed within `SETTLED_NS` before it was read
is not remembered, because two changes in one tick of the clock look like one. What is left is a clock set back to the
very nanosecond, and Windows, where ctime is the time of creation and a tool that rewrites a file in place at the same
size and puts its mtime back would go unseen; `fresh` looks at the file whatever is remembered.

The store never matters to a result. Whatever is wrong with it (garbage, another schema, a damaged record, a folder
that cannot be written, another run that holds the lock) costs the time of measuring again and nothing else.
"""

import hashlib
import json
import os
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import numpy as np
import platformdirs
import soundfile
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement, Series
from master_check.measurement.one_pass import MEASUREMENT_VERSION, measure_source
from master_check.measurement.stated import with_tags
from master_check.provenance.finding import OriginFinding
from master_check.sound.checksum import changed, sha256, state
from master_check.sound.file import AudioFile
from master_check.sound.format import AudioFormat
from master_check.sound.tags.read import read_tags
from master_check.sound.tags.tag import Tag, Tags
from master_check.tables.layouts import Layout
from master_check.tables.quantities import QUANTITIES

SETTLED_NS: Final = 2_000_000_000
"""A file must have been left alone for so long before its checksum is remembered; FAT keeps times to 2 s."""

LARGEST_BYTES: Final = 500_000_000
"""The measurements least lately used go once all together take more; a track of four minutes takes 0.6 MB."""

WAIT_S: Final = 5.0
"""How long to wait for another run that is writing, before going on without the store."""

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS files (path BLOB PRIMARY KEY, state TEXT NOT NULL, sha256 TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS records (
    key TEXT PRIMARY KEY, used REAL NOT NULL, size INTEGER NOT NULL, digest BLOB NOT NULL, content BLOB NOT NULL
);
"""
_PROBE: Final = (
    "SELECT path, state, sha256 FROM files LIMIT 0",
    "SELECT key, used, size, digest, content FROM records LIMIT 0",
)
# These say that the file is no store of ours, or a damaged one; anything else that its surroundings are to blame.
_BROKEN: Final = (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_SCHEMA)

_DAY_S: Final = 86_400.0


def folder() -> Path:
    """Where the store is: `SENDOFF_CACHE` where that is set, else the user's cache folder."""
    return Path(os.environ.get("SENDOFF_CACHE") or platformdirs.user_cache_dir("sendoff", appauthor=False))


def checksum(path: str | Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal, remembered while the file stays as it is.

    Raises
    ------
    AudioError
        It cannot be read.
    """
    with Store() as store:
        return store.checksum(path)


class Store:
    """The store, open; may be shared by threads. Without a usable file it simply remembers nothing.

    Parameters
    ----------
    place : path, optional
        The folder; `folder()` by default.
    largest : int
        Bytes that all measurements may take together.
    """

    def __init__(self, place: Path | None = None, largest: int = LARGEST_BYTES) -> None:
        self._path = (place or folder()) / "measurements.sqlite3"
        self._largest = largest
        self._lock = threading.Lock()
        self._db = _open(self._path)

    def __enter__(self) -> "Store":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        with self._lock, suppress(sqlite3.Error):
            if self._db is not None:
                self._db.close()
            self._db = None

    def measured(
        self,
        path: str | Path,
        layout: Layout | None = None,
        fresh: bool = False,
        progress: Callable[[float], Any] | None = None,
        origin: bool = False,
    ) -> Measurement:
        """Measure one file, or recall what was measured of it.

        Parameters
        ----------
        path : str or path
            Anything libsndfile reads.
        layout : Layout, optional
            What the channels are, where the file does not say or is wrong.
        fresh : bool
            Look at nothing that is remembered; remember the new measurement.
        progress : callable, optional
            Told the share of the file (0 to 1) measured since it was last told.
        origin : bool
            Also look for what earlier conversions and encodes have left.

        Returns
        -------
        Measurement
            Equal to what `measure` gives, arrays bit for bit; `path` is the path asked for.

        Raises
        ------
        AudioError
            The file cannot be measured, or changes while it is.
        """
        before = state(path)
        known = None if fresh else self._remembered(path, before)
        if known is None:
            # What is no sound file is turned away before all of it is read.
            with AudioFile(path, layout):
                pass
            known = self._hash(path, before)
        key = _key(known, layout, origin)
        recalled = None if fresh else _unpack(self._recall(key), str(path), known)
        if recalled is not None:
            if progress:
                progress(1.0)
            return recalled
        with AudioFile(path, layout) as file:
            tags = read_tags(path)
            measurement = with_tags(measure_source(file, progress=progress, origin=origin), tags)
        measurement = replace(measurement, sha256=known)
        if state(path) != before and sha256(path) != known:
            raise changed(path)
        self._keep(key, _pack(measurement))
        return measurement

    def keep(self, measurement: Measurement, layout: Layout | None = None, origin: bool = False) -> None:
        """Remember what was measured elsewhere, with the same `layout` and `origin`; nothing without a checksum."""
        if measurement.sha256 is not None:
            self._keep(_key(measurement.sha256, layout, origin), _pack(measurement))

    def checksum(self, path: str | Path) -> str:
        """SHA-256 of a file's bytes, hexadecimal, remembered while the file stays as it is.

        Raises
        ------
        AudioError
            It cannot be read.
        """
        now = state(path)
        return self._remembered(path, now) or self._hash(path, now)

    def _remembered(self, path: str | Path, now: str | None) -> str | None:
        found = self._ask("SELECT sha256 FROM files WHERE path = ? AND state = ?", (_name(path), now))
        return str(found[0][0]) if found else None

    def _hash(self, path: str | Path, before: str | None) -> str:
        started = time.time_ns()
        found = sha256(path)
        if before is not None and before == state(path) and _changed_ns(before) < started - SETTLED_NS:
            self._ask("INSERT OR REPLACE INTO files VALUES (?, ?, ?)", (_name(path), before, found))
        return found

    def derived(self, name: str, sha256s: tuple[str, ...], find: Callable[[], Any], fresh: bool = False) -> Any:
        """Something JSON can say that follows from files of these checksums: recalled, or found and kept."""
        key = " ".join([name, _version(), *sha256s])
        kept = None if fresh else self._recall(key)
        if kept is not None:
            with suppress(ValueError):
                return json.loads(kept)
        found = find()
        self._keep(key, json.dumps(found).encode())
        return found

    def _recall(self, key: str) -> bytes | None:
        found = self._ask("SELECT used, digest, content FROM records WHERE key = ?", (key,))
        if not found:
            return None
        used, digest, content = found[0]
        if not isinstance(content, bytes) or hashlib.sha256(content).digest() != digest:
            return None
        now = time.time()
        if not isinstance(used, float) or abs(now - used) > _DAY_S:
            self._ask("UPDATE records SET used = ? WHERE key = ?", (now, key))
        return content

    def _keep(self, key: str, content: bytes) -> None:
        if len(content) > self._largest // 2:
            return
        row = (key, time.time(), len(content), hashlib.sha256(content).digest(), content)
        self._ask("INSERT OR REPLACE INTO records VALUES (?, ?, ?, ?, ?)", row)
        taken = self._ask("SELECT sum(size) FROM records", ())
        if taken and taken[0][0] > self._largest:
            self._make_room()

    def _make_room(self) -> None:
        """Drop what was least lately used, down to three quarters, so that it is not to be done at every file."""
        left = self._largest * 3 // 4
        for key, size in self._ask("SELECT key, size FROM records ORDER BY used DESC", ()):
            left -= size
            if left < 0:
                self._ask("DELETE FROM records WHERE key = ?", (key,))
        # A checksum is cheap to find again, and most of these belong to files long gone.
        self._ask("DELETE FROM files", ())

    def _ask(self, statement: str, values: tuple[Any, ...]) -> list[Any]:
        """Run one statement by itself; an empty answer where the store cannot be used."""
        with self._lock:
            if self._db is None:
                return []
            try:
                return self._db.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                if _is_broken(error):
                    self._db.close()
                    self._db = _replace(self._path)
                return []


def _open(path: Path) -> sqlite3.Connection | None:
    """The store's file, made where there is none and replaced where it is broken; None where neither can be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    try:
        return _connect(path)
    except sqlite3.Error as error:
        return _replace(path) if _is_broken(error) else None


def _replace(path: Path) -> sqlite3.Connection | None:
    try:
        for part in ("", "-wal", "-shm", "-journal"):
            path.with_name(path.name + part).unlink(missing_ok=True)
        return _connect(path)
    except (sqlite3.Error, OSError):
        return None


def _connect(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
    try:
        # A loss at a power cut costs time only, so nothing waits for the disk.
        db.execute("PRAGMA synchronous = OFF")
        tables = db.execute("SELECT count(*) FROM sqlite_master WHERE name IN ('files', 'records')").fetchone()
        if tables[0] < 2:
            # Readers and a writer do not wait for each other then; where the disk cannot do it, they take turns.
            db.execute("PRAGMA journal_mode = WAL")
            db.executescript(_SCHEMA)
        for statement in _PROBE:
            db.execute(statement)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _is_broken(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _BROKEN


def _name(path: str | Path) -> bytes:
    return os.fsencode(Path(path).absolute())


def _changed_ns(moment: str) -> int:
    return max(int(time) for time in moment.split()[:2])


def _version() -> str:
    """Another version of the decoder may decode lossy files to other samples."""
    return f"{MEASUREMENT_VERSION}/{soundfile.__libsndfile_version__}"


def _key(sha256: str, layout: Layout | None, origin: bool) -> str:
    labels = ",".join(layout.labels) if layout else ""
    return f"measurement {_version()} {sha256} {labels}{' origin' if origin else ''}"


_SERIES: Final = ("energy", "tops", "bands")
"""The arrays of a measurement."""


def _pack(measurement: Measurement) -> bytes:
    """JSON in one line, then the arrays' bytes one after another."""
    arrays = {name: np.ascontiguousarray(getattr(measurement.series, name)) for name in _SERIES}
    head = {
        "format": asdict(measurement.format),
        "values": measurement.values,
        "at_s": measurement.at_s,
        "places_s": measurement.places_s,
        "channels": measurement.channels,
        "notes": measurement.notes,
        "tags": asdict(measurement.tags),
        "origin": None if measurement.origin is None else [asdict(finding) for finding in measurement.origin],
        "rate": measurement.series.rate,
        "rows": measurement.series.rows,
        "arrays": {name: [array.dtype.str, array.shape] for name, array in arrays.items()},
    }
    text = json.dumps(head, default=lambda number: number.item()).encode()
    return b"\n".join([text, b"".join(array.tobytes() for array in arrays.values())])


def _unpack(content: bytes | None, path: str, sha256: str) -> Measurement | None:
    """The measurement in a record; None where there is none, or one that this program would not write."""
    if content is None:
        return None
    try:
        text, _, data = content.partition(b"\n")
        head = json.loads(text)
        if head["values"].keys() != QUANTITIES.keys() or tuple(head["arrays"]) != _SERIES:
            return None
        layout = head["format"]["layout"]
        layout = Layout(layout["name"], tuple(layout["labels"])) if layout else None
        arrays: dict[str, NDArray[Any]] = {}
        at = 0
        for name, (kind, shape) in head["arrays"].items():
            dtype, count = np.dtype(kind), int(np.prod(shape))
            arrays[name] = np.frombuffer(data, dtype, count, at).reshape(shape).copy()
            at += count * dtype.itemsize
        return Measurement(
            path,
            AudioFormat(**head["format"] | {"layout": layout}),
            head["values"],
            head["at_s"],
            tuple(head["channels"]),
            tuple(head["notes"]),
            Series(head["rate"], tuple(head["rows"]), **arrays),
            sha256,
            Tags(tuple(Tag(**tag) for tag in head["tags"]["all"]), tuple(head["tags"]["notes"])),
            None if head["origin"] is None else tuple(OriginFinding(**finding) for finding in head["origin"]),
            {key: tuple(found) for key, found in head["places_s"].items()},
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
