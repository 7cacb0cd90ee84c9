"""Results as CSV: a row a file, a column a quantity of the table, a column a profile.

Commas, and quotes where needed (RFC 4180), a header row; what cannot be had is empty.
"""

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from master_check.judgement.checked import Checked
from master_check.report.json import number
from master_check.tables.quantities import QUANTITIES, REHEARSAL_QUANTITIES, RULE_QUANTITIES, Value
from master_check.text import visible

if TYPE_CHECKING:  # what check does not use takes long to import
    from master_check.albums.album import Album
    from master_check.judgement.tags import TaggedFile
    from master_check.rehearsal.rehearse import Rehearsed
    from master_check.stem.sheet import Stems

Row = list[str | int | float]

_FORMULA: Final = re.compile(r"""(^|[,;|"'\t\r\n])(\s*)([=+\-@\uff1d\uff0b\uff0d\uff20])""")
"""Where a spreadsheet would see a formula begin, whichever separator it is told or guesses."""


def text(files: Sequence[Checked]) -> str:
    """What `check --csv` prints."""
    return _written(_rows(files))


def album_text(album: "Album") -> str:
    """What `album --csv` prints: a row a track as in `check --csv`, with its place in the album behind."""
    head, *rows = _rows(album.tracks)
    own = [[track.number or "", cell(track.offset_lu), track.sha256 or ""] for track in album.tracks]
    return _written(
        [[*head, "number", "offset_lu", "sha256"], *([*row, *more] for row, more in zip(rows, own, strict=True))]
    )


def tags_text(files: Sequence["TaggedFile"]) -> str:
    """What `tags --csv` prints: a row a statement; a file without any, or that could not be read, has one too."""
    rows: list[Row] = [["path", "name", "place", "value", "measured", "measure", "off_by", "result", "error"]]
    for file in files:
        path, error = _plain(file.checked.path), _plain(file.checked.error or "")
        if not file.fields:
            rows.append([path, "", "", "", "", "", "", file.checked.result, error])
        for each in file.fields:
            values = [cell(value) for value in (each.value, each.measured, each.measure, each.error)]
            rows.append([path, each.name, each.place, *values, each.result, error])
    return _written(rows)


def rehearsal_text(found: "Rehearsed") -> str:
    """What `rehearse --csv` prints: a row for each rehearsal."""
    keys = [*QUANTITIES, *REHEARSAL_QUANTITIES]
    head: Row = ["path", "profile", "name", "kind", "encoder", "kbps", "result", "safe_gain_db", *keys, "error"]
    rows: list[Row] = [head]
    for run in found.runs:
        values = run.values or {}
        rows.append(
            [
                _plain(found.master.path),
                run.profile,
                _plain(run.rehearsal.name),
                run.rehearsal.kind,
                _plain(run.encoder or ""),
                cell(run.rehearsal.kbps),
                run.result,
                cell(run.safe_gain_db),
                *(cell(values.get(key)) for key in keys),
                _plain(run.error or ""),
            ]
        )
    return _written(rows)


def stems_text(found: "Stems") -> str:
    """What `stems --csv` prints: a row for each stem, then one for each bus."""
    keys = list(RULE_QUANTITIES)
    mix = {stem.path: stem for stem in found.balance.mix.stems} if found.balance and found.balance.mix else {}
    rough = {each.path: each for each in found.balance.rough.stems} if found.balance and found.balance.rough else {}
    head: Row = ["kind", "path", "name", "group", "result", *keys]
    rows: list[Row] = [[*head, "mix_gain_db", "mix_delay_samples", "mix_inverted", "rough_difference_db", "error"]]
    for stem in found.stems:
        there, other = mix.get(stem.path), rough.get(stem.path)
        own = [
            cell(there.level.gain_db if there else None),
            cell(there.delay_samples if there and not there.missing else None),
            str(there.level.inverted).lower() if there and not there.missing else "",
            cell(other.difference_db if other else None),
        ]
        values = [cell(stem.values.get(key)) for key in keys]
        names = [_plain(stem.path), _plain(stem.name), _plain(stem.group or "")]
        rows.append(["stem", *names, stem.result, *values, *own, _plain(stem.error or "")])
    for bus in found.buses:
        values = [cell(bus.values.get(key)) for key in keys]
        name = _plain(bus.group or "all stems")
        rows.append(["bus", "", name, name, bus.result, *values, "", "", "", "", _plain(bus.error or "")])
    return _written(rows)


def _rows(files: Sequence[Checked]) -> list[Row]:
    profiles = list(dict.fromkeys(v.profile for file in files for v in file.verdicts))
    rows: list[Row] = [["path", "result", *profiles, *QUANTITIES, "error"]]
    for file in files:
        results = {v.profile: v.result for v in file.verdicts}
        values = file.measurement.values if file.measurement else {}
        rows.append(
            [
                _plain(file.path),
                file.result,
                *(results.get(name, "") for name in profiles),
                *(cell(values.get(key)) for key in QUANTITIES),
                _plain(file.error or ""),
            ]
        )
    return rows


def cell(value: Value) -> str | int | float:
    value = number(value)
    if value is None:
        return ""
    return _plain(value) if isinstance(value, str) else value


def _plain(text: str) -> str:
    """A name as UTF-8 can hold it, as no terminal will obey it and as no spreadsheet will take for a formula.

    The apostrophe tells spreadsheets that text follows (common practice).
    """
    return _FORMULA.sub(r"\1\2'\3", visible(text))


def _written(rows: Iterable[Row]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()
