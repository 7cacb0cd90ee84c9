"""Pictures for the HTML reports: matplotlib figures as inline SVG that takes its colours from the page.

Every picture is drawn twice, for a desk or a sheet of paper and for a telephone, since text that is scaled with a
picture is readable at one width only. Colours are stand-ins that become CSS variables, so that one drawing serves
light, dark and print. Nothing of the project is computed here; the only arithmetic is thinning out.
"""

import hashlib
import io
import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, MultipleLocator, NullLocator
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement
from master_check.meters.loudness import MOMENTARY, SHORT_TERM
from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ, EXACT_HZ
from master_check.sound.blocks import HOPS_PER_SECOND
from master_check.tables.quantities import QUANTITIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Stand-ins, and the CSS variables that take their place.
INK: Final = "#0a0b01"
GREY: Final = "#0a0b02"
WASH: Final = "#0a0b03"
HAIR: Final = "#0a0b04"
MARK: Final = "#0a0b05"
PAPER: Final = "#0a0b06"
_VARIABLES: Final = {INK: "ink", GREY: "grey", WASH: "wash", HAIR: "hair", MARK: "mark", PAPER: "paper"}

FULL_SCALE: Final = 1.0 - 2.0**-15
"""The largest code of 16 bits, as the clipping meter has it."""


_DECADES: Final = np.log10(EDGES_HZ)
"""Edges of the third octaves on an axis of their logarithm."""


@dataclass(frozen=True, slots=True)
class Size:
    """One of the two widths: inches, text height in points, points of a curve."""

    width: float
    text: float
    points: int
    narrow: bool


WIDE: Final = Size(6.9, 7.2, 900, False)
NARROW: Final = Size(3.4, 8.2, 420, True)


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing at both widths, what it shows in words, and its key.

    Attributes
    ----------
    wide, narrow : str
        SVG elements for a page.
    label : str
        What the picture shows, for those who do not see it.
    key : tuple of (str, str)
        CSS class of a swatch, and what is drawn so.
    """

    wide: str
    narrow: str
    label: str
    key: tuple[tuple[str, str], ...] = ()


Paint = Callable[[Figure, Size], None]


def draw(
    name: str,
    height: float,
    paint: Paint,
    label: str,
    key: Sequence[tuple[str, str]] = (),
    narrow_height: float | None = None,
) -> Picture:
    """Paint at both widths.

    Parameters
    ----------
    name : str
        Unique on the page; ids in the SVG begin with it.
    height, narrow_height : float
        Inches; the second where the telephone's drawing needs another.
    """
    wide = _svg(f"{name}-w", height, paint, WIDE)
    narrow = _svg(f"{name}-n", narrow_height or height, paint, NARROW)
    return Picture(wide, narrow, label, tuple(key))


def _svg(name: str, height: float, paint: Paint, size: Size) -> str:
    settings: dict[Any, Any] = {
        "svg.fonttype": "none",  # text stays text
        "svg.hashsalt": name,
        "font.size": size.text,
        "path.simplify": True,
        "axes.unicode_minus": True,
    }
    with rc_context(settings):
        figure = Figure(figsize=(size.width, height))
        figure.patch.set_visible(False)
        paint(figure, size)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _for_page(out.getvalue(), name)


def _for_page(svg: str, name: str) -> str:
    """The bare `svg` element: no prologue, metadata or own style, unique ids, short numbers, the page's colours."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>|<defs>\s*<style[^>]*>.*?</style>\s*</defs>|<!--.*?-->", "", svg, flags=re.S)
    svg = re.sub(r' (?:width|height)="[\d.]+pt"| version="1.1"| xmlns(?::\w+)?="[^"]*"', "", svg)
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', svg))
    svg = re.sub(r' id="([^"]*)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r'(url\(#|href="#)', rf"\g<1>{name}-", svg).replace("xlink:href", "href")
    svg = re.sub(r"(?<![\w#.-])-?\d+\.\d{3,}(?!\w)", lambda m: f"{float(m[0]):.2f}".rstrip("0").rstrip("."), svg)
    svg = re.sub(r" font-family: [^;\"]*;?", "", svg)
    for stand_in, variable in _VARIABLES.items():
        svg = svg.replace(stand_in, f"var(--{variable})")
    svg = re.sub(r">\s+<", "><", svg)
    return svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1).strip()


def _axes(figure: Figure, size: Size, row: int = 0, rows: int = 1, bottom: float = 0.2) -> "Axes":
    """One of several axes above each other, with fixed room around for scales: a layout costs more than drawing."""
    width, height = figure.get_size_inches()
    left, right, top = 0.36, 0.16, 0.2
    each = (height - top - bottom) / rows
    low = bottom + (rows - 1 - row) * each
    axes = figure.add_axes((left / width, low / height, 1.0 - (left + right) / width, each / height))
    axes.patch.set_visible(False)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(GREY)
    axes.spines["bottom"].set_linewidth(0.6)
    axes.tick_params(colors=GREY, labelcolor=GREY, width=0.6, length=2.5, pad=2, labelsize=size.text)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", color=HAIR, linewidth=0.5)
    axes.set_axisbelow(True)
    return axes


def _unit(axes: "Axes", size: Size, unit: str) -> None:
    """The unit above the scale, where it takes no width."""
    # A given height spares matplotlib the search for one.
    axes.set_title(unit, loc="left", y=1.0, fontsize=size.text, color=GREY, style="italic", pad=3)


def _time_axis(axes: "Axes", duration: float, size: Size) -> None:
    axes.set_xlim(0.0, max(duration, 0.01))
    wanted = 5 if size.narrow else 10
    steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200)
    step = next((s for s in steps if duration / s <= wanted), duration / wanted)
    axes.xaxis.set_major_locator(FixedLocator(list(np.arange(0.0, duration + step * 1e-6, step))))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda at, _: _minutes(at, step)))


