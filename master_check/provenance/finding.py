"""What can be found about a file's origin: questions, and what came of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from master_check.tables.quantities import Value

Kind = Literal["word_length", "sample_rate", "encode", "bandwidth", "channels"]
Result = Literal["found", "nothing", "undecided"]
Confidence = Literal["certain", "likely"]
Reason = Literal["quiet", "short", "dark", "converted", "lossy_file"]

KINDS: Final[tuple[Kind, ...]] = ("word_length", "sample_rate", "encode", "bandwidth", "channels")

ORIGIN_KEYS: Final = (
    "source_bits",
    "source_gain_db",
    "source_rate_hz",
    "source_codec",
    "codec_trace",
    "spectrum_end_hz",
    "spectrum_drop_db",
    "source_channels",
)
"""The quantities that are had only where the origin is asked for."""


@dataclass(frozen=True, slots=True)
class OriginFinding:
    """One question about a file's origin, and what came of it.

    Attributes
    ----------
    kind : str
        word_length, sample_rate, encode, bandwidth or channels.
    result : str
        found; nothing (which proves nothing); or undecided.
    confidence : str or None
        Of what was found: certain, or likely.
    reason : str or None
        Why it is undecided: the file is too quiet, too short or too dark, was converted to another sample rate, or is
        a lossy file itself.
    values : dict
        The figures behind it; keys end in their unit.
    """

    kind: Kind
    result: Result
    confidence: Confidence | None = None
    reason: Reason | None = None
    values: Mapping[str, Value] = field(default_factory=dict)
