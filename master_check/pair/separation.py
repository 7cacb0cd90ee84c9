"""Filter, gain and curve of one side of a pair, told apart.

See `pair` for the idea. Here: the gain from small samples, its turns with the filter, and the curve at the end.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from master_check.decibels import power_decibels
from master_check.pair.curve import Curve, fit_curve
from master_check.pair.matched import Cut, MatchedFilter, Passages
from master_check.pair.saturation_kernels import draw_gain, sum_products, weigh_small

Grid = NDArray[np.float64]
"""(passages, hops): a value every `HOP_S`."""

SMALL: Final = 0.5
"""Level, in peaks, from which a sample counts no more as small (a biweight: at half of that it counts 0.56)."""

HOP_S: Final = 0.0005

OWN_SCALES_S: Final = (1.0, 0.1, 0.02, 0.006)
"""A side's own gain is followed coarse to fine; where small samples are missing, the coarser gain stands in."""

BEFORE_SHARED_S: Final = (1.0, 0.1, 0.02)
SHARED_SCALES_S: Final = (0.02, 0.006, 0.002)
"""A gain that two sides share is followed finer, on top of their own coarse ones."""

DOUBT: Final = 1e-3
"""Share of the average power of small samples that must be there before the finer gain is half believed."""

TURNS: Final = 4
"""Turns of gain and filter."""

LEAST_SWING: Final = 0.01
"""Of the gain, relative: from there on an offset before it is told from one after it."""

SETTLING: Final = 2
"""Turns of the gain alone, at the end: what is small depends on it a little."""


@dataclass(frozen=True)
class Filtered:
    """A side with its linear part known; all passages (passages, samples).

    `target` is the side of the master, without its `offset`; `matched` the premaster through the filter, and `gain`
    what then turned it up and down; `rank` how many samples of the passages exceed the side's peak level.
    """

    target: Passages
    matched: Passages
    gain: Passages
    offset: float
    rank: int

    @property
    def level(self) -> Passages:
        """What went into the curve."""
        return self.gain * self.matched


@dataclass(frozen=True)
class Found:
    """What a side was separated into; all passages (passages, samples).

    `target` is the side of the master, without its `offset`; `level` what went into the curve; `peak` the side's peak
    level; `residual` the sum of squares left unexplained, and `straight` what filter and gain alone leave.
    """

    target: Passages
    offset: float
    level: Passages
    peak: float
    curve: Curve | None
    residual: float
    straight: float

    @property
    def model(self) -> Passages:
        """What came out of the curve; made anew each time, as to keep it takes more than to make it."""
        return _through(self.curve, self.level, self.peak)

    @property
    def residual_db(self) -> float | None:
        """The residual relative to the target; None for silence."""
        power = _power(self.target)
        return power_decibels(max(self.residual / power, 1e-15)) if power else None

    @property
    def explained_db(self) -> float:
        """How much less the curve leaves than filter and gain alone; 0 where both leave next to nothing."""
        nothing = 1e-15 * _power(self.target) or 1.0
        return max(0.0, power_decibels((self.straight + nothing) / (self.residual + nothing)) or 0.0)


