"""Which channel of one signal became which of the other: swapped, delayed, inverted?"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from master_check.alignment.spectra import Complex, Peak, Spectra, coherence, peak, phase
from master_check.alignment.views import Feed

CLEAR: Final = 8.0
"""A correlation's peak counts from so many times its usual height on; the highest of 2^17 points of noise is 4.5."""

APART: Final = 0.7
"""Samples from which on one channel counts as delayed against the other: an equaliser on one moves it by less."""

SWAPPED: Final = 0.1
"""By how much better, from -2 to 2, middle and sides must go together with left and right swapped."""

NO_SIDES: Final = 1e-6
SOME_SIDES: Final = 1e-4
"""Power of the sides against all below which there are none, and from which on there were some (-60 and -40 dB)."""


@dataclass(frozen=True, slots=True)
class Fed:
    """What the second signal's channels were fed from, as far as two rows tell.

    Attributes
    ----------
    lag : float
        Samples by which the first row is later than it was taken for.
    feeds : tuple of Feed
        Of each row; the first is never later than `lag` says.
    height : float
        Of the clearest peak.
    """

    lag: float
    feeds: tuple[Feed, ...]
    height: float


def fed(found: Spectra, stereo: bool) -> Fed:
    """How the rows of the second signal follow from those of the first.

    Parameters
    ----------
    found : Spectra
    stereo : bool
        Whether the rows are left and right, so that one of them may be swapped, delayed or inverted.
    """
    rows = found.cross.shape[1]
    straight = _taken(found, range(rows), own=stereo)
    if not stereo:
        return straight
    crossed = _taken(found, (1, 0), own=True)
    return crossed if _fit(found, crossed) > _fit(found, straight) + SWAPPED else straight


def undone(found: Spectra, this: Fed) -> tuple[Complex, Complex]:
    """Cross-spectra (passages, rows, rows, bins), and the first's own (rows, rows, bins), with the first's rows put
    where the second's are."""
    turn = 2j * np.pi * np.arange(found.cross.shape[-1]) / found.size
    source = [feed.channel for feed in this.feeds]
    moves = np.stack([feed.sign * np.exp(turn * (this.lag + feed.later)) for feed in this.feeds])
    cross = found.cross[:, source] * moves[:, None, :]
    first = found.first[source][:, source] * moves[:, None, :] * moves.conj()[None, :, :]
    return cross, first


def weighted(cross: Complex, first: Complex, second: Complex) -> Complex:
    """Phases, each as strong as its bin is coherent."""
    return phase(cross) * coherence(cross, first, second)


def is_folded(found: Spectra) -> bool:
    """Whether the second's two rows are the same, and the first's were not."""

    def sides(own: Complex) -> float:
        total = float(np.trace(own).real.sum())
        return float(np.einsum("ijf,ij->", own, [[1.0, -1.0], [-1.0, 1.0]]).real) / 2.0 / total if total else 0.0

    return sides(found.second) < NO_SIDES and sides(found.first) > SOME_SIDES


def _taken(found: Spectra, source: Sequence[int], own: bool) -> Fed:
    """The rows of the second taken for these of the first, each with a lag and sign of its `own` if it has one."""
    total = found.cross.sum(axis=0)
    parts = [weighted(total[i, j], found.first[i, i], found.second[j, j]) for j, i in enumerate(source)]
    plain = [phase(total[i, j]) for j, i in enumerate(source)]
    heights = [peak(each).height for each in plain]
    peaks = [peak(each) for each in parts]
    best = int(np.argmax(heights))
    if not own or min(heights) < CLEAR:  # a silent channel tells nothing
        peaks = [peaks[best]] * len(peaks)
    lags = [each.lag for each in peaks]
    if max(lags) - min(lags) < APART:
        joint: Peak = peak(np.sum([each.sign * part for each, part in zip(peaks, parts, strict=True)], axis=0))
        lags = [joint.lag] * len(lags)
    feeds = (Feed(i, lag - lags[0], each.sign) for i, lag, each in zip(source, lags, peaks, strict=True))
    return Fed(lags[0], tuple(feeds), max(heights))


def _fit(found: Spectra, this: Fed) -> float:
    """How well middle and sides go together once it is undone, -2 to 2."""
    cross = undone(found, this)[0].sum(axis=0)
    score = 0.0
    for side in (1.0, -1.0):
        one = np.einsum("ijf,i,j->f", cross, [1.0, side], [1.0, side])
        sounds = np.einsum("ijf,i,j->f", found.second, [1.0, side], [1.0, side]).real
        if float(sounds.sum()) > NO_SIDES * float(np.trace(found.second).real.sum()):
            score += float(np.mean(phase(one).real))
    return score
