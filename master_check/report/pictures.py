"""Pictures for the HTML reports: what was measured, over time, frequency or tracks, as plots of `svg`.

Nothing is computed or judged here: limits and what breaks them come from the profiles' findings.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of, decibels_each, power_decibels_each
from master_check.measurement.measurement import SUMS, Measurement
from master_check.meters.clipping import full_scale
from master_check.meters.loudness import MOMENTARY, SHORT_TERM
from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ, EXACT_HZ
from master_check.report.svg import Floats, Plot, Tick, columns, round_places, thinned
from master_check.sound.blocks import HOPS_PER_SECOND
from master_check.tables.quantities import QUANTITIES
from master_check.text import clock

DECADES: Final = np.log10(EDGES_HZ)
"""Edges of the third octaves on a scale of their logarithm."""

DOWN: Final = "M-4.5-7h9L0 0z"
UP: Final = "M-4.5 0h9L0-7z"
SQUARE: Final = "M-3.5-7h7v7h-7z"
RING: Final = "M-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"
"""Marks, pixels around their places: all stand on a line, but for the ring."""


FARTHEST_LU: Final = 30.0
"""A level farther than this from the loudness is left to the table: its line would press the rest together."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing, what it shows in words, and its key.

    Attributes
    ----------
    svg : str
        Markup for a page.
    label : str
        What the picture shows, for those who do not see it.
    key : tuple of (str, str)
        CSS class of a swatch, and what is drawn so.
    """

    svg: str
    label: str
    key: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Level:
    """A level to be drawn across: its value in the picture's unit, what it is, and how it is drawn.

    `target` is for what somebody asks for, `played` for what merely happens there.
    """

    value: float
    words: str
    style: str = "target"


def minus(text: str) -> str:
    """Hyphens before digits as minus signs."""
    return re.sub(r"(?<![\w.])-(?=\d)", "\u2212", text)


def loudness_over_time(measurement: Measurement, levels: Sequence[Level]) -> Picture | None:
    """Momentary, short-term and integrated loudness, and levels in LUFS; None shorter than 400 ms."""
    momentary, integrated = measurement.series.momentary(), measurement.values["integrated_lufs"]
    if not len(momentary) or not isinstance(integrated, float):
        return None
    short = measurement.series.short_term()
    levels = [level for level in levels if abs(level.value - integrated) <= FARTHEST_LU]
    low, high = loudness_span(momentary, short, [integrated, *(level.value for level in levels)])
    levels = [level for level in levels if low <= level.value <= high]
    duration = _duration(measurement)
    plot = Plot((0.0, duration), (low, high))
    plot.scale_y([Tick(at, number_text(at)) for at in round_places(low, high, 6, (1, 2, 3, 6))], "LUFS")
    floor = low - 1.0  # silence is drawn below the picture
    band = thinned(np.maximum(momentary, floor))
    plot.area((band.at + MOMENTARY / 2.0) / HOPS_PER_SECOND, band.low, band.high, "band")  # a window at its middle
    if len(short):
        line = thinned(np.maximum(short, floor))
        plot.envelope((line.at + SHORT_TERM / 2.0) / HOPS_PER_SECOND, line, "line")
    plot.level(integrated, "dash")
    _draw_levels(plot, levels)
    plot.scale_x(times(duration))
    key = [("band", "momentary, 400 ms"), *([("line", "short-term, 3 s")] if len(short) else [])]
    key.append(("dash", minus(f"integrated {integrated:.1f} LUFS")))
    label = f"Loudness over time. Integrated {integrated:.1f} LUFS"
    for words, found in (("momentary", "momentary_max_lufs"), ("short-term", "short_term_max_lufs")):
        if (value := measurement.values[found]) is not None:
            label += f"; highest {words} {float(value):.1f} LUFS"
    label += "".join(f"; {level.words}" for level in levels)
    return Picture(plot.svg(), minus(label + "."), (*key, *_keys(levels)))


def loudness_span(momentary: Floats, short: Floats, lines: Sequence[float]) -> tuple[float, float]:
    """Scale from below the quiet passages, at most 48 LU, to above the loudest."""
    heard = short[np.isfinite(short)] if np.isfinite(short).any() else momentary[np.isfinite(momentary)]
    top = math.ceil((max(float(momentary.max()), *lines) + 1.0) / 3.0) * 3.0
    bottom = min(float(np.percentile(heard, 3)) - 2.0, *(line - 6.0 for line in lines), top - 12.0)
    return max(math.floor(bottom / 3.0) * 3.0, top - 48.0), top


def _draw_levels(plot: Plot, levels: Iterable[Level]) -> None:
    for value, style in dict.fromkeys((level.value, level.style) for level in levels):
        plot.level(value, style)


def _keys(levels: Iterable[Level]) -> tuple[tuple[str, str], ...]:
    return tuple((level.style, minus(level.words)) for level in levels)


def _duration(measurement: Measurement) -> float:
    return max(float(measurement.values["duration_s"] or 0.0), 0.01)


def number_text(value: float, form: str = ".0f") -> str:
    return minus(f"{value + 0.0:{form}}")


STEPS_S: Final = (
    0.002,
    0.005,
    0.01,
    0.02,
    0.05,
    0.1,
    0.2,
    0.5,
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    1200,
    1800,
    3600,
    7200,
)


def times(duration: float) -> list[Tick]:
    """At most ten times, half as many where it is narrow."""
    step = next((step for step in STEPS_S if duration / step <= 10), duration / 10)
    count = math.floor(duration / step + 1e-6) + 1
    decimals = max(0, -math.floor(math.log10(step)))
    every = math.ceil(count / 5)
    return [Tick(place * step, clock(place * step, decimals), roomy=place % every != 0) for place in range(count)]


@dataclass(frozen=True, slots=True)
class _Mark:
    """A moment on the waveform: when, its shape and style, which is the key's swatch too, and words."""

    at_s: float
    shape: str
    style: str
    words: str


