"""What a lossy encode leaves: coefficients of the codec's own transform that it rounded to zero.

A codec codes a frame of samples as the coefficients of a transform, and rounds many of the small ones to zero. Whoever
takes the same transform at the same places finds them again: far more coefficients nearly vanish there than a sample
earlier or later. Everywhere else, and in whatever no such codec made, no place stands out. That holds after a cut, a
constant gain, dither, and much equalising and limiting; not after a sample-rate conversion.

First every place in a frame is screened in some passages. Then the few best are looked at in others, each against its
own neighbours, so that chance has had no hand in the choice.
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
CONFIRMED: Final = 48
"""Passages in which all places are screened, and in which the best are looked at, at most."""

FEWEST: Final = 12
"""Passages without which nothing is said."""

REPEATED: Final = 0.01
"""Power of the difference from one frame to the next, relative to the passage's, from which on it does not repeat."""

CANDIDATES: Final = 3

CHANCE: Final = 4.0
"""From so many deviations on it is asked whether places half a frame or a third further on stand out too. What repeats
so often is a tone, or the blocks of a synthesiser; a codec's frames begin once."""

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
    third = min(SCREENED, len(passages) // 3)
    screened = set(np.linspace(0, len(passages) - 1, third).round().astype(int).tolist())
    others = [passage for number, passage in enumerate(passages) if number not in screened]
    picked = np.linspace(0, len(others) - 1, min(CONFIRMED, len(others))).round().astype(int)
    first = [_pair(passages[number], channels) for number in sorted(screened)]
    second = [_pair(others[number], channels) for number in picked]
    traces = [trace for family in _families(rate) for trace in _traces(first, second, family)]
    if not traces:
        return None
    best = max(traces, key=lambda trace: trace.deviations)
    alike = max((trace.deviations for trace in traces if trace.codec in ALIKE - {best.codec}), default=0.0)
    if best.codec in ALIKE and alike > CLOSE * best.deviations:
        return CodecTrace(" or ".join(sorted(ALIKE)), best.deviations)
    return best


def _families(rate: int) -> tuple[_Family, ...]:
    windows = (kaiser_bessel_window(BLOCK), sine_window(BLOCK), vorbis_window(BLOCK))
    return (
        _Family(("MP3",), (Hybrid(rate),)),
        _Family(("AAC", "AAC", "Vorbis"), tuple(Mdct(window, rate) for window in windows)),
    )


def _pair(passage: Passage, channels: tuple[int, int]) -> Passage:
    return Passage(passage.start, passage.samples[list(channels)])


def _traces(first: Sequence[Passage], second: Sequence[Passage], family: _Family) -> list[CodecTrace]:
    """The traces of a family's codecs: the best places of the first passages, confirmed by the second ones."""
    frame = family.transforms[0].frame
    first, second = ([passage for passage in passages if _changes(passage, frame)] for passages in (first, second))
    if len(first) + len(second) < FEWEST or not first or not second:
        return []
    return _confirmed(second, family, _candidates(first, family.transforms[0]))


def _changes(passage: Passage, frame: int) -> bool:
    """Whether a passage differs from one frame to the next: a tone that repeats with the frame looks like a codec."""
    apart = passage.samples[:, frame:] - passage.samples[:, :-frame]
    return bool(np.square(apart).mean() > REPEATED * np.square(passage.samples).mean())


def _candidates(passages: Sequence[Passage], transform: Transform) -> list[int]:
    """The places in a frame at which most coefficients vanish."""
    frame = transform.frame
    total = np.zeros((4, frame))
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


def _confirmed(passages: Sequence[Passage], family: _Family, places: Sequence[int]) -> list[CodecTrace]:
    """How far the place that stands out most does so, by each codec's transform."""
    found = []
    for codec, transform in zip(family.codecs, family.transforms, strict=True):
        deviations = _deviations(passages, transform, places)
        best = int(np.argmax(deviations))
        if deviations[best] > CHANCE:
            echoes = [places[best] + transform.frame // part for part in (2, 3) if transform.frame % part == 0]
            deviations[best] -= max(0.0, *_deviations(passages, transform, echoes))
        found.append(CodecTrace(codec, deviations[best]))
    return found


def _deviations(passages: Sequence[Passage], transform: Transform, places: Sequence[int]) -> list[float]:
    """Standard deviations by which each place stands out, in the best of left, right, mid and sides.

    Chance is judged twice: by how neighbours differ in each frame, as if frames had nothing to do with each other; and
    by how their sums over all frames differ, which is more where a tone or the blocks of a synthesiser make frames
    alike. The larger counts.
    """
    beside = np.abs(np.arange(2 * NEIGHBOURS + 1) - NEIGHBOURS) > NEAREST
    excesses, by_frames, by_sums = [], [], []
    for place in places:
        total, variance = _summed(passages, transform, place, beside)
        others = total[:, beside]
        excesses.append(total[:, NEIGHBOURS] - others.mean(axis=1))
        by_frames.append(variance)
        by_sums.append(others.var(axis=1, ddof=1))
    variances = np.maximum(by_frames, np.mean(by_sums, axis=0)) * (1.0 + 1.0 / int(beside.sum()))
    deviations = np.divide(excesses, np.sqrt(variances), out=np.zeros_like(variances), where=variances > 0.0)
    return [float(row.max()) for row in deviations]


def _summed(
    passages: Sequence[Passage], transform: Transform, place: int, beside: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Dips at a place and its neighbours over all frames, (4, width); and the neighbours' variances added up, (4,)."""
    width = len(beside)
    total, variance = np.zeros((4, width)), np.zeros(4)
    for passage in passages:
        # The first frame in the passage that leaves room for the neighbours.
        first = (place - NEIGHBOURS - passage.start) % transform.frame
        for at in range(first, LENGTH - transform.support - width + 2, transform.frame):
            dips = _dips(passage.samples[:, at : at + width - 1 + transform.support], transform, width)
            total += dips
            variance += dips[:, beside].var(axis=1, ddof=1)
    return total, variance


def _dips(samples: Samples, transform: Transform, width: int) -> Samples:
    """Vanishing coefficients of left, right, mid and sides at every place, (4, width)."""
    left = transform.at(samples[0], width)
    right = transform.at(samples[1], width)
    dips = np.empty((4, width), np.float32)
    count_dips(left, right, np.empty((4, len(left)), np.float32), np.empty((4, width), np.float32), dips)
    return dips
