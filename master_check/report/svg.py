"""A plot as SVG, written directly: one drawing that is right at every width.

Places are shares of the plot's own box, so that the page's style decides how wide and high it is: scales, marks and
text stand at percentages and keep their size, and only curves are stretched, with lines that keep their width. Text
stays text. Colours and line styles are the page's classes. Curves are thinned to the columns a page has room for, and
keep the extremes of every column.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]

COLUMNS: Final = 800
"""About as many CSS pixels as a page is wide."""

WIDE: Final = 2 * COLUMNS
HIGH: Final = 400
"""Steps of a curve's coordinates across and up a plot, half a pixel and a third: whole numbers are short."""

FINE: Final = 0.015
"""Extremes of a column nearer than this share of the plot's height, two pixels, are drawn as one."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on a scale, what is written there, and on a second line; what is `roomy` is left out on a narrow page."""

    at: float
    text: str
    below: str = ""
    roomy: bool = False
    below_roomy: bool = False


@dataclass(frozen=True, slots=True)
class Thinned:
    """A curve by columns: where their middles lie, as an index into the values, and the extremes there."""

    at: Floats
    low: Floats
    high: Floats


def thinned(values: Floats) -> Thinned:
    """Smallest and largest of every column; NaN only where there is nothing else."""
    starts = columns(len(values))
    ends = np.append(starts[1:], len(values))
    low, high = (extreme.reduceat(values, starts).astype(np.float64) for extreme in (np.fmin, np.fmax))
    return Thinned((starts + ends - 1) / 2.0, low, high)


def columns(length: int) -> NDArray[np.intp]:
    """Where columns of about equal size begin in so many values."""
    return np.unique(np.linspace(0, length, min(COLUMNS, length), endpoint=False).astype(np.intp))