def _minutes(at: float, step: float) -> str:
    if step < 1.0:
        return f"{int(at) // 60}:{at % 60:04.1f}"
    return f"{round(at) // 60}:{round(at) % 60:02d}"


def _buckets(length: int, points: int) -> NDArray[np.intp]:
    """Where at most `points` buckets of about equal size begin."""
    return np.unique(np.linspace(0, length, min(points, length), endpoint=False).astype(np.intp))


def _thin(values: NDArray[Any], points: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Middle (as an index), smallest and largest of every bucket; NaN only where there is nothing else."""
    starts = _buckets(len(values), points)
    ends = np.append(starts[1:], len(values))
    lowest = np.fmin.reduceat(values, starts).astype(np.float64)
    highest = np.fmax.reduceat(values, starts).astype(np.float64)
    return (starts + ends - 1) / 2.0, lowest, highest


Level = tuple[str, float]
"""A limit or target: who asks for it, and the figure."""


def merged(levels: Sequence[Level]) -> list[Level]:
    """Equal figures once, with all who ask for them."""
    by_value: dict[float, list[str]] = {}
    for name, value in levels:
        by_value.setdefault(value, []).append(name)
    return [(", ".join(names), value) for value, names in sorted(by_value.items())]


def minus(text: str) -> str:
    """Hyphens before digits as minus signs."""
    return re.sub(r"(?<![\w.])-(?=\d)", "\u2212", text)


def loudness_over_time(name: str, measurement: Measurement, targets: Sequence[Level]) -> Picture | None:
    """Momentary, short-term and integrated loudness with the profiles' targets; None shorter than 400 ms."""
    momentary = measurement.series.momentary()
    integrated = measurement.values["integrated_lufs"]
    if not len(momentary) or not isinstance(integrated, float):
        return None
    short = measurement.series.short_term()
    duration = float(measurement.values["duration_s"] or 0.0)
    targets = merged(targets)
    low, high = _loudness_span(momentary, short, [integrated, *(value for _, value in targets)])

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size)
        at, lowest, highest = _thin(np.maximum(momentary, low - 6.0), size.points)
        seconds = (at + MOMENTARY / 2.0) / HOPS_PER_SECOND  # a window is drawn at its middle
        axes.fill_between(seconds, lowest, highest, color=WASH, linewidth=1.0)
        if len(short):
            at, _, highest = _thin(np.maximum(short, low - 6.0), size.points)
            axes.plot((at + SHORT_TERM / 2.0) / HOPS_PER_SECOND, highest, color=INK, linewidth=1.0)
        axes.axhline(integrated, color=INK, linewidth=0.8, dashes=(7, 3))
        for _, value in targets:
            axes.axhline(value, color=MARK, linewidth=0.9, dashes=(1.5, 1.5))
        axes.set_ylim(low, high)
        axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 3, 5, 6, 10], integer=True))
        _time_axis(axes, duration, size)
        _unit(axes, size, "LUFS")

    key = (
        [("band", "momentary, 400 ms"), ("line", "short-term, 3 s")] if len(short) else [("band", "momentary, 400 ms")]
    )
    key.append(("dash", minus(f"integrated {integrated:.1f} LUFS")))
    key += [("target", minus(f"target {value:.1f} LUFS, {who}")) for who, value in targets]
    label = f"Loudness over time. Integrated {integrated:.1f} LUFS"
    for words, found in (("momentary", "momentary_max_lufs"), ("short-term", "short_term_max_lufs")):
        if (value := measurement.values[found]) is not None:
            label += f"; highest {words} {float(value):.1f} LUFS"
    label += "".join(f"; target {value:.1f} LUFS of {who}" for who, value in targets)
    return draw(name, 1.75, paint, minus(label + "."), key)