def waveform(measurement: Measurement, levels: Sequence[Level]) -> Picture | None:
    """Peaks over time with every 10 ms at full scale marked, and levels in dBFS; None in silence.

    Of one channel or two the first is drawn upwards, the second downwards; of more each has a row. Which 10 ms reach
    full scale is known of all places; of overs between samples below it, and of flat tops, the measurement keeps the
    first.
    """
    form, values = measurement.format, measurement.values
    tops = measurement.series.tops[: measurement.series.channels]
    if not tops.size or not float(tops.max()):
        return None
    full = tops >= np.float32(full_scale(form))
    marks, duration, reach = _marks(measurement), _duration(measurement), max(1.0, float(tops.max()))
    # What cannot be told from the middle line, or lies above the picture, is left to the table.
    levels = [level for level in levels if 0.02 * reach < amplitude_of(level.value) < 1.2 * reach]
    draw = _mirrored if form.channels <= 2 else _stacked
    svg = draw(_Waveform(tops, full, form.labels, duration, reach, levels, marks))
    key = [("band", "highest peak"), ("line-thin", "average of the 10 ms peaks"), *_keys(levels)]
    label = f"Waveform, {form.channels} channel{'s' if form.channels > 1 else ''}, {duration:.0f} s. "
    label += f"Sample peak {QUANTITIES['sample_peak_dbfs'].format(values['sample_peak_dbfs'])}"
    for words, found in (("clipped runs", "clipped_runs"), ("true-peak overs", "true_peak_over_runs")):
        label += f"; {words}: {values[found]}" if values[found] else ""
    if full.any():
        key.append(("tick", "10 ms steps that reach full scale"))
        label += f". Full scale is reached during {int(full.any(axis=0).sum()) / HOPS_PER_SECOND:.2f} s"
    key += [(mark.style, mark.words) for mark in marks]
    label += "".join(f"; {mark.words}, at {mark.at_s:.3f} s" for mark in marks)
    return Picture(svg, minus(label + "."), tuple(key))