class Plot:
    """Curves, bars, marks and scales in one box.

    Parameters
    ----------
    x, y : (float, float)
        What the left and right end of the box stand for, and its lower and upper end; either may fall.
    kind : str
        Classes that give it its height and the room around it.
    """

    def __init__(self, x: tuple[float, float], y: tuple[float, float], kind: str = "plot") -> None:
        self.x, self.y, self._kind = x, y, kind
        self._parts: list[str] = []

    def area(self, x: Floats, low: Floats | float, high: Floats | float, style: str) -> None:
        """What lies between two curves, or a curve and a level; one piece for every stretch without NaN."""
        low, high = np.broadcast_to(low, x.shape), np.broadcast_to(high, x.shape)
        pieces = []
        for part in _stretches(np.isfinite(low) & np.isfinite(high)):
            across = np.concatenate([x[part], x[part][::-1]])
            pieces.append(self._drawn(across, np.concatenate([high[part], low[part][::-1]])) + "z")
        self._curve("".join(pieces), style)

    def line(self, x: Floats, y: Floats, style: str) -> None:
        """A line through points, broken at NaN."""
        self._curve("".join(self._drawn(x[part], y[part]) for part in _stretches(np.isfinite(y))), style)

    def envelope(self, x: Floats, curve: Thinned, style: str) -> None:
        """A line that touches both extremes of every column, or where they are next to each other the upper one."""
        near = curve.high - curve.low < FINE * abs(self.y[1] - self.y[0])
        low = np.where(near, curve.high, curve.low)
        falls = np.diff(curve.high, append=curve.high[-1:]) < 0.0
        pair = np.where(falls, [curve.high, low], [low, curve.high])
        self.line(np.repeat(x, 2), pair.T.ravel(), style)

    def stairs(self, edges: Floats, y: Floats, style: str, base: float | None = None) -> None:
        """A flat step between every two edges; with `base`, filled from there."""
        x, level = np.repeat(edges, 2)[1:-1], np.repeat(y, 2)
        if base is None:
            self.line(x, level, style)
        else:
            self.area(x, base, level, style)

    def level(self, y: float, style: str) -> None:
        """A line right across."""
        at = self._up(y)
        self._parts.append(f'<line class="{style}" x2="100%" y1="{at}" y2="{at}"/>')

    def dashes(self, x: Floats, there: NDArray[np.bool_], y: float, style: str) -> None:
        """A line along `y` wherever `there` is true; half a column longer at both ends, or one alone would not show."""
        more = float(x[1] - x[0]) if len(x) > 1 else self.x[1] - self.x[0]
        parts = _stretches(there)
        ends = np.array([[x[part.start] - more, x[part.stop - 1] + more] for part in parts])
        path, last = f"M0 {int(self._up_steps(np.array(y)))}", 0
        for first, end in self._across_steps(ends).tolist():
            path += f"m{first - last} 0h{end - first}"
            last = end
        self._curve(path if parts else "", style)

    def bar(self, left: float, right: float, base: float, top: float, style: str) -> None:
        """A filled box from `base` up to `top`, with the class's own line along its top."""
        x, width = self._across(left), _short(100.0 * (right - left) / (self.x[1] - self.x[0]))
        edge, height = self._up(top), _short(100.0 * (self._share(top) - self._share(base)))
        self._parts.append(
            f'<rect class="{style}" x="{x}" y="{edge}" width="{width}%" height="{height}%"/>'
            f'<line class="{style}" x1="{x}" x2="{self._across(right)}" y1="{edge}" y2="{edge}"/>'
        )

    def mark(self, x: float, y: float, shape: str, style: str) -> None:
        """A small shape, a path in pixels around its place."""
        self._parts.append(f'<svg x="{self._across(x)}" y="{self._up(y)}"><path class="{style}" d="{shape}"/></svg>')

    def scale_x(self, ticks: Iterable[Tick]) -> None:
        """The scale under the plot."""
        self._parts.append('<line class="base" x2="100%" y1="100%" y2="100%"/>')
        for tick in ticks:
            lines = [(tick.text, 16, ""), (tick.below, 30, " roomy" if tick.below_roomy else "")]
            texts = "".join(f'<text class="x{roomy}" y="{y}">{escape(text)}</text>' for text, y, roomy in lines if text)
            roomy = ' class="roomy"' if tick.roomy else ""
            self._parts.append(
                f'<svg{roomy} x="{self._across(tick.at)}" y="100%"><path class="base" d="M0 0v4"/>{texts}</svg>'
            )

    def scale_y(self, ticks: Iterable[Tick], unit: str = "") -> None:
        """The scale at the left with a hairline across at each tick, its unit above."""
        for tick in ticks:
            at = self._up(tick.at)
            self._parts.append(
                f'<line class="hair" x2="100%" y1="{at}" y2="{at}"/>'
                f'<text class="y" x="-6" y="{at}" dy=".35em">{escape(tick.text)}</text>'
            )
        if unit:
            self._parts.append(f'<text class="unit" y="-12">{escape(unit)}</text>')

    def beside(self, y: float, text: str) -> None:
        """Words at the right end."""
        self._parts.append(f'<text x="100%" dx="6" y="{self._up(y)}" dy=".35em">{escape(text)}</text>')

    def svg(self) -> str:
        """The `svg` element. What it shows has to be said in words beside it."""
        return f'<svg class="{self._kind}" aria-hidden="true" focusable="false">{"".join(self._parts)}</svg>'

    def _curve(self, path: str, style: str) -> None:
        if path:
            self._parts.append(
                f'<svg class="curve" viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none">'
                f'<path class="{style}" d="{path}"/></svg>'
            )

    def _drawn(self, x: Floats, y: Floats) -> str:
        """A move and lines from place to place; places that fall together are drawn once."""
        across, up = self._across_steps(x), self._up_steps(y)
        steps = np.stack([np.diff(across), np.diff(up)], axis=1)
        steps = steps[steps.any(axis=1)]
        start = f"M{across[0]} {up[0]}"
        # A line of no length shows a lone point.
        return start + "l" + " ".join(map(str, steps.ravel().tolist() or [0, 0])).replace(" -", "-")

    def _across_steps(self, x: Floats) -> NDArray[np.int64]:
        left, right = self.x
        return np.rint((np.asarray(x) - left) / (right - left) * WIDE).astype(np.int64)

    def _up_steps(self, y: Floats) -> NDArray[np.int64]:
        """What lies outside is drawn just outside."""
        low, high = self.y
        return np.rint(np.clip((high - np.asarray(y)) / (high - low), -0.1, 1.1) * HIGH).astype(np.int64)

    def _share(self, y: float) -> float:
        low, high = self.y
        return (y - low) / (high - low)

    def _across(self, x: float) -> str:
        left, right = self.x
        return f"{_short(100.0 * (x - left) / (right - left))}%"

    def _up(self, y: float) -> str:
        return f"{_short(100.0 * (1.0 - self._share(y)))}%"


def _short(number: float) -> str:
    """Two decimals at most."""
    return f"{number:.2f}".rstrip("0").rstrip(".") if round(number, 2) else "0"


def _stretches(there: NDArray[np.bool_]) -> list[slice]:
    """Where runs of True lie."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]])))
    return [slice(first, end) for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)]


def round_places(low: float, high: float, most: int, steps: Sequence[float] = (1, 2, 5)) -> list[float]:
    """At most so many round numbers between two, the multiples of the smallest of `steps` (times a power of ten)."""
    span = high - low
    for power in range(math.floor(math.log10(span)) - 2, math.floor(math.log10(span)) + 2):
        for step in (step * 10.0**power for step in steps):
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first < most:
                return [place * step + 0.0 for place in range(first, last + 1)]
    return []