def _loudness_span(
    momentary: NDArray[np.float64], short: NDArray[np.float64], lines: Sequence[float]
) -> tuple[float, float]:
    """Scale from below the quiet passages, at most 48 LU, to above the loudest."""
    heard = short[np.isfinite(short)] if np.isfinite(short).any() else momentary[np.isfinite(momentary)]
    top = math.ceil((max(float(momentary.max()), *lines) + 1.0) / 3.0) * 3.0
    bottom = min(float(np.percentile(heard, 3)) - 2.0, *(line - 6.0 for line in lines), top - 12.0)
    return max(math.floor(bottom / 3.0) * 3.0, top - 48.0), top


@dataclass(frozen=True, slots=True)
class _Mark:
    """A moment on the waveform: when, matplotlib's marker, filled or not, the key's swatch and words."""

    at_s: float
    marker: str
    colour: str
    swatch: str
    words: str


@dataclass(frozen=True, slots=True)
class _Waveform:
    """What is drawn of a file's peaks: (channels, hops) magnitudes, and what goes with them."""

    tops: NDArray[np.float32]
    labels: Sequence[str]
    duration: float
    limits: Sequence[Level]
    marks: Sequence[_Mark]

    @property
    def reach(self) -> float:
        return max(1.0, float(self.tops.max()))

    @property
    def full(self) -> NDArray[np.bool_]:
        return np.asarray(self.tops >= FULL_SCALE)


def waveform(name: str, measurement: Measurement, limits: Sequence[Level]) -> Picture | None:
    """Peaks over time, a channel up and the other down, with the places at full scale marked; None in silence.

    Which 10 ms reach full scale is known of all places; of overs between samples below it, and of flat tops, the
    measurement keeps the first.
    """
    channels = measurement.format.channels
    tops = measurement.series.tops[:channels]
    if not tops.size or not float(tops.max()):
        return None
    wave = _Waveform(
        tops,
        measurement.format.labels,
        float(measurement.values["duration_s"] or 0.0),
        [(who, value) for who, value in merged(limits) if value < -0.05],
        list(_marks(measurement)),
    )
    key = [("wave", "highest peak"), ("wave-inner", "average of the peaks every 10 ms")]
    key += [("target", minus(f"limit {value:.1f} dB, {who}")) for who, value in wave.limits]
    seconds = int(wave.full.any(axis=0).sum()) / HOPS_PER_SECOND
    if seconds:
        key.append(("tick", "10 ms that reach full scale: overs and clipped places"))
    key += [(mark.swatch, mark.words) for mark in wave.marks]
    label = f"Waveform, {channels} channel{'s' if channels > 1 else ''}, {wave.duration:.0f} s. "
    label += f"Full scale is reached in {seconds:.2f} s of it. " if seconds else "Full scale is never reached. "
    label += "; ".join(f"{mark.words}, at {mark.at_s:.3f} s" for mark in wave.marks)
    if channels > 2:
        return draw(name, 0.5 + 0.32 * channels, partial(_stacked, wave), minus(label), key)
    return draw(name, 1.7, partial(_mirrored, wave), minus(label), key)