@dataclass(frozen=True, slots=True)
class _Waveform:
    """What is drawn of a file's peaks: (channels, hops) magnitudes and whether they reach full scale, and the rest."""

    tops: NDArray[np.float32]
    full: NDArray[np.bool_]
    labels: Sequence[str]
    duration: float
    reach: float
    levels: Sequence[Level]
    marks: Sequence[_Mark]


def _marks(measurement: Measurement) -> list[_Mark]:
    at_s, marks = measurement.at_s, []
    if "true_peak_over_runs" in at_s:
        marks.append(_Mark(at_s["true_peak_over_runs"], DOWN, "point open", "first true-peak over"))
    if "flat_top_runs" in at_s:
        marks.append(_Mark(at_s["flat_top_runs"], SQUARE, "square", "first flat top"))
    if "hidden_clipped_runs" in at_s:
        marks.append(_Mark(at_s["hidden_clipped_runs"], SQUARE, "square", "first hidden clip"))
    if "true_peak_dbtp" in at_s:
        peak = QUANTITIES["true_peak_dbtp"].format(measurement.values["true_peak_dbtp"])
        marks.append(_Mark(at_s["true_peak_dbtp"], DOWN, "point", f"highest true peak, {minus(peak)}"))
    return marks


def _mirrored(wave: _Waveform) -> str:
    signs = (1.0, -1.0)[: len(wave.tops)]
    end = 1.22 * wave.reach
    plot = Plot((0.0, wave.duration), (-end if len(signs) == 2 else 0.0, end))
    lines = [(sign * amplitude_of(db), number_text(db)) for db in (0.0, -6.0) for sign in signs]
    plot.scale_y([Tick(at, words) for at, words in lines], "dBFS")
    for row, sign in enumerate(signs):
        _wave(plot, wave, row, sign)
        plot.beside(0.5 * sign * wave.reach, wave.labels[row] if len(signs) == 2 else "")
    plot.level(0.0, "base")
    for sign in signs:
        _draw_levels(plot, [replace(level, value=sign * amplitude_of(level.value)) for level in wave.levels])
    for mark in wave.marks:
        plot.mark(mark.at_s, end, mark.shape, mark.style)
    plot.scale_x(times(wave.duration))
    return plot.svg()


def _stacked(wave: _Waveform) -> str:
    rows = []
    end = 1.22 * wave.reach
    last = len(wave.tops) - 1
    for row, label in enumerate(wave.labels):
        plot = Plot((0.0, wave.duration), (0.0, end), "plot row")
        plot.scale_y([Tick(0.5 * wave.reach, label)])
        _wave(plot, wave, row, 1.0)
        _draw_levels(plot, [replace(level, value=amplitude_of(level.value)) for level in wave.levels])
        for mark in wave.marks if row == 0 else ():
            plot.mark(mark.at_s, end, mark.shape, mark.style)
        plot.scale_x(times(wave.duration) if row == last else ())
        rows.append(plot.svg())
    return "".join(rows)


def _wave(plot: Plot, wave: _Waveform, row: int, sign: float) -> None:
    tops, starts = wave.tops[row], columns(len(wave.tops[row]))
    highest = thinned(tops)
    average = np.add.reduceat(tops.astype(np.float64), starts) / np.diff(np.append(starts, len(tops)))
    seconds = (highest.at + 0.5) / HOPS_PER_SECOND
    plot.area(seconds, 0.0, sign * highest.high, "band")
    plot.line(seconds, sign * average, "line-thin")
    plot.dashes(seconds, thinned(wave.full[row]).high > 0.0, 1.11 * sign * wave.reach, "tick")


