"""What mastering did to the waveform of each side, from the premaster and its master.

A side of the master is taken for

    curve( gain(t) x (filter * premaster) )

and the three are told apart by what only one of them can do:

- the filter (equaliser) has every channel of the premaster to draw on, and is fitted to small samples: a waveshaper
  leaves these alone, so its bend is not mistaken for equalising
- the gain (compressor, limiter) is followed from small samples as well. They come by at every zero crossing, so it is
  known every few milliseconds, and a compressor is not mistaken for a curve. Where two sides share their gain, one
  has small samples while the other peaks; that helps to tell a limiter from a curve
- the curve (saturation, clipping) is what then became of each level

What a limiter or a fast compressor does within a millisecond of a peak is still read as a bend, but that bend explains
next to nothing: filter and gain alone leave hardly more. A side counts as saturated only where its curve explains most
of what filter and gain leave (`EXPLAINED_DB`). An equaliser after a waveshaper blurs its curve.

What was done to left and right shows on middle and sides, and the other way round, as a bend that no curve describes.
The pair of sides whose two curves leave less unexplained is where it was done (`PairSaturation.domain`). The other two
are then held against what those curves make of the premaster, so that they show only what was done to themselves. With
one signal only, before or after mastering (two equal channels, or a silent one), all sides are the same, and none is
cleared by the others.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels
from master_check.pair.averages import Averages
from master_check.pair.curve import ceiling, thd_percent
from master_check.pair.followed import Followed
from master_check.pair.matched import DISTINCT, Cut, Passages, edge_length, passage_length
from master_check.pair.overlap import Overlap
from master_check.pair.separation import Filtered, Found, Separation
from master_check.pair.sides import PAIRS, SIDES, Domain, Side, sides_of, taken

SATURATED_PERCENT: Final = 0.3
"""Distortion from which a side counts as saturated."""

EXPLAINED_DB: Final = 6.0
"""How much of what filter and gain leave a curve has to explain, so that it counts as one. Compressors and limiters
of any attack stay below 2.5 dB, waveshapers alone or behind a compressor above 9 dB."""

TIE: Final = 0.25
"""Log-likelihood ratio, a sample, up to which left and right cannot be told from middle and sides where premaster or
master has one signal only. Bent alike everywhere it stays below 0.1; bent in one channel it is some 5."""

NOTHING: Final = 1e-9
"""Residual power, relative to a pair of sides, below which less is no better (-90 dB)."""

SILENT: Final = 1e-9
"""Range (full scale 1) below which a signal counts as silent, an offset aside."""

UNREADABLE_DB: Final = -12.0
"""Residual from which a side's curve says nothing: too much was done that is neither filter nor gain nor curve."""

RARE: Final = 1e-4
"""A side's peak level is exceeded by this share of its samples: a level it plays at, not one stray sample."""

SAMPLES: Final = 1_000_000
"""About so many samples a side are looked at. Of longer pieces some passages are spread over the whole, and the others
are those with the most samples above their side's peak level."""


@dataclass(frozen=True)
class SideSaturation:
    """The waveshaping of one side.

    Attributes
    ----------
    side : str
        "left", "right", "mid" ((L + R) / 2), "side" ((L - R) / 2), or "mono".
    peak_dbfs : float or None
        The side's peak level, at the master's gain for small signals: what one sample in ten thousand exceeds.
    thd_percent : float or None
        Total harmonic distortion that the side's curve gives a sine at that level. Null where the side is silent or
        a quarter of it (-12 dB) has no explanation.
    apparent_thd_percent : float or None
        The same with the side looked at alone, so that it also shows what was done to the other pair of sides.
    peak_squash_db : float or None
        How much lower such a sine's peaks come out than without the curve.
    clip_dbfs : float or None
        The level at which the side was clipped; null where it was not.
    residual_db : float or None
        What filter, gain and curve leave unexplained, relative to the side of the master.
    explained_db : float or None
        How much less that is than what filter and gain alone leave: how sure the curve is. Null where there is none.
    level_in, level_out : (n,) float64
        The curve, full scale 1: a level at small-signal gain, and what came out of it. Empty where there is none.
    """

    side: Side
    peak_dbfs: float | None
    thd_percent: float | None
    apparent_thd_percent: float | None
    peak_squash_db: float | None
    clip_dbfs: float | None
    residual_db: float | None
    explained_db: float | None
    level_in: NDArray[np.float64] = field(repr=False, compare=False)
    level_out: NDArray[np.float64] = field(repr=False, compare=False)

    @property
    def saturated(self) -> bool:
        """Whether it was clipped, or a curve explains most of what filter and gain leave."""
        return self.clip_dbfs is not None or self.curved

    @property
    def bent(self) -> bool:
        """Whether there is any distortion to speak of: of a curve, or of a gain too fast to be followed."""
        return self.thd_percent is not None and self.thd_percent >= SATURATED_PERCENT

    @property
    def curved(self) -> bool:
        """Whether that is a curve's."""
        return self.bent and (self.explained_db or 0.0) >= EXPLAINED_DB

    def to_dict(self) -> dict[str, Any]:
        """Numbers, strings, lists and None."""
        return {
            "side": self.side,
            "saturated": self.saturated,
            "thd_percent": self.thd_percent,
            "apparent_thd_percent": self.apparent_thd_percent,
            "peak_dbfs": self.peak_dbfs,
            "peak_squash_db": self.peak_squash_db,
            "clip_dbfs": self.clip_dbfs,
            "residual_db": self.residual_db,
            "explained_db": self.explained_db,
            "level_in": self.level_in.tolist(),
            "level_out": self.level_out.tolist(),
        }