def _marks(measurement: Measurement) -> Iterable[_Mark]:
    at_s = measurement.at_s
    if "true_peak_over_runs" in at_s:
        yield _Mark(at_s["true_peak_over_runs"], "v", PAPER, "point open", "first true-peak over")
    if "flat_top_runs" in at_s:
        yield _Mark(at_s["flat_top_runs"], "s", PAPER, "square", "first flat top")
    if "true_peak_dbtp" in at_s:
        peak = QUANTITIES["true_peak_dbtp"].format(measurement.values["true_peak_dbtp"])
        yield _Mark(at_s["true_peak_dbtp"], "v", MARK, "point", f"highest true peak, {minus(peak)}")


def _mirrored(wave: _Waveform, figure: Figure, size: Size) -> None:
    """The first channel upwards, the second downwards."""
    axes = _axes(figure, size)
    signs = (1.0, -1.0)[: len(wave.tops)]
    for row, sign in enumerate(signs):
        _wave(axes, wave.tops[row], sign, size)
        _full_scale(axes, wave.full[row], sign, wave.reach, size)
        for _, value in wave.limits:
            axes.axhline(sign * 10.0 ** (value / 20.0), color=MARK, linewidth=0.7, dashes=(1.5, 1.5))
        where = 0.5 + 0.25 * sign
        axes.text(1.008, where, wave.labels[row], transform=axes.transAxes, color=GREY, va="center")
    _scale(axes, wave.reach, mirrored=len(signs) == 2)
    _draw_marks(axes, wave, 1.22)
    _time_axis(axes, wave.duration, size)
    _unit(axes, size, "dBFS")


def _stacked(wave: _Waveform, figure: Figure, size: Size) -> None:
    """A row a channel."""
    for row, label in enumerate(wave.labels):
        axes = _axes(figure, size, row, len(wave.labels))
        _wave(axes, wave.tops[row], 1.0, size)
        _full_scale(axes, wave.full[row], 1.0, wave.reach, size)
        axes.set_ylim(0.0, wave.reach * 1.25)
        axes.yaxis.set_major_locator(FixedLocator([0.5]))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda _, __, text=label: text))
        _time_axis(axes, wave.duration, size)
        if row == 0:
            _draw_marks(axes, wave, 1.25)
        if row < len(wave.labels) - 1:
            axes.xaxis.set_major_locator(NullLocator())


def _draw_marks(axes: "Axes", wave: _Waveform, height: float) -> None:
    for mark in wave.marks:
        axes.plot(
            [mark.at_s],
            [wave.reach * height],
            mark.marker,
            markerfacecolor=mark.colour,
            markeredgecolor=MARK,
            markeredgewidth=0.9,
            markersize=4.5,
            clip_on=False,
        )


def _wave(axes: "Axes", tops: NDArray[np.float32], sign: float, size: Size) -> None:
    at, _, highest = _thin(tops, size.points)
    starts = _buckets(len(tops), size.points)
    typical = np.add.reduceat(tops.astype(np.float64), starts) / np.diff(np.append(starts, len(tops)))
    seconds = (at + 0.5) / HOPS_PER_SECOND
    axes.fill_between(seconds, 0.0, sign * highest, color=WASH, linewidth=0.0)
    axes.fill_between(seconds, 0.0, sign * typical, color=GREY, linewidth=0.0)