def spectrum(measurement: Measurement) -> Picture | None:
    """Third-octave levels of middle and sides, or of all channels together; None in silence."""
    series = measurement.series
    stereo = set(SUMS) <= set(series.rows)
    rows = [series.bands_of(row) for row in SUMS] if stereo else [series.bands[: series.channels].sum(axis=0)]
    known = measurement.format.rate / 2.0 > EXACT_HZ
    if not rows[0].any():
        return None
    levels = [power_decibels_each(row[known]) for row in rows]
    top = math.ceil((max(float(row.max()) for row in levels) + 3.0) / 10.0) * 10.0
    low = top - 70.0
    edges = DECADES[: int(known.sum()) + 1]
    plot = frequency_plot(low, top, [Tick(at, number_text(at)) for at in np.arange(top, low - 1.0, -20.0)])
    first, *sides = (np.maximum(row, low - 10.0) for row in levels)
    plot.stairs(edges, first, "band", base=low)
    for row in sides:
        plot.stairs(edges, row, "line-grey")
    plot.stairs(edges, first, "line")
    plot.scale_x(_frequencies())
    loudest = BANDS_HZ[int(np.argmax(rows[0]))]
    label = f"Spectrum in third octaves. Strongest band {'of mid ' if stereo else ''}at {_hertz(loudest)}Hz."
    key = [("line", "mid"), ("line-grey", "sides")] if stereo else [("line", "all channels")]
    return Picture(plot.svg(), label, tuple(key))


def frequency_plot(low: float, high: float, ticks: Iterable[Tick]) -> Plot:
    plot = Plot((float(DECADES[0]), float(DECADES[-1])), (low, high), "plot low")
    plot.scale_y(ticks, "dB, third octaves")
    return plot


def _frequencies() -> list[Tick]:
    marks = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    names = [_hertz(hz).strip() for hz in marks[:-1]] + [f"{_hertz(marks[-1])}Hz"]
    pairs = zip(marks, names, strict=True)
    return [Tick(math.log10(hz), name, roomy=place % 2 == 0) for place, (hz, name) in enumerate(pairs)]


def _hertz(hz: float) -> str:
    return f"{hz / 1000.0:.3g} k" if hz >= 999.5 else f"{hz:.3g} "


@dataclass(frozen=True, slots=True)
class Bar:
    """One track in the pictures of an album: its number there, its figures, and the keys of those that break a rule."""

    number: str
    loudness: float | None
    short_term: float | None
    true_peak: float | None
    broken: frozenset[str] = frozenset()


def album_loudness(bars: Sequence[Bar], whole: float | None, levels: Sequence[Level]) -> Picture | None:
    """Integrated loudness and loudest 3 s of every track, the album's loudness, levels in LUFS; None in silence."""
    known = [bar.loudness for bar in bars if bar.loudness is not None]
    if not known or whole is None:
        return None
    loudest = [bar.short_term for bar in bars if bar.short_term is not None]
    lines = [whole, *(level.value for level in levels)]
    plot = _over_tracks(bars, math.floor(min(*known, *lines) - 4.0), max(*known, *loudest, *lines) + 2.5, "LUFS")
    broken = _columns(plot, [(bar.loudness, "integrated_lufs" in bar.broken) for bar in bars])
    for at, bar in enumerate(bars):
        if bar.short_term is not None:
            plot.mark(at, bar.short_term, RING, "ring")
    plot.level(whole, "dash")
    _draw_levels(plot, levels)
    plot.scale_x(_numbers(bars, [bar.loudness for bar in bars]))
    key = [("column", "integrated"), *broken, ("ring", "loudest 3 s"), ("dash", minus(f"album {whole:.1f} LUFS"))]
    listed = "; ".join(f"track {bar.number} {_figure(bar.loudness)}" for bar in bars)
    label = f"Loudness of the tracks in LUFS: {listed}. Album {whole:.1f} LUFS."
    return Picture(plot.svg(), minus(label), (*key, *_keys(levels)))


def album_peaks(bars: Sequence[Bar], levels: Sequence[Level]) -> Picture | None:
    """True peak of every track, and levels in dBTP; None in silence."""
    known = [bar.true_peak for bar in bars if bar.true_peak is not None]
    if not known:
        return None
    lines = [level.value for level in levels]
    plot = _over_tracks(bars, math.floor(min(*known, *lines, -3.0) - 1.0), max(*known, *lines, 0.0) + 0.8, "dBTP")
    broken = _columns(plot, [(bar.true_peak, "true_peak_dbtp" in bar.broken) for bar in bars])
    _draw_levels(plot, levels)
    plot.scale_x(_numbers(bars, [bar.true_peak for bar in bars]))
    listed = "; ".join(f"track {bar.number} {_figure(bar.true_peak)}" for bar in bars)
    key = (("column", "true peak"), *broken, *_keys(levels))
    return Picture(plot.svg(), minus(f"True peak of the tracks in dBTP: {listed}."), key)