class Separation:
    """Separates any signal that a premaster was made into.

    Parameters
    ----------
    inputs : (inputs, passages, samples) float32
        The premaster's channels with their edges, not all silent, without their offsets.
    cut : Cut
        The passages that are looked at.
    rate : int
        Sample rate, Hz.
    """

    def __init__(self, inputs: NDArray[np.float32], cut: Cut, rate: int) -> None:
        self._cut, self._rate = cut, rate
        self._hop = max(1, round(HOP_S * rate))
        self._filter = MatchedFilter(inputs, cut, rate)

    def filtered(self, side: Passages, offset: float, rank: int) -> Filtered:
        """The filter, and the gain as far as the filter needs it, for one side of the master.

        Parameters
        ----------
        side : (passages, samples) float32
            With its edges, without its offset: of that the filter would make the lowest bass.
        offset : float
        rank : int
            How many samples of the passages exceed the side's peak level.
        """
        coefficients = self._filter.fit(side)
        found = self.unfiltered(side, offset, rank, self._filter.apply(coefficients))
        for _ in range(TURNS):
            small = self._small(found)
            found = small.settled(found, self._drawn(small.own(OWN_SCALES_S)))
            gain_like = partial(self._gain_like, small, found.matched)
            coefficients, matched = self._filter.refit(
                coefficients, found.matched, found.target, small.weight, found.gain, gain_like
            )
            found = replace(found, matched=matched)
        return found

    def unfiltered(self, side: Passages, offset: float, rank: int, matched: Passages) -> Filtered:
        """The same against what is known already of what the side was made from."""
        return Filtered(self._cut.inner(side), matched, np.ones_like(matched), offset, rank)

    def bent(self, sides: Sequence[Filtered], shared_gain: bool) -> list[Found]:
        """The curves of some sides, each with a gain of its own or all with one that they share.

        A first curve shows what it took from the small samples as well, and the gain is followed once more without
        that: with nothing but a curve, what is left unexplained falls by 7 to 9 dB.
        """
        gained = self._gained(sides, [np.float32(0.0)] * len(sides), shared_gain, SETTLING)
        bends = [found.model - found.level for found in map(self._with_curve, gained)]
        return [self._with_curve(found) for found in self._gained(gained, bends, shared_gain, 1)]

    def _gained(
        self, sides: Sequence[Filtered], bends: Sequence[Passages | np.float32], shared_gain: bool, turns: int
    ) -> list[Filtered]:
        """The sides with the gain that their small samples tell when what a curve did to them is taken off."""
        sides = [replace(found, target=found.target - bend) for found, bend in zip(sides, bends, strict=True)]
        for _ in range(turns):
            small = [self._small(found) for found in sides]
            grids = _shared(small) if shared_gain else [each.own(OWN_SCALES_S) for each in small]
            sides = [
                each.settled(found, self._drawn(grid)) for found, each, grid in zip(sides, small, grids, strict=True)
            ]
        return [replace(found, target=found.target + bend) for found, bend in zip(sides, bends, strict=True)]

    def _with_curve(self, found: Filtered) -> Found:
        target, level = found.target, found.level
        peak = _peak(level, found.rank)
        curve = fit_curve(level, target, peak, self._rate) if peak else None
        straight = _power(target - level)
        residual = straight if curve is None else _power(target - _through(curve, level, peak))
        return Found(target, found.offset, level, peak, curve, residual, straight)

    def _small(self, found: Filtered) -> "_Small":
        weight = np.empty_like(found.target)
        products, powers = np.zeros((2, len(found.target), -(-found.target.shape[1] // self._hop)))
        # Silence has no peak and no small samples; any width does.
        width = SMALL * _peak(found.level, found.rank) or 1.0
        weigh_small(found.matched, found.target, found.gain, width, self._hop, weight, products, powers)
        return _Small(weight, products, powers, *_offsets(weight, found.gain, found.target - found.level))

    def _gain_like(self, small: "_Small", matched: Passages, change: Passages) -> Passages:
        """The part of a change that the gain would follow."""
        products = np.empty_like(small.powers)
        sum_products(small.weight, matched, change, self._hop, products)
        return self._drawn(replace(small, products=products).own(OWN_SCALES_S)) * matched

    def _drawn(self, grid: Grid) -> Passages:
        gain = np.empty((len(grid), self._cut.length), np.float32)
        draw_gain(grid, self._hop, gain)
        return gain


@dataclass(frozen=True)
class _Small:
    """What a side's small samples say: their weights, sums every hop, and the offset before and after the gain."""

    weight: Passages
    products: Grid
    powers: Grid
    before: np.float32
    after: np.float32

    def settled(self, found: Filtered, gain: Passages) -> Filtered:
        """The side with that gain, its offsets accounted for."""
        return replace(
            found,
            target=found.target - self.after,
            matched=found.matched + self.before,
            gain=gain,
            offset=found.offset + float(self.after),
        )

    def own(self, scales: Sequence[float]) -> Grid:
        """The gain that they tell."""
        power = float(self.powers.sum())
        start = np.full_like(self.powers, self.products.sum() / power if power else 1.0)
        return _follow(self.products, self.powers, start, scales)


def _through(curve: Curve | None, level: Passages, peak: float) -> Passages:
    """What a curve makes of levels, a passage at a time: the curve's own sums are in double precision."""
    if curve is None:
        return level
    found = np.empty_like(level)
    for out, row in zip(found, level, strict=True):
        out[:] = peak * curve((row / peak).astype(np.float64))
    return found


def _peak(level: Passages, rank: int) -> float:
    """The level that so many samples reach."""
    magnitude = np.abs(level).ravel()
    rank = min(rank, magnitude.size)
    return float(np.partition(magnitude, -rank)[-rank])


def _power(signal: Passages) -> float:
    return float(np.sum(signal * signal, dtype=np.float64))


def _offsets(weight: Passages, gain: Passages, rest: Passages) -> tuple[np.float32, np.float32]:
    """What offset before a gain, and what after it, makes the least of the sum of weight x rest^2."""
    # Of a square wave no sample is small.
    total = np.sum(weight, dtype=np.float64) or np.inf

    def average(values: Passages) -> float:
        return float(np.sum(weight * values, dtype=np.float64) / total)

    mean_gain, mean_rest = average(gain), average(rest)
    moving = gain - np.float32(mean_gain)
    before = average(moving * rest) / (average(moving * moving) + (LEAST_SWING * mean_gain) ** 2 or np.inf)
    return np.float32(before), np.float32(mean_rest - before * mean_gain)


def _shared(sides: Sequence[_Small]) -> list[Grid]:
    """Gains that move together in what is faster than `BEFORE_SHARED_S`."""
    coarse = [side.own(BEFORE_SHARED_S) for side in sides]
    products, powers = np.zeros((2, *coarse[0].shape))
    for side, gain in zip(sides, coarse, strict=True):
        # Of equal weight, however much quieter one of the sides is.
        strength = float(np.mean(side.powers * gain * gain)) or np.inf
        products += side.products * gain / strength
        powers += side.powers * gain * gain / strength
    together = _follow(products, powers, np.ones_like(powers), SHARED_SCALES_S)
    return [gain * together for gain in coarse]


def _follow(products: Grid, powers: Grid, gain: Grid, scales: Sequence[float]) -> Grid:
    """Refine a gain, scale by scale, as far as there are small samples."""
    doubt = DOUBT * float(powers.mean()) or 1.0
    for scale in scales:
        hops = round(0.5 * scale / HOP_S) | 1  # odd, so that the average lies where it is written
        gain = (_averaged(products, hops) + doubt * gain) / (_averaged(powers, hops) + doubt)
    return gain


def _averaged(rows: Grid, hops: int) -> Grid:
    """A triangular average that reaches `hops` to either side."""
    once = uniform_filter1d(rows, hops, axis=1, mode="nearest")
    return np.asarray(uniform_filter1d(once, hops, axis=1, mode="nearest"))