def _full_scale(axes: "Axes", full: NDArray[np.bool_], sign: float, reach: float, size: Size) -> None:
    """A tick for every place; as one path, since a clipped master has thousands."""
    at, _, reached = _thin(full, size.points)
    at = (at[reached > 0.0] + 0.5) / HOPS_PER_SECOND
    x = np.repeat(at, 3)
    y = np.tile([sign * reach * 1.05, sign * reach * 1.15, np.nan], len(at))
    axes.plot(x, y, color=MARK, linewidth=0.8)


def _scale(axes: "Axes", reach: float, mirrored: bool) -> None:
    levels = [0.0, -6.0]
    lines = [10.0 ** (level / 20.0) for level in levels]
    axes.set_ylim(-reach * 1.22 if mirrored else 0.0, reach * 1.22)
    axes.axhline(0.0, color=GREY, linewidth=0.5)
    places = [*lines, *(-line for line in lines)] if mirrored else lines
    axes.yaxis.set_major_locator(FixedLocator(places))
    names = {round(line, 6): minus(f"{level:.0f}") for line, level in zip(lines, levels, strict=True)}
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: names.get(round(abs(value), 6), "")))


def spectrum(name: str, measurement: Measurement) -> Picture | None:
    """Third-octave levels of middle and sides, or of all channels together; None in silence."""
    bands = measurement.series.bands
    stereo = len(bands) > measurement.format.channels
    rows = list(bands[-2:]) if stereo else [bands.sum(axis=0)]
    known = measurement.format.rate / 2.0 > EXACT_HZ
    if not rows[0].any():
        return None
    with np.errstate(divide="ignore"):
        levels = [10.0 * np.log10(row[known]) for row in rows]
    top = math.ceil((max(float(row.max()) for row in levels) + 3.0) / 10.0) * 10.0
    low = top - 70.0

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size)
        edges = _DECADES[: int(known.sum()) + 1]
        axes.stairs(np.maximum(levels[0], low), edges, baseline=low, fill=True, color=WASH, linewidth=0.0)
        axes.stairs(np.maximum(levels[0], low), edges, baseline=None, color=INK, linewidth=1.0)
        if stereo:
            axes.stairs(np.maximum(levels[1], low), edges, baseline=None, color=GREY, linewidth=1.0)
        axes.set_ylim(low, top)
        axes.yaxis.set_major_locator(MultipleLocator(20.0))
        _frequency_axis(axes, size)
        _unit(axes, size, "dB, third octaves")

    loudest = BANDS_HZ[int(np.argmax(rows[0]))]
    label = f"Spectrum in third octaves. Strongest band {'of the middle ' if stereo else ''}at {_hertz(loudest)}Hz."
    key = [("line", "middle"), ("line-grey", "sides")] if stereo else [("line", "all channels")]
    return draw(name, 1.45, paint, label, key)


