"""Text from outside (small files, file names, tags), read within bounds and made safe to show; times and faults.

What a terminal or a page would obey becomes visible.
"""

import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Final

MAX_BYTES: Final = 1_000_000
"""More than any profile or list of tracks has."""


def read_small(path: Path) -> bytes:
    """A small file of text: all its bytes, and never those of something without an end, such as a device.

    Raises
    ------
    ValueError
        It cannot be read, or is no such file; the message is the reason, without the file's name.
    """
    try:
        if not path.is_file():
            raise ValueError("no such file" if not path.exists() else "not a file")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise ValueError(f"cannot be read ({error.strerror or error})") from None
    if len(data) > MAX_BYTES:
        raise ValueError("larger than 1 MB")
    return data


_HIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def first_of(faults: Sequence[str], name: str, most: int = 20) -> list[str]:
    """Faults of what is called `name`, a line each: the first ones, then how many more there are."""
    more = len(faults) - most
    return [*faults[:most], *([f"{name}: and {more} more fault{'s' * (more > 1)}"] if more > 0 else [])]


def visible(text: str) -> str:
    """`text` with control, direction, unassigned and undecodable characters written as escapes.

    A joiner between emoji is hidden too, which splits the emoji but shows every name for what it is.
    """
    if text.isprintable():  # nearly always, and it knows the same classes
        return text
    return "".join(
        character if unicodedata.category(character) not in _HIDDEN else _escape(character) for character in text
    )


def _escape(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file name that is not UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else (f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")


def clock(seconds: float, decimals: int = 3) -> str:
    """A time in a file: m:ss.mmm, or h:mm:ss.mmm from an hour on; with another number of decimals, or none."""
    unit = 10**decimals
    whole, rest = divmod(round(seconds * unit), unit)
    minutes, tail = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    behind = f"{tail:02d}" + (f".{rest:0{decimals}d}" if decimals else "")
    return f"{hours}:{minutes:02d}:{behind}" if hours else f"{minutes}:{behind}"
