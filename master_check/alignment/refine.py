"""From where two signals lie at a low rate to a fraction of a sample: passages at the full rate, looked at twice."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.channels import Fed, fed, is_folded, undone
from master_check.alignment.lines import Line, Points, fitted
from master_check.alignment.overview import HOPS_PER_SECOND, Overview
from master_check.alignment.spectra import Complex, Spectra, coherence, passage_of, peak, phase, spectra, window_of
from master_check.alignment.views import Feed, Placed
from master_check.sound.kept import Signal

PASSAGES: Final = 16
"""Passages looked at at the full rate, in all."""

TURNS: Final = 2
"""Times that they are looked at, each time nearer to where they lie."""

NEAR_S: Final = 0.001
"""By how much a passage may lie beside the others."""

TELLING: Final = 5.0
"""A single passage's peak counts from so many times its usual height on."""

WHOLE: Final = 0.01
"""Samples by which an offset may lie beside a whole number and still be one."""

HEARD_HZ: Final = (50.0, 10_000.0)

WEAK: Final = 0.01
"""Power of the middle against a channel's below which there is hardly any."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Refined:
    """How two signals lie, to a fraction of a sample.

    Attributes
    ----------
    lines : tuple of Line
    feeds : tuple of Feed
        A channel of the first signal each.
    height : float
        How far the clearest correlation stands out.
    coherence : float
        Mean over `HEARD_HZ`, of what both have in the middle.
    folded : bool
        The second has two equal channels, the first has not.
    """

    lines: tuple[Line, ...]
    feeds: tuple[Feed, ...]
    height: float
    coherence: float
    folded: bool


def refine(first: Signal, second: Signal, views: Sequence[Overview], lines: Sequence[Line]) -> Refined:
    """Improve lines that are right to a millisecond.

    Parameters
    ----------
    first, second : Signal
        At one sample rate.
    views : sequence of Overview
        Of the two.
    lines : sequence of Line
        At least one.
    """
    stereo = first.channels == second.channels == 2
    rows = min(first.channels, second.channels, 2)
    window = window_of(second.rate, max(line.stop - line.start for line in lines))
    spots = [
        (number, start)
        for number, line in enumerate(lines)
        for start in _loud(line, views, passage_of(window), second.rate, _share(line, lines))
    ]
    starts = [start for _, start in spots]
    channels = tuple(Feed(channel) for channel in range(first.channels))
    for _ in range(TURNS):
        found = spectra(Placed(first, lines, channels, second.frames), second, starts, window, rows)
        told = fed(found, stereo)
        lines = _moved(lines, spots, found, told, second.rate)
    # To the ends of what both have, which the low rate told only roughly.
    lines = [replace(lines[0], start=0), *lines[1:]]
    lines = [*lines[:-1], replace(lines[-1], stop=second.frames)]
    lines = [line.trimmed(first.frames) for line in lines]
    if stereo:
        feeds = tuple(replace(feed, later=_settled(feed.later)) for feed in told.feeds)
    else:
        feeds = tuple(replace(feed, sign=told.feeds[0].sign) for feed in channels)
    return Refined(tuple(lines), feeds, told.height, _coherence(found, told, second.rate), stereo and is_folded(found))


def _share(line: Line, lines: Sequence[Line]) -> int:
    return max(2, round(PASSAGES * (line.stop - line.start) / sum(each.stop - each.start for each in lines)))


def _loud(line: Line, views: Sequence[Overview], size: int, rate: int, count: int) -> list[int]:
    """Where in each of so many equal parts of a line a passage is loud in both signals."""
    first, second = (np.concatenate([[0.0], np.cumsum(view.energy)]) for view in views)
    starts = np.arange(line.start, line.stop - size + 1, max(1, size // 4))
    if not len(starts):
        return []

    def power(total: Floats, begin: Floats, length: float) -> Floats:
        at = np.arange(len(total))
        ends = (np.interp((begin + step) * (HOPS_PER_SECOND / rate), at, total) for step in (0.0, length))
        return np.asarray(np.subtract(*reversed(list(ends))) / max(float(total[-1]), 1e-30))

    common = np.minimum(
        power(first, line.place(starts), size / line.stretch), power(second, starts.astype(np.float64), size)
    )
    parts = np.array_split(np.arange(len(starts)), min(count, len(starts)))
    best = [part[int(np.argmax(common[part]))] for part in parts]
    return [int(starts[n]) for n in best if common[n] > 0.0]


def _moved(lines: Sequence[Line], spots: Sequence[tuple[int, int]], found: Spectra, told: Fed, rate: int) -> list[Line]:
    """Lines through where the passages were found to lie."""
    cross, first = undone(found, told)
    total, rows = cross.sum(axis=0), range(cross.shape[1])
    weights = [coherence(total[j, j], first[j, j], found.second[j, j]) for j in rows]
    points = []
    for (number, start), own in zip(spots, cross, strict=True):
        phases = np.sum([weight * phase(own[j, j]) for j, weight in enumerate(weights)], axis=0)
        top = peak(phases, NEAR_S * rate)
        if top.value > 0.0 and top.height > TELLING:
            middle = start + passage_of(found.size) / 2
            points.append((number, lines[number].place(middle), middle + told.lag + top.lag))
    numbers, one, other = np.array(points).reshape(-1, 3).T
    stretch, offsets = fitted(Points(numbers.astype(np.int64), one, other), len(lines))
    moved = []
    for line, offset in zip(lines, offsets, strict=True):
        # A line of which nothing is told any more keeps its middle where it was.
        middle = (line.start + line.stop) / 2
        offset = middle + told.lag - stretch * line.place(middle) if offset is None else offset
        moved.append(replace(line, offset=_settled(offset) if stretch == 1.0 else offset, stretch=stretch))
    return moved


def _settled(samples: float) -> float:
    """Whole where it may as well be, so that nothing need be interpolated."""
    return float(round(samples)) if abs(samples - round(samples)) < WHOLE else samples


def _coherence(found: Spectra, told: Fed, rate: int) -> float:
    """Mean over `HEARD_HZ` of the middle's; of the first row's where there is hardly a middle."""
    cross, first = undone(found, told)
    total = cross.sum(axis=0)

    def middle(matrix: Complex) -> Complex:
        return np.asarray(matrix.sum(axis=(0, 1)) / len(matrix) ** 2)

    def weak(matrix: Complex) -> bool:
        return bool(middle(matrix).real.sum() < WEAK * np.trace(matrix).real.sum() / len(matrix))

    if weak(first) or weak(found.second):
        alike = coherence(total[0, 0], first[0, 0], found.second[0, 0])
    else:
        alike = coherence(middle(total), middle(first), middle(found.second))
    hz = np.arange(len(alike)) * (rate / found.size)
    heard = (hz >= HEARD_HZ[0]) & (hz <= min(HEARD_HZ[1], 0.4 * rate))
    return float(np.clip(alike[heard].mean(), 0.0, 1.0)) if heard.any() else 0.0
