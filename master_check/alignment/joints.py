"""Where one stretch of two signals ends and the next begins, to a hundredth of a second or two."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.lines import Line
from master_check.alignment.overview import LOW_RATE
from master_check.alignment.search import Rows, Stretch

HOP: Final = LOW_RATE // 100

HALF: Final = 0.4
"""A hop belongs to a stretch if it goes together so well, on average, against the passages that surely do."""

LEARNT: Final = 2
"""Passages of a stretch from which it is learnt how its rows go together."""

GAP: Final = 20
"""Hops that must surely belong to neither stretch before something is taken to lie between them that is not just as
long as the second is later than the first."""


def joined(stretches: Sequence[Stretch], lines: Sequence[Line], first: Rows, second: Rows) -> list[Line]:
    """Lines that begin and end where their stretches do; the first and last reach to the ends of what both have.

    Parameters
    ----------
    stretches : sequence of Stretch
        As they follow each other in the second signal.
    lines : sequence of Line
        One for each, in samples at `LOW_RATE`; where they begin and end is not looked at.
    first, second : (rows, samples) float32
        The signals' `Overview.rows`.
    """
    starts, stops = [0], []
    for n in range(1, len(stretches)):
        zone = int(stretches[n - 1].second[-1]), int(stretches[n].second[0]) + stretches[n].size
        before, after = (
            _together(first, second, lines[n + side], zone, stretches[n + side], sure)
            for side, sure in ((-1, slice(-LEARNT - 1, -1)), (0, slice(1, LEARNT + 1)))
        )
        later = round((lines[n].offset - lines[n - 1].offset) / HOP)
        stop, start = _split(before, after, later)
        stops.append(zone[0] + HOP * stop)
        starts.append(zone[0] + HOP * start)
    stops.append(second.shape[1])
    return [
        Line(start, stop, line.offset, line.stretch).trimmed(first.shape[1])
        for line, start, stop in zip(lines, starts, stops, strict=True)
    ]


def _together(
    first: Rows, second: Rows, line: Line, zone: tuple[int, int], stretch: Stretch, sure: slice
) -> NDArray[np.float64]:
    """How much more than `HALF` every hop of a zone goes together along a line."""
    learnt = stretch.second[sure] if len(stretch.second) > 1 else stretch.second
    size, weights = stretch.size, np.zeros((len(first), len(second)))
    for start in learnt.astype(int):
        weights += _moved(first, line, start, start + size) @ second[:, start : start + size].T
    weights /= size * len(learnt)
    hops = (zone[1] - zone[0]) // HOP
    stop = zone[0] + hops * HOP
    one, other = _moved(first, line, zone[0], stop), second[:, zone[0] : stop]
    products = np.einsum("it,ij,jt->t", one, weights, other, optimize=True)
    # Where both are silent nothing is told.
    powers = (np.square(one).mean(axis=0) + np.square(other).mean(axis=0)) / 2.0
    strength = float(np.sum(weights**2))
    return np.asarray((products / strength - HALF * powers).reshape(hops, HOP).mean(axis=1))


def _moved(rows: Rows, line: Line, start: int, stop: int) -> Rows:
    """Rows of the first signal where the second has `start` to `stop`, to the sample; zeros past their ends."""
    places = np.rint(line.place(np.arange(start, stop))).astype(np.int64)
    there = (places >= 0) & (places < rows.shape[1])
    return np.where(there, rows[:, np.clip(places, 0, rows.shape[1] - 1)], np.float32(0.0))


def _split(before: NDArray[np.float64], after: NDArray[np.float64], later: int) -> tuple[int, int]:
    """Hops at which the one stretch ends and the other, so many hops `later` than the first would have it, begins.

    They follow each other, or what lies between them is as long as the one is later, or anything.
    """
    ahead = np.concatenate([[0.0], np.cumsum(before)])
    behind = np.concatenate([[0.0], np.cumsum(after[::-1])])[::-1]
    gap = min(max(later, 0), len(ahead) - 1)
    apart = ahead[: len(ahead) - gap] + behind[gap:]
    stop = int(np.argmax(apart))
    best, found = float(apart[stop]), (stop, stop + gap)
    if float((ahead + behind).max()) > best + GAP * HALF:
        stop = int(np.argmax(ahead + behind))
        best, found = float((ahead + behind)[stop]), (stop, stop)
    stop, start = int(np.argmax(ahead)), int(np.argmax(behind))
    if start > stop and ahead[stop] + behind[start] > best + GAP * HALF:
        found = (stop, start)
    return found
