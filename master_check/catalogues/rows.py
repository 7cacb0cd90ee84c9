"""A file's row in the catalogue: what `check` finds, as plain values."""

import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from master_check import __version__
from master_check.catalogues.batches import File, Request, Row
from master_check.catalogues.columns import COLUMNS
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Verdict, judge, judge_values, worst
from master_check.measurement.measurement import Measurement
from master_check.tables.quantities import QUANTITIES, Value

_WHOLE: Final = frozenset(column.name for column in COLUMNS if column.type == "int64")


def named(path: str) -> tuple[str, bytes | None]:
    """A file's name as UTF-8 can hold it, and its bytes where they are something else."""
    raw = os.fsencode(path)
    try:
        return raw.decode("utf-8"), None
    except UnicodeDecodeError:
        return raw.decode("utf-8", "backslashreplace"), raw


def measured_row(file: File, request: Request, measurement: Measurement, seconds: float) -> Row:
    """The row of a file that could be measured."""
    verdicts = [judge(measurement, profile) for profile in request.profiles]
    return _row(file, request, seconds) | {
        "state": "measured",
        "sha256": measurement.sha256,
        **judged(verdicts),
        "notes": list(measurement.notes),
        "labels": list(measurement.format.labels),
        "floating": measurement.format.floating,
        **{key: _plain(key, measurement.values[key]) for key in QUANTITIES},
    }


def error_row(file: File, request: Request, error: str, seconds: float) -> Row:
    """The row of a file that could not."""
    return _row(file, request, seconds) | {"state": "error", "error": error, "result": "error"}


def judged_again(values: Mapping[str, Value], profiles: Iterable[Profile]) -> dict[str, Any]:
    """Result and checks of a row that has been measured, from its figures."""
    return judged([judge_values(values, profile) for profile in profiles])


def judged(verdicts: Sequence[Verdict]) -> dict[str, Any]:
    """What verdicts say, as the columns `result` and `checks`."""
    return {
        "result": worst(verdict.result for verdict in verdicts),
        "checks": [
            {
                "profile": verdict.profile,
                "result": verdict.result,
                "broken": [
                    {"measure": f.measure, "limit": f.wanted, "level": f.level, "result": f.result}
                    for f in verdict.broken()
                ],
            }
            for verdict in verdicts
        ],
    }


def _row(file: File, request: Request, seconds: float) -> Row:
    path, raw = named(file.path)
    return dict.fromkeys(column.name for column in COLUMNS) | {
        "path": path,
        "path_bytes": raw,
        "size_bytes": file.size,
        "modified_ns": file.modified_ns,
        "seconds": seconds,
        "recorded_at": datetime.now(UTC),
        "sendoff_version": __version__,
        "measurement_version": request.version,
        "measuring": request.measuring,
        "judging": request.judging,
    }


def _plain(key: str, value: Value) -> Value:
    """As Python's own number; what is counted as a whole one."""
    if value is None or isinstance(value, str):
        return value
    return int(value) if key in _WHOLE else float(value)