def rehearsed_peaks(bars: Sequence[Bar], master: float | None, levels: Sequence[Level]) -> Picture | None:
    """True peak of every rehearsal, that of the master, and levels in dBTP; None in silence."""
    known = [bar.true_peak for bar in bars if bar.true_peak is not None]
    if not known or master is None:
        return None
    lines = [master, *(level.value for level in levels)]
    plot = _over_tracks(bars, math.floor(min(*known, *lines, -2.0) - 0.5), max(*known, *lines, 0.0) + 0.5, "dBTP")
    broken = _columns(plot, [(bar.true_peak, bool(bar.broken)) for bar in bars])
    plot.level(master, "dash")
    _draw_levels(plot, levels)
    plot.scale_x(_numbers(bars, [bar.true_peak for bar in bars]))
    listed = "; ".join(f"number {bar.number} {_figure(bar.true_peak)}" for bar in bars)
    key = (("column", "what comes out"), *broken, ("dash", minus(f"master {master:.1f} dBTP")), *_keys(levels))
    return Picture(plot.svg(), minus(f"True peak of what comes out in dBTP: {listed}. Master {master:.1f} dBTP."), key)


def overs(runs: Sequence[tuple[str, Measurement, float]]) -> Picture | None:
    """Samples above a level over time, in dB above it, a row for each rehearsal; None where nothing is above.

    Parameters
    ----------
    runs : sequence of (str, Measurement, float)
        Its number, what came out, the level in dBFS.
    """
    curves = [(number, _above(measurement, level), _duration(measurement)) for number, measurement, level in runs]
    over = [(number, curve, duration) for number, curve, duration in curves if curve.any()]
    if not over:
        return None
    reach = max(float(curve.max()) for _, curve, _ in over)
    rows = []
    for place, (number, curve, duration) in enumerate(over, start=1):
        plot = Plot((0.0, duration), (0.0, 1.15 * reach), "plot row")
        plot.scale_y([Tick(0.5 * reach, number)])
        highest = thinned(curve)
        seconds = (highest.at + 0.5) / HOPS_PER_SECOND
        plot.area(seconds, 0.0, highest.high, "band")
        plot.dashes(seconds, highest.high > 0.0, 0.0, "tick")
        plot.scale_x(times(duration) if place == len(over) else ())
        rows.append(plot.svg())
    numbers = ", ".join(f"number {number}" for number, _, _ in over)
    label = f"Samples above the peak limit over time, at most {reach:.1f} dB, of {numbers}."
    return Picture("".join(rows), label, (("band", f"above the limit, at most {reach:.1f} dB"), ("tick", "where")))


def _above(measurement: Measurement, level: float) -> NDArray[np.float64]:
    """How far the highest sample of every 10 ms lies above a level, dB; 0 below."""
    tops = measurement.series.tops[: measurement.series.channels].max(axis=0)
    return np.maximum(decibels_each(np.maximum(tops, 1e-9)) - level, 0.0)


def _over_tracks(bars: Sequence[Bar], low: float, high: float, unit: str) -> Plot:
    plot = Plot((-0.6, max(len(bars), 4) - 0.4), (low, high), "plot low tracks")
    plot.scale_y([Tick(at, number_text(at)) for at in round_places(low, high, 5, (1, 2, 5))], unit)
    return plot


def _columns(plot: Plot, columns: Sequence[tuple[float | None, bool]]) -> list[tuple[str, str]]:
    """A column a track up from the scale's end; the key to those that break a rule, if there are any."""
    low = plot.y[0]
    for at, (value, broken) in enumerate(columns):
        if value is not None:
            plot.bar(at - 0.31, at + 0.31, low, value, "column over" if broken else "column")
    return [("column over", "breaks a rule")] if any(broken for _, broken in columns) else []