@dataclass(frozen=True)
class PairSaturation:
    """The waveshaping of all sides.

    Attributes
    ----------
    domain : str or None
        "left_right" or "mid_side": which pair of sides the curves belong to; "left_right" as well where that cannot be
        told. Null where no curve is sure, and of mono.
    sides : tuple of SideSaturation
        Left, right, mid, side; or mono.
    """

    domain: Domain | None
    sides: tuple[SideSaturation, ...]

    @property
    def own(self) -> tuple[SideSaturation, ...]:
        """The sides to speak of: those of the domain, or all, and those that were clipped."""
        return tuple(
            each
            for each in self.sides
            if self.domain is None or each.side in PAIRS[self.domain] or each.clip_dbfs is not None
        )

    def side(self, name: Side) -> SideSaturation:
        """One of the sides."""
        return next(each for each in self.sides if each.side == name)

    def to_dict(self) -> dict[str, Any]:
        """Dicts, lists, numbers, strings and None."""
        return {"domain": self.domain, "sides": [each.to_dict() for each in self.sides]}


def pair_saturation(overlap: Overlap, averages: Averages, followed: Followed) -> PairSaturation:
    """Separate filter, gain and curve on every side.

    Parameters
    ----------
    overlap : Overlap
        Aligned to the sample (better than half a sample is not needed). Of more than two channels, the first two are
        looked at. Not silent; an offset (DC) is neither heard nor looked at.
    averages : Averages
    followed : Followed
        Of the same.

    Raises
    ------
    ValueError
        Silence.
    """
    sounds = (averages.highest - averages.lowest)[:, :2] >= SILENT
    if not sounds.any(axis=1).all():
        raise ValueError("premaster or master is silent")
    sides = sides_of(overlap.channels)
    cut, ranks = _chosen(followed, sides, overlap.rate, averages.frames)
    before, after = (
        cut.take_wide(signal, mean)
        for signal, mean in zip((overlap.premaster, overlap.master), averages.means, strict=True)
    )
    before = before[:2][sounds[0]]
    separation = Separation(before, cut, overlap.rate)
    # What is known of every side of the master before anything is fitted.
    master = {
        side: (taken(np.moveaxis(after, 0, -1), side), float(taken(averages.means[1], side)), rank)
        for side, rank in zip(sides, ranks, strict=True)
    }
    if sides == ("mono",):
        only = separation.bent([separation.filtered(*master["mono"])], shared_gain=False)[0]
        return PairSaturation(None, (_described("mono", only, only),))
    alone: dict[Side, Found] = {}
    for pair in PAIRS.values():
        alone |= _better(separation, pair, [separation.filtered(*master[side]) for side in pair])
    one_signal = _one_signal(cut.inner(before)) or _one_signal(cut.inner(after[:2][sounds[1]]))
    domain, own = _domain(alone, one_signal), alone
    if domain is not None and not (one_signal and abs(_mid_side_ahead(alone)) <= TIE):
        own = alone | _after(separation, master, domain, alone)
    return PairSaturation(domain, _clipped_once(_described(side, own[side], alone[side]) for side in SIDES))


def _domain(alone: Mapping[Side, Found], one_signal: bool) -> Domain | None:
    """The pair of sides whose curves explain most of what filter and gain leave; the likelier where both do."""
    ahead = _mid_side_ahead(alone)
    order: tuple[Domain, Domain] = ("mid_side", "left_right")
    if ahead <= 0.0 or (one_signal and ahead <= TIE):
        order = ("left_right", "mid_side")
    return next((pair for pair in order if any(_described(s, alone[s], alone[s]).curved for s in PAIRS[pair])), None)


def _clipped_once(sides: Iterable[SideSaturation]) -> tuple[SideSaturation, ...]:
    """A master is clipped in its channels; where those are much alike, the middle is as flat as they are."""
    sides = tuple(sides)
    if all(each.clip_dbfs is None for each in sides if each.side in PAIRS["left_right"]):
        return sides
    return tuple(replace(each, clip_dbfs=None) if each.side in PAIRS["mid_side"] else each for each in sides)


