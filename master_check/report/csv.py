"""Results as CSV: a row a file, a column a quantity, a column a profile."""

import csv
import io
from collections.abc import Sequence

from master_check.judgement.checked import Checked
from master_check.report.json import number
from master_check.tables.quantities import QUANTITIES
from master_check.text import visible


def text(files: Sequence[Checked]) -> str:
    """CSV text (RFC 4180 quoting, a header row); what cannot be had is empty."""
    profiles = list(dict.fromkeys(v.profile for file in files for v in file.verdicts))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["path", "result", *profiles, *QUANTITIES, "error"])
    for file in files:
        results = {v.profile: v.result for v in file.verdicts}
        values = file.measurement.values if file.measurement else {}
        writer.writerow(
            [
                _plain(file.path),
                file.result,
                *(results.get(name, "") for name in profiles),
                *("" if values.get(key) is None else number(values[key]) for key in QUANTITIES),
                _plain(file.error or ""),
            ]
        )
    return out.getvalue()


def _plain(text: str) -> str:
    """A name as UTF-8 can hold it, as no terminal will obey it and as no spreadsheet will take for a formula."""
    safe = visible(text)
    return "'" + safe if safe.startswith(("=", "+", "-", "@", "\t", "\r")) else safe
