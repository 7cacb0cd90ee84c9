"""What is in a catalogue: how many files of each result, what breaks most often, the worst files; and SQL."""

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from master_check.catalogues.columns import SCHEMA_VERSION
from master_check.catalogues.errors import CatalogueError, library
from master_check.catalogues.folder import Folder
from master_check.judgement.verdict import Overall, worst
from master_check.tables.quantities import QUANTITIES

MOST_BROKEN: Final = 10
"""Rules that are named, those that most files break."""

MOST_PROBLEMS: Final = 20
"""Files that could not be measured, of which each is named; the others are counted."""

_LATEST: Final = """
CREATE VIEW catalogue AS
SELECT * FROM read_parquet([{parts}])
QUALIFY row_number() OVER (PARTITION BY coalesce(path_bytes, encode(path)) ORDER BY recorded_at DESC) = 1
"""
_COUNTS: Final = """
SELECT
    count(*) FILTER (state = 'vanished'), count(*) FILTER (state != 'vanished'),
    count(*) FILTER (state != 'vanished' AND result = 'pass'),
    count(*) FILTER (state != 'vanished' AND result = 'warn'),
    count(*) FILTER (state != 'vanished' AND result = 'fail'), count(*) FILTER (state = 'error'),
    coalesce(sum(duration_s) FILTER (state = 'measured'), 0), bool_or(len(checks) > 0) FILTER (state = 'measured')
FROM catalogue
"""
_BROKEN: Final = """
SELECT c.profile, b.measure, b.limit, b.level, count(DISTINCT path) AS files
FROM (SELECT path, unnest(checks) AS c FROM catalogue WHERE state = 'measured'), unnest(c.broken) AS u(b)
GROUP BY ALL ORDER BY files DESC, c.profile, b.measure, b.limit LIMIT ?
"""
_PROBLEMS: Final = "SELECT path, error FROM catalogue WHERE state = 'error' ORDER BY path LIMIT ?"
_WORST: Final = """
SELECT * EXCLUDE (must, should) FROM (
    SELECT *,
        len(list_filter(flatten(list_transform(checks, lambda c: c.broken)), lambda b: b.result = 'fail')) AS must,
        len(list_filter(flatten(list_transform(checks, lambda c: c.broken)), lambda b: b.result = 'warn')) AS should
    FROM catalogue WHERE state != 'vanished'
)
ORDER BY list_position(['error', 'fail', 'warn', 'pass'], result), must DESC, should DESC,
    true_peak_dbtp DESC NULLS LAST, path
LIMIT ?
"""


@dataclass(frozen=True, slots=True)
class BrokenRule:
    """A rule, and how many files break it."""

    profile: str
    measure: str
    limit: str
    level: str
    files: int


@dataclass(frozen=True, slots=True)
class CatalogueFile:
    """A file in a catalogue.

    Attributes
    ----------
    path, result, error, sha256
        As in `Checked`.
    values : dict
        Every key of the table of quantities.
    checks : tuple of dict
        For each profile: profile, result, and broken: measure, limit, level and result of every broken rule.
    """

    path: str
    result: Overall
    error: str | None
    sha256: str | None
    values: dict[str, Any]
    checks: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Catalogued:
    """What is in a catalogue, and what a run did for it.

    Attributes
    ----------
    path : str
        The catalogue's folder.
    files : int
        In it, without those that vanished.
    vanished : int
        Files that are gone; their last figures are kept.
    passed, warned, failed, errors : int
        How many files of each result; an error is what kept a file from being measured.
    audio_s : float
        Seconds of sound in those that were measured.
    judged : bool
        Whether any was held against a profile.
    broken : tuple of BrokenRule
        What most files break.
    problems : tuple of (str, str)
        The first files that could not be measured, and why.
    worst : tuple of CatalogueFile
        As many of the worst as were asked for, the worst first.
    measured, kept, judged_again : int or None
        Files measured by this run, files that were there already, and those of them held against other profiles; None
        where there was no run.
    skipped : int or None
        Other files in the folders.
    unread : tuple of (str, str)
        Folders that could not be looked into, and why.
    seconds : float or None
        How long the run took.
    """

    path: str
    files: int
    vanished: int
    passed: int
    warned: int
    failed: int
    errors: int
    audio_s: float
    judged: bool
    broken: tuple[BrokenRule, ...]
    problems: tuple[tuple[str, str], ...] = ()
    worst: tuple[CatalogueFile, ...] = ()
    measured: int | None = None
    kept: int | None = None
    judged_again: int | None = None
    skipped: int | None = None
    unread: tuple[tuple[str, str], ...] = ()
    seconds: float | None = None

    @property
    def schema_version(self) -> int:
        return SCHEMA_VERSION

    @property
    def result(self) -> Overall:
        """The worst of all files'."""
        counts = {
            "pass": self.passed,
            "warn": self.warned,
            "fail": self.failed,
            "error": self.errors + len(self.unread),
        }
        return worst(result for result, files in counts.items() if files)