def _better(separation: Separation, pair: tuple[Side, Side], filtered: list[Filtered]) -> dict[Side, Found]:
    """Either side with a gain of its own or with one that both share, whichever leaves less unexplained."""
    own, shared = (separation.bent(filtered, shared_gain) for shared_gain in (False, True))
    return {side: a if a.residual <= b.residual else b for side, a, b in zip(pair, own, shared, strict=True)}


def _mid_side_ahead(alone: Mapping[Side, Found]) -> float:
    """By how much the bends are likelier to belong to middle and sides: log-likelihood ratio a sample.

    What two sides leave unexplained is taken for normal noise, alike in both as far as it will: what a gain that is
    not quite right leaves is much the same in left and right, and would otherwise speak for middle and sides.
    """

    def spread(a: Side, b: Side) -> float:
        rests = [(alone[side].target - alone[side].model).ravel().astype(np.float64) for side in (a, b)]
        floor = NOTHING * sum(float(np.sum(np.square(alone[side].target, dtype=np.float64))) for side in (a, b))
        covariance = np.array([[np.dot(x, y) for x in rests] for y in rests]) + floor * np.eye(2)
        return float(np.linalg.slogdet(covariance)[1])

    # Middle and sides as defined here have half the power of the axes turned by 45 degrees.
    return 0.5 * (spread("left", "right") - spread("mid", "side") - float(np.log(4.0)))


def _after(
    separation: Separation,
    master: Mapping[Side, tuple[Passages, float, int]],
    domain: Domain,
    alone: Mapping[Side, Found],
) -> dict[Side, Found]:
    """The other pair's sides, held against what `domain`'s curves make of the premaster."""
    a, b = (alone[side].model for side in PAIRS[domain])
    models = {"left": a + b, "right": a - b, "mid": (a + b) / 2, "side": (a - b) / 2}
    pair = next(sides for name, sides in PAIRS.items() if name != domain)
    return _better(separation, pair, [separation.unfiltered(*master[side], models[side]) for side in pair])


def _chosen(followed: Followed, sides: Sequence[Side], rate: int, frames: int) -> tuple[Cut, list[int]]:
    """The passages to look at, and how many samples of each side lie above its peak level there."""
    passages = followed.passages
    length = passage_length(frames, rate)
    counts = np.array([_above(side, frames) for side in followed.highest])
    wanted = max(2, SAMPLES // length)
    chosen = set(range(len(passages)))
    if len(passages) > wanted:
        chosen = set(np.linspace(0, len(passages) - 1, wanted // 4).round().astype(int).tolist())
        # In turns, so that every side's highest passages are among them.
        for place in np.argsort(-counts, axis=1, kind="stable").T.ravel().tolist():
            if len(chosen) < wanted:
                chosen.add(place)
    order = sorted(chosen)
    cut = Cut(tuple(passages[n] for n in order), length, edge_length(rate))
    # A side of which the premaster has nothing came out of the others: it is as loud where they are.
    even = round(RARE * len(order) * length)
    return cut, [
        max(1, int(own.sum()) if every.any() else even) for own, every in zip(counts[:, order], counts, strict=True)
    ]


def _above(highest: NDArray[np.float32], frames: int) -> NDArray[np.int64]:
    """How many samples of each passage (rows) are among the `RARE` highest of a whole side."""
    rank = min(max(1, round(RARE * frames)), highest.size)
    level = np.partition(highest.ravel(), -rank)[-rank]
    return np.asarray(np.count_nonzero((highest >= level) & (highest > 0.0), axis=1))


def _one_signal(channels: NDArray[np.float32]) -> bool:
    """Whether two channels are multiples of one signal; one channel is."""
    a, b = (channels[n].ravel().astype(np.float64) for n in (0, -1))
    return bool(np.dot(a, b) ** 2 >= (1.0 - DISTINCT) * np.dot(a, a) * np.dot(b, b))


def _distortion(found: Found) -> float:
    return 0.0 if found.curve is None else thd_percent(found.curve)


def _described(side: Side, own: Found, alone: Found) -> SideSaturation:
    peak, residual, curve = decibels(own.peak), own.residual_db, own.curve
    if curve is None or residual is None or residual > UNREADABLE_DB:
        return SideSaturation(side, peak, None, None, None, None, residual, None, np.empty(0), np.empty(0))
    low, high = curve(np.array([-1.0, 1.0]))
    clip = ceiling(own.level, own.target, own.peak, own.offset)
    return SideSaturation(
        side=side,
        peak_dbfs=peak,
        thd_percent=thd_percent(curve),
        apparent_thd_percent=_distortion(alone),
        peak_squash_db=max(0.0, -(decibels(max((high - low) / 2.0, 1e-6)) or 0.0)),
        clip_dbfs=None if clip is None else decibels(own.peak * clip),
        residual_db=residual,
        explained_db=own.explained_db,
        level_in=own.peak * curve.level,
        level_out=own.peak * (curve.level + curve.bend),
    )
