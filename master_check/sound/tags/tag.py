"""A statement that a file makes about itself, and the text and numbers that such statements are made of."""

import re
from dataclasses import dataclass
from typing import Final, TypeGuard

LONGEST: Final = 10_000
"""Characters of a text that are kept; a coding history has some hundred."""

_NUMBER: Final = re.compile(r"\s*([+-]?\d{1,12}(?:\.\d{1,12})?)(?![\d.])")


@dataclass(frozen=True, slots=True)
class Tag:
    """One statement.

    Attributes
    ----------
    name : str
        What it states, one of `NAMES`; a number's name ends in its unit.
    place : str
        Where in the file it stands: `bext`, `iXML`, `LIST-INFO`, `cue`, `ID3`, `AIFF`, `Vorbis comment` or `APE`.
    value : str, int or float
        As it stands there; a text where a number should be, if it is none.
    """

    name: str
    place: str
    value: str | int | float


@dataclass(frozen=True, slots=True)
class Tags:
    """All that a file states.

    Attributes
    ----------
    all : tuple of Tag
        In the order of the file.
    notes : tuple of str
        What is wrong with the places where they stand.
    """

    all: tuple[Tag, ...] = ()
    notes: tuple[str, ...] = ()

    def named(self, name: str) -> list[Tag]:
        """Every statement of a name."""
        return [tag for tag in self.all if tag.name == name]


NAMES: Final = (
    "title",
    "artist",
    "album",
    "date",
    "isrc",
    "description",
    "originator",
    "originator_reference",
    "origination_date",
    "origination_time",
    "time_reference_samples",
    "umid",
    "coding_history",
    "loudness_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "replaygain_track_gain_db",
    "replaygain_track_peak",
    "replaygain_album_gain_db",
    "replaygain_album_peak",
    "replaygain_reference_loudness",
    "r128_track_gain",
    "r128_album_gain",
    "sample_rate_hz",
    "bit_depth",
    "project",
    "scene",
    "take",
    "tape",
    "note",
    "comment",
    "software",
    "cue_point_samples",
)
"""What can be stated, in the order in which it is shown."""

NUMBERS: Final = frozenset(name for name in NAMES if re.search("_(samples|lufs|lu|db|dbtp|peak|gain|hz|depth)$", name))


def stated(name: str, place: str, text: str) -> Tag:
    """A text as a statement; where a number is expected, as that number."""
    text = text.strip("\0 \t\r\n")[:LONGEST]
    found = _NUMBER.match(text) if name in NUMBERS else None
    if found is None:
        return Tag(name, place, text)
    return Tag(name, place, float(found[1]) if "." in found[1] else int(found[1]))


def decoded(data: bytes) -> str:
    """Text up to the first NUL: ASCII or UTF-8, or else Latin-1, which takes any bytes."""
    data = data.partition(b"\0")[0]
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def is_number(value: str | int | float) -> TypeGuard[int | float]:
    """Whether a statement that should be a number is one."""
    return not isinstance(value, str)