def _frequency_axis(axes: "Axes", size: Size) -> None:
    axes.set_xlim(float(_DECADES[0]), float(_DECADES[-1]))
    marks = (50, 200, 1000, 5000, 20000) if size.narrow else (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    axes.xaxis.set_major_locator(FixedLocator([math.log10(hz) for hz in marks]))
    names = [_hertz(hz) + ("Hz" if hz == marks[-1] else "") for hz in marks]
    axes.xaxis.set_major_formatter(FuncFormatter(lambda _, place: names[place] if place is not None else ""))


def _hertz(hz: float) -> str:
    return f"{hz / 1000.0:.3g} k" if hz >= 999.5 else f"{hz:.3g} "


@dataclass(frozen=True, slots=True)
class Bar:
    """One track in the picture of an album: its number there, its figures."""

    number: str
    loudness: float | None
    short_term: float | None
    true_peak: float | None


def album_loudness(name: str, bars: Sequence[Bar], whole: float | None, targets: Sequence[Level]) -> Picture | None:
    """Integrated loudness and loudest 3 s of every track, the album's loudness, the targets; None in silence."""
    known = [bar.loudness for bar in bars if bar.loudness is not None]
    if not known or whole is None:
        return None
    targets = merged(targets)
    loudest = [bar.short_term for bar in bars if bar.short_term is not None]
    lines = [whole, *(value for _, value in targets)]
    top = max(*known, *loudest, *lines) + 2.5
    low = math.floor(min(*known, *lines) - 4.0)

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size, bottom=0.34)
        _columns(axes, size, [(bar.number, bar.loudness) for bar in bars], low, math.inf)
        for at, bar in enumerate(bars):
            if bar.short_term is not None:
                axes.plot([at], [bar.short_term], "o", markersize=3.5, mfc=PAPER, mec=INK, mew=0.9)
        axes.axhline(whole, color=INK, linewidth=0.8, dashes=(7, 3))
        for _, value in targets:
            axes.axhline(value, color=MARK, linewidth=0.9, dashes=(1.5, 1.5))
        axes.set_ylim(low, top)
        _unit(axes, size, "LUFS")

    key = [("column", "integrated"), ("ring", "loudest 3 s"), ("dash", minus(f"album {whole:.1f} LUFS"))]
    key += [("target", minus(f"target {value:.1f} LUFS, {who}")) for who, value in targets]
    listed = "; ".join(f"track {bar.number} {_figure(bar.loudness)}" for bar in bars)
    label = f"Loudness of the tracks in LUFS: {listed}. Album {whole:.1f} LUFS."
    return draw(name, 1.9, paint, minus(label), key)


def album_peaks(name: str, bars: Sequence[Bar], limits: Sequence[Level]) -> Picture | None:
    """True peak of every track against the limits; None in silence."""
    known = [bar.true_peak for bar in bars if bar.true_peak is not None]
    if not known:
        return None
    limits = merged(limits)
    lowest = min((value for _, value in limits), default=math.inf)
    top = max(*known, *(value for _, value in limits), 0.0) + 0.8
    low = math.floor(min(*known, *(value for _, value in limits), -3.0) - 1.0)

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size, bottom=0.34)
        _columns(axes, size, [(bar.number, bar.true_peak) for bar in bars], low, lowest)
        for _, value in limits:
            axes.axhline(value, color=MARK, linewidth=0.9, dashes=(1.5, 1.5))
        axes.set_ylim(low, top)
        _unit(axes, size, "dBTP")

    key = [("column", "true peak")]
    if any(peak > lowest for peak in known):
        key.append(("column over", "above the lowest limit"))
    key += [("target", minus(f"limit {round(value, 1) + 0.0:.1f} dB, {who}")) for who, value in limits]
    listed = "; ".join(f"track {bar.number} {_figure(bar.true_peak)}" for bar in bars)
    return draw(name, 1.55, paint, minus(f"True peak of the tracks in dBTP: {listed}."), key)


def _columns(axes: "Axes", size: Size, columns: Sequence[tuple[str, float | None]], low: float, limit: float) -> None:
    """A column a track up from the scale's end, with a heavy top; marked where it passes the limit."""
    for at, (_, value) in enumerate(columns):
        if value is None:
            continue
        colour = MARK if value > limit else INK
        axes.bar([at], [value - low], bottom=low, width=0.62, color=WASH, linewidth=0.0)
        axes.plot([at - 0.31, at + 0.31], [value, value], color=colour, linewidth=2.0)
    axes.set_xlim(-0.6, max(len(columns), 4) - 0.4)
    step = max(1, math.ceil(len(columns) / (14 if size.narrow else 40)))
    axes.xaxis.set_major_locator(FixedLocator(list(range(0, len(columns), step))))
    figures = len(columns) <= (8 if size.narrow else 20)
    axes.xaxis.set_major_formatter(
        FuncFormatter(
            lambda at, _: (
                f"{columns[round(at)][0]}\n{minus(_figure(columns[round(at)][1]))}"
                if figures
                else columns[round(at)][0]
            )
        )
    )
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))


def _figure(value: float | None) -> str:
    return "\u2013" if value is None else f"{value:.1f}"


