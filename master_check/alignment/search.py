"""Where in one signal are the passages of another? Found at a low rate, over all of both, stretch by stretch.

A passage is looked for in the whole of the longer signal only to begin with, and where it is not where its neighbours
say. Passages that agree to within the drift of two clocks make a stretch; where they stop to agree, something was cut
out, put in, or put elsewhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.alignment.overview import LOW_RATE

Rows = NDArray[np.float32]

PASSAGE_S: Final = 8.0
SHORTEST_S: Final = 0.25
"""Longest and shortest passage that is looked for."""

PASSAGES: Final = 4
"""A short signal is cut into so many, half as long again between them."""

STEPS: Final = 400
"""At most about so many passages of a long one."""

DRIFT: Final = 3e-4
"""How far two clocks may run apart: a little more than is undone."""

NEAR: Final = round(0.003 * LOW_RATE)
"""Samples by which passages that lie alike may seem to differ."""

AGREEING: Final = 3
"""So many passages that agree end the first search."""

FIRST_TRIES: Final = 16
LATER_TRIES: Final = 8
"""Passages looked for in all of the longer signal: to begin with, and then where one is not where it should be."""

LIKE: Final = 0.6
LIKELY: Final = 0.2
"""A passage is where its neighbours say if it fits so well against how they fit; the lower figure does if it is found
nowhere else."""

CLEAR: Final = 600.0
"""Score (see `_Longer`) of a passage found elsewhere; passages of other music stay below."""

STRONGER: Final = 1.5
"""It must also score so many times what it does where its neighbours say, ..."""

NO_WORSE: Final = 0.1
"""... and so many times what passages of the longest stretch do: a song is like itself a few bars on, but less so."""

SOUNDING: Final = 0.05
"""Mean square of an even row below which a passage is silent."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Passages of both signals that lie alike.

    Attributes
    ----------
    first, second : (passages,) float64
        Where each begins in either signal, in samples at `LOW_RATE`, rising in the second.
    size : int
        Samples in a passage.
    score : float
        How much speaks for it, all passages together.
    """

    first: NDArray[np.float64]
    second: NDArray[np.float64]
    size: int
    score: float


def stretches(first: Rows, second: Rows) -> list[Stretch]:
    """Find the stretches of two signals that hold the same sound, as they follow each other in the second.

    Parameters
    ----------
    first, second : (rows, samples) float32
        Their `Overview.rows`.
    """
    turned = first.shape[1] < second.shape[1]
    longer, shorter = (second, first) if turned else (first, second)
    size = int(np.clip(shorter.shape[1] / PASSAGES, SHORTEST_S * LOW_RATE, PASSAGE_S * LOW_RATE))
    if shorter.shape[1] < size:
        return []
    found = []
    for group in _Search(_Longer(longer), shorter, size).groups():
        there, here = np.array([(hit.place, hit.start) for hit in group]).T
        first_, second_ = (here, there) if turned else (there, here)
        order = np.argsort(second_)
        found.append(Stretch(first_[order], second_[order], size, sum(hit.score for hit in group)))
    return sorted(found, key=lambda each: float(each.second[0]))


@dataclass(frozen=True, slots=True)
class _Hit:
    """A passage of the shorter signal, from `start` on, found at `place` of the longer one."""

    start: int
    place: float
    score: float


class _Longer:
    """The longer signal, to look for passages in.

    A score is the squared correlation of passage and place, summed over all pairs of rows; in units of chance, so that
    rows that have nothing to do with each other score about the number of pairs.
    """

    def __init__(self, rows: Rows) -> None:
        self.rows = rows

    def everywhere(self, passage: Rows) -> tuple[float, float]:
        """Where a passage fits best, between samples, and its score there."""
        return self._best(passage, 0, self.rows)

    def near(self, passage: Rows, expected: float, reach: int) -> tuple[float, float]:
        """The same, at most `reach` samples from where it is expected."""
        size = passage.shape[1]
        first, last = round(expected) - reach, round(expected) + reach + size
        piece = np.zeros((len(self.rows), last - first), np.float32)
        part = self.rows[:, max(first, 0) : max(last, 0)]
        piece[:, max(-first, 0) : max(-first, 0) + part.shape[1]] = part
        return self._best(passage, first, piece, inside=True)

    def _best(self, passage: Rows, first: int, rows: Rows, inside: bool = False) -> tuple[float, float]:
        size = passage.shape[1]
        scores = np.zeros(rows.shape[1] + (1 - size if inside else size - 1), np.float32)
        for sought in passage:
            power = float(np.dot(sought, sought))
            if power < SOUNDING * size:
                continue
            for row in rows:
                found = scipy.signal.oaconvolve(row, sought[::-1], "valid" if inside else "full")
                scores += found * found / np.float32(power)
        best = int(np.argmax(scores))
        return first + best - (0 if inside else size - 1) + _vertex(scores, best), float(scores[best])


def _vertex(values: Rows, at: int) -> float:
    """By how much the top of a parabola through three values lies beside the middle one."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, top, right = (float(value) for value in values[at - 1 : at + 2])
    bend = left - 2.0 * top + right
    return 0.5 * (left - right) / bend if bend < 0.0 else 0.0


