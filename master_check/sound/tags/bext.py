"""The `bext` chunk of a Broadcast WAV (EBU Tech 3285, version 2; offsets from memory, checked with `wavinfo`)."""

import struct
from collections.abc import Iterator, Mapping
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
_VERSION_2: Final = 2
_UNSET: Final = 0x7FFF
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


def packed(texts: Mapping[str, str], numbers: Mapping[str, float | int | None]) -> bytes:
    """A chunk's content, of version 2.

    Parameters
    ----------
    texts : mapping
        `description`, `originator` and so on, and `coding_history`, by name; what does not fit is cut.
    numbers : mapping
        `time_reference_samples`, and the loudness fields; what is missing or None is not set.
    """
    fields = [_cut(texts.get(name, ""), size).ljust(size, b"\0") for name, _, size in _TEXTS]
    time_reference = min(max(int(numbers.get("time_reference_samples") or 0), 0), 2**64 - 1)
    loudness = [_hundredths(numbers.get(name)) for name in _LOUDNESS_NAMES]
    fixed = b"".join(fields) + struct.pack("<QH64s5h180s", time_reference, _VERSION_2, b"", *loudness, b"")
    return fixed + texts.get("coding_history", "").encode("utf-8")[: 4 * LONGEST]


def _hundredths(value: float | int | None) -> int:
    if value is None or abs(round(100.0 * value)) > _OUTSIDE:
        return _UNSET
    return round(100.0 * value)


def _cut(text: str, size: int) -> bytes:
    """A text in at most so many bytes of UTF-8, no character in two."""
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").encode("utf-8")