def gain_reduction(
    name: str, curves: Sequence[tuple[str, NDArray[np.float64], float]], worst: Sequence[float] = ()
) -> Picture | None:
    """How far a limiter turns down over time, downwards; None where there is no curve.

    Parameters
    ----------
    curves : sequence of (str, (n,) float64, float)
        What works, its gain reduction in dB (NaN where nothing plays), seconds from value to value. The first is the
        heavy one.
    worst : sequence of float
        Seconds of the places to mark.
    """
    if not curves or not np.isfinite(curves[0][1]).any():
        return None
    deepest = max(float(np.nanmax(curve)) for _, curve, _ in curves)
    duration = max(len(curve) * step for _, curve, step in curves)
    bottom = max(math.ceil(deepest * 1.08 + 0.2), 3.0)

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size)
        for place, (_, curve, step) in reversed(list(enumerate(curves))):
            at, _, highest = _thin(curve, size.points)
            seconds = (at + 0.5) * step
            if place == 0:
                axes.fill_between(seconds, 0.0, highest, color=WASH, linewidth=0.0)
            axes.plot(seconds, highest, color=GREY if place else INK, linewidth=0.6 if place else 0.9)
        axes.plot(list(worst), [bottom * 0.96] * len(worst), "^", color=MARK, markersize=4.5)
        axes.set_ylim(bottom, 0.0)
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: minus(f"{-value:.0f}") if value else "0"))
        _time_axis(axes, duration, size)
        _unit(axes, size, "dB")

    key = [("line-grey" if place else "line", words) for place, (words, _, _) in enumerate(curves)]
    if worst:
        key.append(("point up", "where it works hardest"))
    return draw(name, 1.5, paint, f"Gain reduction over time, at most {deepest:.1f} dB.", key)


def transfer_curves(name: str, sides: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64]]]) -> Picture | None:
    """What became of each side's waveform, against the straight line of its small signals; None without a side.

    Parameters
    ----------
    sides : sequence of (str, (n,) float64, (n,) float64)
        Name, what went in and what came out, both in rising order and with the small-signal gain taken out.
    """
    if not sides:
        return None
    reach = max(float(np.abs(into).max()) for _, into, _ in sides) or 1.0

    def paint(figure: Figure, size: Size) -> None:
        columns = min(len(sides), 2 if size.narrow else 4)
        rows = math.ceil(len(sides) / columns)
        width, height = figure.get_size_inches()
        each = (width - 0.3) / columns
        tall = height / rows
        for place, (words, into, out) in enumerate(sides):
            row, column = divmod(place, columns)
            side = min(each - 0.3, tall - 0.42)
            left, bottom = 0.3 + column * each, (rows - 1 - row) * tall + 0.22
            axes = figure.add_axes((left / width, bottom / height, side / width, side / height))
            _plain_axes(axes, size)
            axes.plot([-reach, reach], [-reach, reach], color=MARK, linewidth=0.9, dashes=(1.5, 1.5))
            axes.plot(into, out, color=INK, linewidth=1.1)
            axes.set_xlim(-reach, reach)
            axes.set_ylim(-reach, reach)
            # The corners share one label.
            axes.xaxis.set_major_locator(FixedLocator([-reach, 0.0, reach]))
            axes.yaxis.set_major_locator(FixedLocator([0.0, reach]))
            for axis in (axes.xaxis, axes.yaxis):
                axis.set_major_formatter(FuncFormatter(lambda value, _: minus(f"{value:.2g}")))
            axes.set_title(words, loc="left", y=1.0, fontsize=size.text, color=INK, pad=3)

    # The telephone's drawing has two columns, and so needs twice the height.
    listed = ", ".join(words for words, _, _ in sides)
    key = (("line", "what became of it"), ("target", "the straight line of small signals"))
    label = f"Transfer curves of {listed}: output against input, full scale is 1."
    return draw(name, 1.85, paint, label, key, narrow_height=3.5 if len(sides) > 2 else 1.85)


