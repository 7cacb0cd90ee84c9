"""The `chna` chunk: which track of the file holds what (ITU-R BS.2088-1, section 8; from memory)."""

import struct
from typing import Final

from master_check.sound.adm.model import ChnaEntry

_ROW: Final = struct.Struct("<H12s14s11sx")

MOST: Final = 4 + 65_535 * _ROW.size
"""Bytes of the longest chunk."""


def parse(chunk: bytes) -> tuple[ChnaEntry, ...]:
    """The rows of a chunk that are in use; of one that is cut short, those that are there."""
    if len(chunk) < 4:
        return ()
    (count,) = struct.unpack_from("<H", chunk, 2)
    whole = min(count, (len(chunk) - 4) // _ROW.size)
    rows = (_ROW.unpack_from(chunk, 4 + number * _ROW.size) for number in range(whole))
    return tuple(
        ChnaEntry(track - 1, _id(uid), _id(format), _id(pack) or None) for track, uid, format, pack in rows if track
    )


def _id(raw: bytes) -> str:
    return raw.partition(b"\0")[0].decode("ascii", "replace").strip().upper()
