"""Text from outside (file names, tags) made safe to show: what a terminal or a page would obey becomes visible."""

import unicodedata

_HIDDEN = frozenset(("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


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


def clock(seconds: float) -> str:
    """A time in a file: m:ss.mmm, or h:mm:ss.mmm from an hour on."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 1000:02d}.{rest % 1000:03d}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"