def _plain_axes(axes: "Axes", size: Size) -> None:
    axes.patch.set_visible(False)
    for spine in axes.spines.values():
        spine.set_color(HAIR)
        spine.set_linewidth(0.6)
    axes.tick_params(colors=GREY, labelcolor=GREY, width=0.5, length=0, pad=2, labelsize=size.text)
    axes.grid(color=HAIR, linewidth=0.5)
    axes.set_axisbelow(True)


def spectrum_change(name: str, curves: Sequence[tuple[str, NDArray[np.float64]]]) -> Picture | None:
    """What happened to the level in every third octave, up and down from none; None where nothing is known.

    Parameters
    ----------
    curves : sequence of (str, (30,) float64)
        Name and change in dB in the bands of `meters.spectrum`; NaN where there is nothing to compare. The first is
        the heavy one.
    """
    known = [np.abs(change[np.isfinite(change)]) for _, change in curves]
    if not any(len(change) for change in known):
        return None
    reach = max(math.ceil(max(float(change.max()) for change in known if len(change)) * 1.1), 3)

    def paint(figure: Figure, size: Size) -> None:
        axes = _axes(figure, size)
        for place, (_, change) in reversed(list(enumerate(curves))):
            if place == 0:
                axes.stairs(np.nan_to_num(change), _DECADES, fill=True, color=WASH, linewidth=0.0)
            axes.stairs(change, _DECADES, baseline=None, color=GREY if place else INK, linewidth=1.0)
        axes.axhline(0.0, color=GREY, linewidth=0.6)
        axes.set_ylim(-reach, reach)
        axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: minus(f"{value:+.0f}") if value else "0"))
        _frequency_axis(axes, size)
        _unit(axes, size, "dB, third octaves")

    key = [("line-grey" if place else "line", words) for place, (words, _) in enumerate(curves)]
    first = curves[0][1]
    most = int(np.nanargmax(np.abs(first))) if np.isfinite(first).any() else 0
    label = f"Change of the spectrum in third octaves. Most, {curves[0][0]}: {first[most]:+.1f} dB at "
    return draw(name, 1.5, paint, minus(f"{label}{_hertz(BANDS_HZ[most])}Hz."), key)


def seal(digest: bytes, word: str) -> str:
    """A ring of fine lines drawn from a checksum, as on a certificate, around the verdict.

    The same files give the same ring; 32 bytes decide its waves.

    Parameters
    ----------
    digest : bytes
        Of the files reported on; hashed again, so any length will do.
    word : str
        The verdict; printed inside, a word a line.
    """
    seed = hashlib.sha256(digest).digest()
    copies = 7
    rings = []
    for ring, (radius, swing) in enumerate(((41.0, 5.5), (33.0, 3.5))):
        a, b, c, d = seed[4 * ring : 4 * ring + 4]
        petals = 9 + a % 12 + 4 * ring
        slow = 2 + b % 5
        phase, depth = c / 256.0 * 2.0 * math.pi, 0.35 + d / 256.0 * 0.5
        turn = np.linspace(0.0, 2.0 * math.pi, 40 * petals // 3, endpoint=False)
        radii = radius + swing * np.sin(petals * turn) * (1.0 - depth * (0.5 + 0.5 * np.sin(slow * turn + phase)))
        points = " ".join(
            f"{50 + r * math.cos(t):.1f},{50 + r * math.sin(t):.1f}" for r, t in zip(radii, turn, strict=True)
        )
        step = 360.0 / petals / copies
        uses = "".join(f'<use href="#ring{ring}" transform="rotate({k * step:.2f} 50 50)"/>' for k in range(1, copies))
        rings.append(f'<polygon id="ring{ring}" points="{points}"/>{uses}')
    lines = word.split()
    top = 50.0 + 3.4 - 5.0 * (len(lines) - 1)
    text = "".join(f'<text x="50" y="{top + 10 * k:.1f}">{line}</text>' for k, line in enumerate(lines))
    return (
        '<svg class="seal" viewBox="0 0 100 100" aria-hidden="true" focusable="false">'
        f'<g fill="none" stroke="var(--mark)" stroke-width=".35">{"".join(rings)}</g>{text}</svg>'
    )