def read_catalogue(out: str | Path, worst: int = 0) -> Catalogued:
    """What is in a catalogue.

    Parameters
    ----------
    out : str or path
        Its folder.
    worst : int
        How many of the worst files to list.

    Raises
    ------
    CatalogueError
        There is none, it cannot be read, or a library is missing.
    """
    with _opened(out) as db:
        vanished, files, passed, warned, failed, errors, audio_s, judged = db.execute(_COUNTS).fetchone()
        broken = tuple(BrokenRule(*row) for row in db.execute(_BROKEN, [MOST_BROKEN]).fetchall())
        problems = tuple(db.execute(_PROBLEMS, [MOST_PROBLEMS]).fetchall())
        listed = _rows(db.execute(_WORST, [worst])) if worst else []
    return Catalogued(
        str(out),
        files,
        vanished,
        passed,
        warned,
        failed,
        errors,
        audio_s,
        bool(judged),
        broken,
        problems,
        tuple(_file(row) for row in listed),
    )


def query_catalogue(out: str | Path, sql: str) -> tuple[list[str], list[tuple[Any, ...]]]:
    """The answer to a question in SQL (DuckDB's) about the table `catalogue`, which has a row for each file.

    Returns
    -------
    names : list of str
    rows : list of tuples

    Raises
    ------
    CatalogueError
        The question is wrong, or there is no catalogue.
    """
    duckdb = library("duckdb")
    with _opened(out) as db:
        try:
            found = db.execute(sql)
            return [column[0] for column in found.description or ()], found.fetchall()
        except duckdb.Error as error:
            raise CatalogueError(f"--sql: {' '.join(str(error).split())}") from None


def _opened(out: str | Path) -> Any:
    """A database with the catalogue as its table; to be closed."""
    duckdb = library("duckdb")
    parts = Folder(out).parts()
    if not parts:
        raise CatalogueError(f"{out}: no catalogue there; make one with sendoff catalogue FOLDER --out {out}")
    db = duckdb.connect(config={"autoinstall_known_extensions": "false"})
    names = ", ".join("'" + os.fspath(part).replace("'", "''") + "'" for part in parts)
    try:
        db.execute(_LATEST.format(parts=names))
    except duckdb.Error as error:
        with suppress(duckdb.Error):
            db.close()
        raise CatalogueError(f"{out}: cannot be read ({' '.join(str(error).split())[:200]})") from None
    return db


def _rows(found: Any) -> list[dict[str, Any]]:
    names = [column[0] for column in found.description]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _file(row: dict[str, Any]) -> CatalogueFile:
    values = {key: row[key] for key in QUANTITIES} if row["error"] is None else {}
    return CatalogueFile(row["path"], row["result"], row["error"], row["sha256"], values, tuple(row["checks"] or ()))
