"""Elements of an XML document, one at a time, from a text that may be hostile.

Document types and entities are refused, depth and size are bounded, and no more of the text is held than one element
that was asked for.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final
from xml.parsers import expat

_DEEPEST: Final = 64
_LONGEST: Final = 20_000
"""Characters of text in one element."""

_TOKEN: Final = 1 << 20
"""Bytes of one tag, comment or the like."""

_CHILDREN: Final = 200_000
"""Elements held at a time."""


class XmlError(Exception):
    """What is wrong with a text, as a clause."""


@dataclass(slots=True)
class Element:
    """One element, without its namespace, and what is in it."""

    name: str
    attributes: dict[str, str]
    line: int
    text: str = ""
    children: list["Element"] = field(default_factory=list)

    def all(self, name: str) -> list["Element"]:
        """Its children of a name."""
        return [child for child in self.children if child.name == name]

    def find(self, name: str) -> "Element | None":
        """Its first child of a name."""
        return next((child for child in self.children if child.name == name), None)


Taker = Callable[[Element, tuple[Element, ...]], bool]
"""Is given an element that has ended, and those that it stands in, from the outermost; says whether it took it: such
an element is forgotten, any other is kept as a child."""


def read(pieces: Iterable[bytes], take: Taker) -> None:
    """Read a document, piece by piece.

    Raises
    ------
    XmlError
        It is no XML, or XML that could be a trap. Whatever `take` raises comes through.
    """
    reader = _Reader(take)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler = lambda name, given: reader.start(name, given, parser.CurrentLineNumber)
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.characters
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = _refuse
    fed = 0
    try:
        for piece in pieces:
            parser.Parse(piece, False)
            fed += len(piece)
            if fed - max(parser.CurrentByteIndex, 0) > _TOKEN + len(piece):
                raise XmlError(f"a tag or comment in line {parser.CurrentLineNumber} is longer than {_TOKEN} bytes")
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise XmlError(f"{expat.ErrorString(error.code)} in line {error.lineno}") from None
    except (LookupError, ValueError) as error:
        raise XmlError(f"it is not in a known encoding ({error})") from None


def _refuse(*_: Any) -> None:
    raise XmlError("it has a document type or entities, which ADM never has")


class _Reader:
    """The elements that are open, and what has to be kept of those that have ended."""

    def __init__(self, take: Taker) -> None:
        self._take = take
        self._open: list[Element] = []
        self._kept = 0

    def start(self, name: str, attributes: dict[str, str], line: int) -> None:
        if len(self._open) >= _DEEPEST:
            raise XmlError(f"elements lie more than {_DEEPEST} deep in line {line}")
        local = {key.rpartition(" ")[2]: value for key, value in attributes.items()}
        self._open.append(Element(name.rpartition(" ")[2], local, line))

    def end(self, _: str) -> None:
        element = self._open.pop()
        if self._take(element, tuple(self._open)) or not self._open:
            self._kept -= _size(element) - 1
            return
        self._open[-1].children.append(element)
        self._kept += 1
        if self._kept > _CHILDREN:
            raise XmlError(f"more than {_CHILDREN} elements lie in one in line {element.line}")

    def characters(self, data: str) -> None:
        if data.isspace():  # between elements
            return
        element = self._open[-1]
        element.text += data
        if len(element.text) > _LONGEST:
            raise XmlError(f"an element in line {element.line} holds more than {_LONGEST} characters")


def _size(element: Element) -> int:
    return 1 + sum(map(_size, element.children))
