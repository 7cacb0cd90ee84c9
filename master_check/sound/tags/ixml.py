"""The `iXML` chunk: what field recorders and workstations write as XML (names from memory)."""

from typing import Any, Final
from xml.parsers import expat

from master_check.sound.tags.tag import LONGEST, Tag, stated

MOST: Final = 1_000_000

_DEEPEST: Final = 50

_NAMES: Final = {
    "PROJECT": "project",
    "SCENE": "scene",
    "TAKE": "take",
    "TAPE": "tape",
    "NOTE": "note",
    "SPEED/FILE_SAMPLE_RATE": "sample_rate_hz",
    "SPEED/AUDIO_BIT_DEPTH": "bit_depth",
    "BEXT/BWF_DESCRIPTION": "description",
    "BEXT/BWF_ORIGINATOR": "originator",
    "BEXT/BWF_ORIGINATOR_REFERENCE": "originator_reference",
    "BEXT/BWF_ORIGINATION_DATE": "origination_date",
    "BEXT/BWF_ORIGINATION_TIME": "origination_time",
    "BEXT/BWF_CODING_HISTORY": "coding_history",
    "LOUDNESS/LOUDNESS_VALUE": "loudness_lufs",
    "LOUDNESS/LOUDNESS_RANGE": "loudness_range_lu",
    "LOUDNESS/MAX_TRUE_PEAK_LEVEL": "true_peak_dbtp",
    "LOUDNESS/MAX_MOMENTARY_LOUDNESS": "momentary_max_lufs",
    "LOUDNESS/MAX_SHORT_TERM_LOUDNESS": "short_term_max_lufs",
    "USER/FULL_TITLE": "title",
}

_HIGH: Final = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI"
_LOW: Final = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"


class _Unusable(Exception):
    """XML that is not read: entities, or elements in elements without end."""


def parse(chunk: bytes) -> list[Tag] | None:
    """What a chunk states; None where it is no XML, or XML that could be a trap."""
    try:
        texts = _texts(chunk.rstrip(b"\0 \t\r\n"))
    except (expat.ExpatError, _Unusable, ValueError):
        return None
    tags = [stated(name, "iXML", texts[path]) for path, name in _NAMES.items() if texts.get(path, "").strip()]
    if texts.get(_LOW, "").strip().isdecimal() and texts.get(_HIGH, "0").strip().isdecimal():
        high, low = int(texts.get(_HIGH, "0")[:12]), int(texts[_LOW][:12])
        tags.append(Tag("time_reference_samples", "iXML", (high << 32) + low))
    return tags


def _texts(xml: bytes) -> dict[str, str]:
    """The text of every wanted element, by its path below the root."""
    path: list[str] = []
    texts: dict[str, str] = {}
    wanted = {*_NAMES, _HIGH, _LOW}

    def start(name: str, _: dict[str, str]) -> None:
        path.append(name)
        if len(path) > _DEEPEST:
            raise _Unusable

    def end(_: str) -> None:
        path.pop()

    def text(data: str) -> None:
        at = "/".join(path[1:])
        if at in wanted and len(texts.get(at, "")) < LONGEST:
            texts[at] = texts.get(at, "") + data

    def entity(*_: Any) -> None:
        raise _Unusable

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler, parser.EntityDeclHandler = text, entity
    parser.Parse(xml, True)
    return texts
