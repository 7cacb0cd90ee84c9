"""A catalogue for the terminal, as JSON, and answers to SQL."""

import csv
import io
from collections.abc import Sequence
from typing import Any, cast

from rich.console import Console
from rich.text import Text

from master_check.catalogues.contents import Catalogued, CatalogueFile
from master_check.report import json_types as types
from master_check.report.csv import cell
from master_check.report.json import VERSION, rounded
from master_check.report.lines import columns, flow, indented, prose, show
from master_check.report.terminal import STYLES, verdict_word
from master_check.report.wording.catalogue import breaks, headline, rule, summary
from master_check.tables.quantities import QUANTITIES
from master_check.text import visible

_SHOWN = ("integrated_lufs", "true_peak_dbtp")


def catalogue_json(found: Catalogued) -> types.CatalogueResultsJson:
    """What `catalogue --json` prints."""
    told: types.CatalogueJson = {
        "path": found.path,
        "schema_version": found.schema_version,
        "files": found.files,
        "vanished": found.vanished,
        "passed": found.passed,
        "warned": found.warned,
        "failed": found.failed,
        "errors": found.errors,
        "audio_s": rounded(found.audio_s),
        "broken": [
            cast(types.BrokenRuleJson, {key: getattr(each, key) for key in types.BrokenRuleJson.__annotations__})
            for each in found.broken
        ],
        "worst": [_file_json(file) for file in found.worst],
        "measured": found.measured,
        "kept": found.kept,
        "judged_again": found.judged_again,
        "skipped_files": found.skipped,
        "unread_folders": [{"path": path, "error": error} for path, error in found.unread],
        "seconds": rounded(found.seconds),
    }
    return {"sendoff_json": VERSION, "catalogue": told, "result": found.result}


def _file_json(file: CatalogueFile) -> types.CatalogueFileJson:
    return {
        "path": file.path,
        "result": file.result,
        "error": file.error,
        "sha256": file.sha256,
        "measures": rounded(file.values),
        "checks": cast(list[types.CatalogueCheckJson], list(file.checks)),
    }


def print_catalogue(console: Console, found: Catalogued) -> None:
    """The verdict and how many files have it, what most files break, then the worst."""
    width = console.width - 2
    word = Text(headline(found).upper(), style=STYLES[found.result] if found.judged else "bold")
    show(console, flow([word, Text(visible(found.path), style="bold")], console.width, "  "))
    for line in summary(found):
        show(console, indented(prose(line, width), 2))
    if found.broken:
        console.print()
        show(console, [Text("  Most often broken", style="bold")])
        rows = [[visible(each.profile), rule(each), each.level, f"{each.files:,}"] for each in found.broken]
        show(console, indented(columns(("profile", "rule", "level", "files"), rows, width, names=3), 2))
    if found.worst:
        console.print()
        show(console, [Text("  The worst", style="bold")])
        for file in found.worst:
            values = [QUANTITIES[key].format(file.values[key]) for key in _SHOWN] if file.values else []
            head = flow([verdict_word(file.result), visible(file.path), *values], width, "  ")
            show(console, indented(head, 2))
            show(console, indented(prose(visible(breaks(file)), width - 2), 4))


def print_answer(console: Console, names: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """The answer to a question in SQL, as a table."""
    shown = [[visible("–" if value is None else str(value)) for value in row] for row in rows]
    show(console, columns([visible(name) for name in names], shown, console.width))


def answer_csv(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """The same as CSV."""
    out = io.StringIO()
    written = csv.writer(out, lineterminator="\n")
    written.writerow([cell(name) for name in names])
    written.writerows([cell(v if isinstance(v, int | float | None) else str(v)) for v in row] for row in rows)
    return out.getvalue()
