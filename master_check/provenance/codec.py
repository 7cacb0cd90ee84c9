"""What a lossy encode leaves: coefficients of the codec's own transform that it rounded to zero.

A codec codes a frame of samples as the coefficients of a transform, and rounds many of the small ones to zero. Whoever
takes the same transform at the same places finds them again: far more coefficients nearly vanish there than a sample
earlier or later. Everywhere else, and in whatever no such codec made, no place stands out. That holds after a cut, a
constant gain, dither, and much equalising and limiting; not after a sample-rate conversion.

First every place in a frame is screened in some passages. The few best are then looked at in others, each against its
own neighbours, so that chance has had no hand in the choice. If one of them stands out there, all that is left of the
passages is looked at too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.provenance.codec_kernels import count_dips
from master_check.provenance.filterbank import (
    Hybrid,
    Mdct,
    Samples,
    Transform,
    kaiser_bessel_window,
    sine_window,
    vorbis_window,
)
from master_check.provenance.passages import LENGTH, Passage

SCREENED: Final = 16
LOOKED_AT: Final = 32
"""Passages in which all places are screened, and in which the best are looked at first."""

PROMISING: Final = 3.0
"""Standard deviations there from which on the other passages are looked at too: chance seldom makes more."""

FEWEST: Final = 12
"""Passages without which nothing is said."""

REPEATED: Final = 0.01
"""Power of the difference from one frame to the next, relative to the passage's, from which on it does not repeat."""

CANDIDATES: Final = 3

DOUBTFUL: Final = 12.0
"""Below so many deviations the other passages are looked at too."""

NEIGHBOURS: Final = 15
NEAREST: Final = 2
"""Places on either side that a candidate is held against; the nearest of them are still like it, and left out."""

LOUDEST: Final = 8.0
"""Standard deviations that one frame may add to a place when screening."""

ALIKE: Final = frozenset(("AAC", "Vorbis"))
CLOSE: Final = 0.9
"""Codecs whose transforms differ in the window alone, and share of the better one's deviations from which on nobody can
tell them apart."""

BLOCK: Final = 2048
"""Samples in a long window of AAC and, at its usual setting, of Vorbis."""


@dataclass(frozen=True, slots=True)
class CodecTrace:
    """The best trace of a lossy encode.

    Attributes
    ----------
    codec : str
        MP3, AAC, Vorbis, or "AAC or Vorbis": whose transform fits best.
    deviations : float
        Standard deviations by which vanishing coefficients exceed those at neighbouring places.
    """

    codec: str
    deviations: float


MP3_ENDS: Final = (
    *((10_500.0, None), (11_700.0, 64), (13_700.0, 80), (15_800.0, 112), (17_050.0, 128)),
    *((17_900.0, 160), (19_100.0, 192), (19_850.0, 256), (20_550.0, 320)),
)
"""Up to where the spectrum ends, Hz, at which bit rate, kbit/s: noise and music through LAME 3.100 at constant rates,
whose usual low-pass follows the bit rate. Other encoders differ."""


def mp3_kbps(end_hz: float) -> int | None:
    """About the bit rate of an MP3 whose spectrum ends there; None where its low-pass is not the usual one."""
    return next((kbps for highest, kbps in MP3_ENDS if end_hz <= highest), None)


@dataclass(frozen=True, slots=True)
class _Family:
    """Codecs that share their frames; all are screened with the first one's transform."""

    codecs: tuple[str, ...]
    transforms: tuple[Transform, ...]