class _Search:
    """Groups of passages that lie alike."""

    def __init__(self, longer: _Longer, shorter: Rows, size: int) -> None:
        self._longer, self._shorter, self._size = longer, shorter, size
        step = max(size // 2, shorter.shape[1] // STEPS)
        starts = range(0, shorter.shape[1] - size + 1, step)
        self._left = {start for start in starts if self._sounds(start)}
        """Passages of which nothing is known yet."""

    def groups(self) -> list[list[_Hit]]:
        seeds = self._first()
        if not seeds:
            return []
        found = [self._followed(seeds)]
        typical = float(np.median([hit.score for hit in found[0]]))
        tried: list[int] = []
        for _ in range(LATER_TRIES):
            start = self._loneliest([*tried, *(hit.start for group in found for hit in group)])
            if start is None:
                break
            tried.append(start)
            self._left.discard(start)
            hit = self._everywhere(start)
            there = self._near(start, min(found[0], key=lambda known: abs(known.start - start)))
            if hit.score > max(CLEAR, STRONGER * there.score, NO_WORSE * typical):
                found.append(self._followed([hit]))
        found = [self._followed(group, LIKELY) for group in found]
        # One passage by itself may be a chance likeness of two bars.
        return [group for group in found if group is found[0] or len(group) > 1]

    def _first(self) -> list[_Hit]:
        """Passages that agree about where they are, among some looked for everywhere."""
        hits: list[_Hit] = []
        best: list[_Hit] = []
        for start in _spread(sorted(self._left))[:FIRST_TRIES]:
            hits.append(self._everywhere(start))
            agreeing = ([other for other in hits if _alike(hit, other)] for hit in hits)
            best = max(agreeing, key=lambda group: sum(hit.score for hit in group))
            if len(best) >= AGREEING:
                break
        return best

    def _followed(self, known: list[_Hit], like: float = LIKE) -> list[_Hit]:
        """A group, grown to all passages that lie as their neighbours say."""
        known = list(known)
        self._left -= {hit.start for hit in known}
        seed = max(known, key=lambda hit: hit.score).start
        for start in sorted(self._left, key=lambda start: abs(start - seed)):
            nearest = min(known, key=lambda hit: abs(hit.start - start))
            hit = self._near(start, nearest)
            if hit.score >= like * float(np.median([each.score for each in known])):
                known.append(hit)
                self._left.discard(start)
        return known

    def _loneliest(self, known: Sequence[int]) -> int | None:
        """The passage of which nothing is known that lies farthest from all others; None where none is left."""
        return max(self._left, key=lambda start: min(abs(start - other) for other in known), default=None)

    def _everywhere(self, start: int) -> _Hit:
        return _Hit(start, *self._longer.everywhere(self._passage(start)))

    def _near(self, start: int, known: _Hit) -> _Hit:
        away = start - known.start
        return _Hit(start, *self._longer.near(self._passage(start), known.place + away, NEAR + int(DRIFT * abs(away))))

    def _passage(self, start: int) -> Rows:
        return self._shorter[:, start : start + self._size]

    def _sounds(self, start: int) -> bool:
        return bool(np.square(self._passage(start)).mean(axis=1).max() > SOUNDING)


def _alike(one: _Hit, other: _Hit) -> bool:
    away = other.start - one.start
    return abs(other.place - one.place - away) <= NEAR + DRIFT * abs(away)


def _spread(starts: Sequence[int]) -> list[int]:
    """In such an order that the first few lie all over it: by the digits of their number, mirrored."""
    bits = max(len(starts) - 1, 1).bit_length()
    order = sorted(range(len(starts)), key=lambda n: int(f"{n:0{bits}b}"[::-1], 2))
    return [starts[n] for n in order]