def _numbers(bars: Sequence[Bar], values: Sequence[float | None]) -> list[Tick]:
    """Numbers of the tracks, and their figures as far as there is room."""
    step = math.ceil(len(bars) / 40)
    narrow = step * math.ceil(len(bars) / 14 / step)
    figures = len(bars) <= 20
    return [
        Tick(
            at,
            bars[at].number,
            roomy=at % narrow != 0,
            below=minus(_figure(values[at])) if figures else "",
            below_roomy=len(bars) > 8,
        )
        for at in range(0, len(bars), step)
    ]


def _figure(value: float | None) -> str:
    return "\u2013" if value is None else f"{value:.1f}"


def gain_reduction(
    curves: Sequence[tuple[str, NDArray[np.float64], float]], worst: Sequence[float] = ()
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
    plot = Plot((0.0, duration), (bottom, -0.02 * bottom), "plot low")
    plot.scale_y([Tick(at, number_text(-at)) for at in round_places(0.0, bottom, 5, (1, 2, 5))], "dB")
    for place, (_, curve, step) in reversed(list(enumerate(curves))):
        thin = thinned(curve)
        seconds = (thin.at + 0.5) * step
        if place == 0:
            plot.area(seconds, 0.0, thin.high, "band")
        plot.line(seconds, thin.high, "line-grey" if place else "line")
    for at in worst:
        plot.mark(at, bottom, UP, "point up")
    plot.scale_x(times(duration))
    key = [("line-grey" if place else "line", words) for place, (words, _, _) in enumerate(curves)]
    if worst:
        key.append(("point up", "where it limits hardest"))
    return Picture(plot.svg(), f"Gain reduction over time, at most {deepest:.1f} dB.", tuple(key))


def transfer_curves(sides: Sequence[tuple[str, NDArray[np.float64], NDArray[np.float64]]]) -> Picture | None:
    """What became of each side's waveform, against the straight line of its small signals; None without a side.

    Parameters
    ----------
    sides : sequence of (str, (n,) float64, (n,) float64)
        Name, what went in and what came out, both in rising order and with the small-signal gain taken out.
    """
    if not sides:
        return None
    reach = max(float(np.abs(into).max()) for _, into, _ in sides) or 1.0
    panels = []
    for words, into, out in sides:
        plot = Plot((-reach, reach), (-reach, reach), "plot panel")
        # The lower corners share one label.
        plot.scale_y([Tick(at, number_text(at, ".2g")) for at in (0.0, reach)], words)
        plot.line(np.array([-reach, reach]), np.array([-reach, reach]), "target")
        plot.line(into, out, "line")
        plot.scale_x([Tick(at, number_text(at, ".2g")) for at in (-reach, 0.0, reach)])
        panels.append(plot.svg())
    listed = ", ".join(words for words, _, _ in sides)
    key = (("line", "output"), ("target", "small signals, continued"))
    label = f"Transfer curves of {listed}: output against input, full scale is 1."
    return Picture(f'<div class="panels">{"".join(panels)}</div>', label, key)


def spectrum_change(curves: Sequence[tuple[str, NDArray[np.float64]]]) -> Picture | None:
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
    ticks = [Tick(at, number_text(at, "+.0f") if at else "0") for at in round_places(-reach, reach, 6, (1, 2, 5))]
    plot = frequency_plot(-reach, reach, ticks)
    plot.stairs(DECADES, np.nan_to_num(curves[0][1]), "band", base=0.0)
    plot.level(0.0, "base")
    for place, (_, change) in reversed(list(enumerate(curves))):
        plot.stairs(DECADES, change, "line-grey" if place else "line")
    plot.scale_x(_frequencies())
    key = [("line-grey" if place else "line", words) for place, (words, _) in enumerate(curves)]
    first = curves[0][1]
    most = int(np.nanargmax(np.abs(first))) if np.isfinite(first).any() else 0
    label = f"Change of the spectrum in third octaves. Most, {curves[0][0]}: {first[most]:+.1f} dB at "
    return Picture(plot.svg(), minus(f"{label}{_hertz(BANDS_HZ[most])}Hz."), tuple(key))
