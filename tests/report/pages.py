"""A page taken apart, and signals to make pages of."""

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import judge
from master_check.measurement.one_pass import measure
from master_check.report.html import check_page

DATE = datetime(2031, 5, 9, 14, 30, tzinfo=UTC)
VOID = {"meta", "br", "img", "link", "input", "hr", "col"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    children: list["Element | str"] = field(default_factory=list)

    def all(self, *tags: str) -> "list[Element]":
        """This and every element inside, in order, of the given tags (of any, without)."""
        own = [self] if not tags or self.tag in tags else []
        return own + [found for child in self.children if isinstance(child, Element) for found in child.all(*tags)]

    def having(self, name: str) -> "list[Element]":
        """Those inside of the given class."""
        return [element for element in self.all() if name in element.attributes.get("class", "").split()]

    @property
    def text(self) -> str:
        """Text inside; cells stand apart as they do on screen."""
        parts = []
        for child in self.children:
            apart = isinstance(child, Element) and child.tag in ("td", "th")
            parts.append(child if isinstance(child, str) else f" {child.text} " if apart else child.text)
        return " ".join("".join(parts).split())


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attributes})
        self.open[-1].children.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.open[-1].children.append(Element(tag, {name: value or "" for name, value in attributes}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def parse(page: str) -> Element:
    """The elements of a page; fails where tags do not nest."""
    builder = _Builder()
    builder.feed(page)
    builder.close()
    assert len(builder.open) == 1, f"<{builder.open[-1].tag}> is never closed"
    return builder.root


def plain(text: str) -> str:
    """As in JSON and on the terminal: hyphens for minus signs."""
    return " ".join(text.replace("\N{MINUS SIGN}", "-").split())


def signed(value: float, unit: str) -> str:
    """A difference as a page has it; nothing has no sign."""
    return f"{value:+.1f} {unit}" if abs(value) >= 0.05 else f"0.0 {unit}"


def figures(part: Element) -> dict[str, str]:
    """Titles and measured values of the tables of figures."""
    found = {}
    for row in part.all("tr"):
        heads, values = row.all("th"), row.all("b")
        if len(heads) == 1 and len(values) == 1 and "q" in heads[0].attributes.get("class", ""):
            found[heads[0].text] = plain(values[0].text)
    return found


def music(seconds: float, rate: int = 44_100, channels: int = 2, peak_db: float = -3.0) -> NDArray[np.float64]:
    """Something with a beat, a bass, a lead and width: (n, channels), its largest sample at `peak_db` dBFS."""
    rng = np.random.default_rng(7)
    t = np.arange(round(seconds * rate)) / rate
    beat = np.exp(-8.0 * (t % 0.5)) * rng.standard_normal(len(t))
    bass = np.sin(2 * np.pi * 55.0 * t) * (1.0 + 0.5 * np.sin(2 * np.pi * 0.25 * t))
    parts = [0.3 * beat + 0.5 * bass + 0.2 * np.sin(2 * np.pi * 220.0 * (c + 1) * t) for c in range(channels)]
    frames = np.stack(parts, axis=1) * (0.4 + 0.6 * (t > seconds / 2.0))[:, None]
    return np.asarray(frames / np.abs(frames).max() * 10.0 ** (peak_db / 20.0))


def clipped(frames: NDArray[np.float64], rate: int, at_s: float) -> NDArray[np.float64]:
    """The same with five samples at full scale from `at_s` on, in the first channel."""
    found = frames.copy()
    first = round(at_s * rate)
    found[first : first + 5, 0] = 1.0
    return found


def write(path: Path, frames: NDArray[np.float64], rate: int = 44_100, subtype: str = "PCM_24") -> Path:
    soundfile.write(path, frames, rate, subtype)
    return path


def checked(path: Path, profiles: list[Profile]) -> Checked:
    measurement = measure(path)
    return Checked(str(path), measurement, tuple(judge(measurement, profile) for profile in profiles))


def loaded(*names: str) -> list[Profile]:
    return [load_profile(name) for name in names]


def page_of(files: list[Checked], profiles: list[Profile], selftest: str = "") -> str:
    sums = {file.path: f"{place:064x}" for place, file in enumerate(files, start=1)}
    return check_page(files, profiles, checksums=sums, version="9.8.7", date=DATE, selftest=selftest)


def share(place: str) -> float:
    """A place in per cent of a plot as a share of it."""
    assert place.endswith("%"), place
    return float(place[:-1]) / 100.0


def path_points(data: str) -> list[NDArray[np.float64]]:
    """Points of a path of moves (M, m), lines (l, h) and closings (z), an array (n, 2) a piece."""
    pieces: list[list[tuple[float, float]]] = []
    for command, rest in re.findall(r"([A-Za-z])([^A-Za-z]*)", data):
        numbers = [float(number) for number in re.findall(r"-?[\d.]+", rest)]
        if command == "M":
            pieces.append([(numbers[0], numbers[1])])
        elif command == "l":
            for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
                pieces[-1].append((pieces[-1][-1][0] + dx, pieces[-1][-1][1] + dy))
        elif command == "m":
            pieces.append([(pieces[-1][-1][0] + numbers[0], pieces[-1][-1][1] + numbers[1])])
        elif command == "h":
            pieces[-1].append((pieces[-1][-1][0] + numbers[0], pieces[-1][-1][1]))
        else:
            assert command == "z", command
    return [np.array(piece) for piece in pieces if len(piece) > 1]  # a move alone draws nothing


@dataclass
class Drawn:
    """A plot on a page, read back: places as shares of it, from the left and from above."""

    svg: Element

    def curves(self, style: str) -> list[NDArray[np.float64]]:
        """Points of the curves of a class, (n, 2) each."""
        found = []
        for outer in self.svg.all("svg")[1:]:
            for path in outer.all("path"):
                if "viewbox" in outer.attributes and path.attributes["class"] == style:
                    box = [float(number) for number in outer.attributes["viewbox"].split()]
                    found.append(np.concatenate(path_points(path.attributes["d"])) / box[2:])
        return found

    def across(self, style: str) -> list[float]:
        """Heights of the lines right across of a class."""
        lines = [e for e in self.svg.all("line") if e.attributes["class"] == style]
        assert all(share(e.attributes["x2"]) == 1.0 and e.attributes["y1"] == e.attributes["y2"] for e in lines)
        return [share(e.attributes["y1"]) for e in lines]

    def marks(self, style: str) -> list[tuple[float, float]]:
        """Places of the marks of a class."""
        marks = [e for e in self.svg.all("svg")[1:] for path in e.all("path") if path.attributes["class"] == style]
        return [(share(e.attributes["x"]), share(e.attributes["y"])) for e in marks]

    @property
    def labels_below(self) -> dict[str, float]:
        """What is written under the plot, and where."""
        ticks = [e for e in self.svg.all("svg")[1:] if e.attributes.get("y") == "100%" and e.all("text")]
        return {e.all("text")[0].text: share(e.attributes["x"]) for e in ticks}

    @property
    def labels_left(self) -> dict[str, float]:
        texts = [e for e in self.svg.all("text") if e.attributes["class"] == "y"]
        return {plain(e.text): share(e.attributes["y"]) for e in texts}

    def seconds(self, across: NDArray[np.float64] | float) -> Any:
        """Times of places, by the two outermost labels of the scale."""
        at = sorted((x, int(text[:-3]) * 60 + int(text[-2:])) for text, x in self.labels_below.items())
        (left, first), (right, last) = at[0], at[-1]
        return first + (across - left) / (right - left) * (last - first)

    def level(self, down: NDArray[np.float64] | float) -> Any:
        """Levels of heights, by the two outermost labels of the scale."""
        at = sorted((y, float(text)) for text, y in self.labels_left.items())
        (top, high), (bottom, low) = at[0], at[-1]
        return high + (down - top) / (bottom - top) * (low - high)
