"""The `bext` chunk of a Broadcast WAV (EBU Tech 3285, version 2; offsets from memory, checked with `wavinfo`)."""

import struct
from collections.abc import Iterator
from typing import Final

from master_check.sound.tags.tag import LONGEST, Tag, decoded, stated

FIXED: Final = 602
"""Bytes before the coding history."""

MOST: Final = FIXED + 4 * LONGEST

_TEXTS: Final = (
    ("description", 0, 256),
    ("originator", 256, 32),
    ("originator_reference", 288, 32),
    ("origination_date", 320, 10),
    ("origination_time", 330, 8),
)
_TIME_REFERENCE: Final = 338
_VERSION: Final = 346
_UMID: Final = slice(348, 412)
_LOUDNESS: Final = 412
_LOUDNESS_NAMES: Final = (
    "loudness_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "momentary_max_lufs",
    "short_term_max_lufs",
)
_OUTSIDE: Final = 9999
"""Values beyond this, 0x7FFF above all, are not set."""


def parse(chunk: bytes) -> Iterator[Tag]:
    """What a chunk states; of one that is cut short, what is there. Empty texts, and what is not set, are left out."""
    for name, at, size in _TEXTS:
        tag = stated(name, "bext", decoded(chunk[at : at + size]))
        if tag.value:
            yield tag
    if len(chunk) < FIXED:
        return
    (time_reference,) = struct.unpack_from("<Q", chunk, _TIME_REFERENCE)
    (version,) = struct.unpack_from("<H", chunk, _VERSION)
    yield Tag("time_reference_samples", "bext", time_reference)
    if any(chunk[_UMID]) and version >= 1:
        yield Tag("umid", "bext", chunk[_UMID].hex().rstrip("0"))
    if version >= 2:
        yield from _loudness(chunk)
    history = decoded(chunk[FIXED:]).strip()[:LONGEST]
    if history:
        yield Tag("coding_history", "bext", history)


def _loudness(chunk: bytes) -> Iterator[Tag]:
    values = struct.unpack_from("<5h", chunk, _LOUDNESS)
    if not any(values):  # all zero: a writer of version 2 that measured nothing
        return
    for name, value in zip(_LOUDNESS_NAMES, values, strict=True):
        if abs(value) <= _OUTSIDE:
            yield Tag(name, "bext", value / 100.0)