def strongest_trace(passages: Sequence[Passage], channels: tuple[int, int], rate: int) -> CodecTrace | None:
    """The trace that stands out most, however little; None where there is too little to say anything.

    Parameters
    ----------
    passages : sequence of Passage
        With sound in them.
    channels : (int, int)
        Left and right; twice the same of mono.
    rate : int
        Hz.
    """
    if len(passages) < FEWEST:
        return None
    screened, rest = _spread(passages, min(SCREENED, len(passages) // 3))
    looked_at, others = _spread(rest, LOOKED_AT)
    parts = [[_pair(passage, channels) for passage in part] for part in (screened, looked_at, others)]
    traces = [trace for family in _families(rate) for trace in _traces(parts, family)]
    if not traces:
        return None
    best = max(traces, key=lambda trace: trace.deviations)
    alike = [trace.deviations for trace in traces if trace.codec in ALIKE - {best.codec}]
    if best.codec in ALIKE and max(alike, default=0.0) > CLOSE * best.deviations:
        return CodecTrace(" or ".join(sorted(ALIKE)), best.deviations)
    return best


def _spread(passages: Sequence[Passage], count: int) -> tuple[list[Passage], list[Passage]]:
    """So many of them, evenly spread, and those that are left."""
    picked = set(np.linspace(0, len(passages) - 1, min(count, len(passages))).round().astype(int).tolist())
    sides: tuple[list[Passage], list[Passage]] = [], []
    for number, passage in enumerate(passages):
        sides[number not in picked].append(passage)
    return sides


def _families(rate: int) -> tuple[_Family, ...]:
    windows = (kaiser_bessel_window(BLOCK), sine_window(BLOCK), vorbis_window(BLOCK))
    return (
        _Family(("MP3",), (Hybrid(rate),)),
        _Family(("AAC", "AAC", "Vorbis"), tuple(Mdct(window, rate) for window in windows)),
    )


def _pair(passage: Passage, channels: tuple[int, int]) -> Passage:
    return Passage(passage.start, passage.samples[list(channels)])


def _traces(parts: Sequence[Sequence[Passage]], family: _Family) -> list[CodecTrace]:
    """The traces of a family's codecs, of passages to screen, to look at, and to look at if there is reason to."""
    first = family.transforms[0]
    screened, looked_at, others = ([each for each in part if _changes(each, first.frame)] for part in parts)
    if len(screened) + len(looked_at) < FEWEST or not screened or not looked_at:
        return []
    found = [_Tally(first, place, looked_at) for place in _candidates(screened, first)]
    best = max(found, key=lambda tally: tally.deviations())
    if best.deviations() < PROMISING:
        return [CodecTrace(family.codecs[0], best.deviations())]
    tallies = [best, *(_Tally(transform, best.place, looked_at) for transform in family.transforms[1:])]
    before = [tally.deviations() for tally in tallies]
    best = tallies[int(np.argmax(before))]
    elsewhere = [_Tally(best.transform, place, looked_at) for place in _elsewhere(best)]
    if best.deviations(elsewhere) < DOUBTFUL:
        for tally in (best, *elsewhere):
            tally.add(others)
    deviations = best.deviations(elsewhere)
    return [
        CodecTrace(codec, deviations * each / max(before)) for codec, each in zip(family.codecs, before, strict=True)
    ]


def _elsewhere(tally: "_Tally") -> list[int]:
    """Places in the frame to hold a place against: half a frame and a third further on first, then any."""
    frame = tally.transform.frame
    echoes = [frame // part for part in (2, 3) if frame % part == 0]
    return [tally.place + apart for apart in (*echoes, round(0.21 * frame), round(0.79 * frame))]


def _changes(passage: Passage, frame: int) -> bool:
    """Whether a passage differs from one frame to the next: a tone that repeats with the frame looks like a codec."""
    apart = passage.samples[:, frame:] - passage.samples[:, :-frame]
    return bool(np.square(apart).mean() > REPEATED * np.square(passage.samples).mean())


def _candidates(passages: Sequence[Passage], transform: Transform) -> list[int]:
    """The places in a frame at which most coefficients vanish."""
    frame = transform.frame
    total = np.zeros((SIGNALS, frame))
    for passage in passages:
        for first in range(0, LENGTH - transform.support - frame + 2, frame):
            dips = _dips(passage.samples[:, first : first + frame - 1 + transform.support], transform, frame)
            excess = _standardised(_sharp(dips))
            total += np.roll(np.clip(excess, -LOUDEST, LOUDEST), (passage.start + first) % frame, axis=1)
    best = _standardised(total).max(axis=0)
    found: list[int] = []
    for place in np.argsort(-best):
        if all(_apart(int(place), other, frame) > NEIGHBOURS for other in found):
            found.append(int(place))
        if len(found) == CANDIDATES:
            break
    return found


def _apart(a: int, b: int, frame: int) -> int:
    return min((a - b) % frame, (b - a) % frame)


def _sharp(dips: Samples) -> NDArray[np.float64]:
    """What stands out from the places near by: music changes slowly, a codec's frame begins at one sample."""
    near = [np.roll(dips, by, axis=1) for by in (-8, -6, -4, -3, 3, 4, 6, 8)]
    return np.asarray(dips - np.median(np.stack(near), axis=0), np.float64)


def _standardised(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """In robust standard deviations of each row; nothing where a row is all alike."""
    spread = 1.4826 * np.median(np.abs(rows), axis=1, keepdims=True)
    return np.asarray(np.divide(rows, spread, out=np.zeros_like(rows), where=spread > 0.0))


SIGNALS: Final = 6
"""Left, right, mid, sides; and left and right together, mid and sides together: coders choose between the two pairs."""

OFFSETS: Final = np.arange(-NEIGHBOURS, NEIGHBOURS + 1)
BESIDE: Final = np.abs(OFFSETS) > NEAREST

_CURVE: Final = np.vander(OFFSETS / NEIGHBOURS, 3)
_FIT: Final = np.linalg.pinv(_CURVE[BESIDE])
EXPECTED: Final = _CURVE[NEIGHBOURS] @ _FIT
"""Weights of the neighbours: what they let expect at the place itself, by the parabola through them."""

REST: Final = (np.eye(int(BESIDE.sum())) - _CURVE[BESIDE] @ _FIT).T
"""What is left of neighbours without that parabola; in `FREEDOM` degrees."""

FREEDOM: Final = int(BESIDE.sum()) - 3


class _Tally:
    """Vanishing coefficients at a place of every frame and at its neighbours, added up over passages."""

    def __init__(self, transform: Transform, place: int, passages: Sequence[Passage]) -> None:
        self.transform = transform
        self.place = place
        self._total = np.zeros((SIGNALS, len(BESIDE)))
        self._variance = np.zeros(SIGNALS)
        self.add(passages)

    def add(self, passages: Sequence[Passage]) -> None:
        frame, width = self.transform.frame, len(BESIDE)
        for passage in passages:
            # The first frame in the passage that leaves room for the neighbours.
            first = (self.place - NEIGHBOURS - passage.start) % frame
            for at in range(first, LENGTH - self.transform.support - width + 2, frame):
                dips = _dips(passage.samples[:, at : at + width - 1 + self.transform.support], self.transform, width)
                self._total += dips
                self._variance += np.square(dips[:, BESIDE] @ REST).sum(axis=1) / FREEDOM

    def deviations(self, elsewhere: "Sequence[_Tally]" = ()) -> float:
        """Standard deviations by which the place stands out, in the signal in which it does so most.

        Chance is judged twice: by how neighbours differ in each frame, as if frames had nothing to do with each other;
        and by how sums over all frames differ elsewhere in the frame, which is more where a tone or the blocks of a
        synthesiser make frames alike. The larger counts. What stands out elsewhere too is taken off.
        """
        variance, excess = self._variance, self._excess()
        if elsewhere:
            variance = np.maximum(variance, np.mean([tally._of_sums() for tally in elsewhere], axis=0))
            excess = excess - np.max([np.maximum(tally._excess(), 0.0) for tally in elsewhere], axis=0)
        variance = variance * (1.0 + EXPECTED @ EXPECTED)
        found = np.divide(excess, np.sqrt(variance), out=np.zeros(SIGNALS), where=variance > 0.0)
        return float(found.max())

    def _excess(self) -> NDArray[np.float64]:
        return np.asarray(self._total[:, NEIGHBOURS] - self._total[:, BESIDE] @ EXPECTED)

    def _of_sums(self) -> NDArray[np.float64]:
        """Variance of the neighbours' sums about their parabola."""
        return np.asarray(np.square(self._total[:, BESIDE] @ REST).sum(axis=1) / FREEDOM)


def _dips(samples: Samples, transform: Transform, width: int) -> Samples:
    """Vanishing coefficients of each of the signals at every place, (signals, width)."""
    left = transform.at(samples[0], width)
    right = transform.at(samples[1], width)
    dips = np.empty((SIGNALS, width), np.float32)
    count_dips(left, right, np.empty((4, width), np.float32), dips)
    np.add(dips[:4:2], dips[1:4:2], out=dips[4:])
    return dips
