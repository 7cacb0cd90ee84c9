"""The columns of a catalogue: each once, with its type and what it is; those of the table of quantities among them."""

from dataclasses import dataclass
from typing import Any, Final

from master_check.catalogues.errors import library
from master_check.tables.quantities import QUANTITIES, Quantity

SCHEMA_VERSION: Final = 1
"""Raised when a column changes its meaning or type."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
    type : str
        string, binary, bool, int64, double, time (UTC, microseconds), strings (a list) or checks.
    meaning : str
        One line.
    """

    name: str
    type: str
    meaning: str


def _of(quantity: Quantity) -> Column:
    counted = quantity.decimals == 0 and (quantity.unit not in ("Hz", "dB") or quantity.key.endswith("rate_hz"))
    kind = "string" if quantity.text else "int64" if counted and quantity.key != "codec_trace" else "double"
    unit = f" ({quantity.unit})" if quantity.unit else ""
    return Column(quantity.key, kind, f"{quantity.title}{unit}. {quantity.meaning}")


_FILE: Final = (
    Column("path", "string", "Where the file is; a byte of its name that is not UTF-8 reads \\xff."),
    Column("path_bytes", "binary", "The name's bytes where they are not UTF-8."),
    Column("size_bytes", "int64", "The file's size when it was found."),
    Column("modified_ns", "int64", "When the file had last changed, nanoseconds since 1970."),
    Column("state", "string", "measured; error; or vanished: the file is gone, and these are its last figures."),
    Column("error", "string", "What kept the file from being measured."),
    Column("sha256", "string", "Of the bytes that were measured, hexadecimal."),
    Column("result", "string", "pass, warn, fail or error: the worst of all checks."),
    Column(
        "checks",
        "checks",
        "For each profile its name, the result, and the rules that are broken: measure, limit, level and result.",
    ),
    Column("notes", "strings", "What the reader of the figures has to know."),
    Column("labels", "strings", "What each channel is: its loudspeaker, or its number."),
    Column("floating", "bool", "Samples are floating-point numbers."),
)
_WORK: Final = (
    Column("seconds", "double", "How long the measuring took."),
    Column("recorded_at", "time", "When this row was written; of several rows of a file the latest counts."),
    Column("sendoff_version", "string", "Version of sendoff that measured."),
    Column("measurement_version", "int64", "Raised whenever the same file would measure differently."),
    Column("measuring", "string", "What the figures depend on beside the file."),
    Column("judging", "string", "Checksum of the rules that the checks were made with."),
)

COLUMNS: Final = (*_FILE, *map(_of, QUANTITIES.values()), *_WORK)


def schema() -> Any:
    """The pyarrow schema of every part, with the meaning of each column and the schema's version in its metadata."""
    pa = library("pyarrow")
    rule = [(name, pa.string()) for name in ("measure", "limit", "level", "result")]
    check = [("profile", pa.string()), ("result", pa.string()), ("broken", pa.list_(pa.struct(rule)))]
    types = {
        "string": pa.string(),
        "binary": pa.binary(),
        "bool": pa.bool_(),
        "int64": pa.int64(),
        "double": pa.float64(),
        "time": pa.timestamp("us", "UTC"),
        "strings": pa.list_(pa.string()),
        "checks": pa.list_(pa.struct(check)),
    }
    fields = [pa.field(c.name, types[c.type], metadata={"description": c.meaning}) for c in COLUMNS]
    return pa.schema(fields, metadata={"sendoff_catalogue": str(SCHEMA_VERSION)})
