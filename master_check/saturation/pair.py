"""What mastering did to the waveform of each side, from the premaster and its master.

A side of the master is taken for

    curve( gain(t) x (filter * premaster) )

and the three are told apart by what only one of them can do:

- the filter (equaliser) has every channel of the premaster to draw on, and is fitted to small samples: a waveshaper
  leaves these alone, so its bend is not mistaken for equalising
- the gain (compressor, limiter) is followed from small samples as well. They come by at every zero crossing, so it is
  known every few milliseconds, and a compressor is not mistaken for a curve
- the curve (saturation, clipping) is what then became of each level

Filter and gain are found in turns. What a limiter does within a millisecond or two of a peak cannot be told from a
curve, and is read as one.

What was done to left and right shows on middle and sides, and the other way round, as a bend that no curve describes.
The pair of sides whose two curves leave less unexplained is where it was done (`PairSaturation.domain`). The other two
are then held against what those curves make of the premaster, so that they show only what was done to themselves.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from master_check.saturation.curve import Curve, fit_curve, flat_top, thd_percent
from master_check.saturation.matched import Cut, MatchedFilter, Passages
from master_check.saturation.pair_kernels import draw_gain, weigh_small

Side = Literal["mono", "left", "right", "mid", "side"]
Domain = Literal["left_right", "mid_side"]

SMALL: Final = 0.5
"""Level, in peaks, from which a sample counts no more as small (a biweight: at half of that it counts 0.56)."""

GAIN_SCALES_S: Final = (1.0, 0.1, 0.02, 0.006)
"""The gain is followed coarse to fine; where small samples are missing, the coarser gain stands in."""

HOP_S: Final = 0.001

DOUBT: Final = 1e-3
"""Share of the average power of small samples that must be there before the finer gain is half believed."""

TURNS: Final = 6
"""Turns of gain and filter. The worst compressor tried still moves by 0.01 % THD in the tenth."""

RARE: Final = 1e-4
"""A side's peak level is exceeded by this share of its samples: a level it plays at, not one stray sample."""

LEAST_PERCENT: Final = 0.1
"""Distortion from which a side counts as saturated: below lie the errors of the method."""

UNREADABLE_DB: Final = -12.0
"""Residual from which a side's curve says nothing: too much was done that is neither filter nor gain nor curve."""

SAMPLES: Final = 1_300_000
"""About so many samples a side are looked at; of longer pieces half the passages are the highest, half are spread."""


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
        more than a quarter of it (-12 dB) has no explanation.
    apparent_thd_percent : float or None
        The same with the side looked at alone, so that it also shows what was done to the other pair of sides.
    peak_squash_db : float or None
        How much lower such a sine's peaks come out than without the curve.
    clip_dbfs : float or None
        Where the curve's top is flat and its corner sharp, its level: the side was clipped there.
    residual_db : float or None
        What filter, gain and curve leave unexplained, relative to the side of the master.
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
    level_in: NDArray[np.float64] = field(repr=False, compare=False)
    level_out: NDArray[np.float64] = field(repr=False, compare=False)

    @property
    def saturated(self) -> bool:
        """Whether the side's own curve distorts by more than the method can err."""
        return self.thd_percent is not None and self.thd_percent >= LEAST_PERCENT


@dataclass(frozen=True)
class PairSaturation:
    """The waveshaping of all sides.

    Attributes
    ----------
    domain : str or None
        "left_right" or "mid_side": where the bends are those of curves. Null without a bend, and of mono.
    sides : tuple of SideSaturation
        Left, right, mid, side; or mono.
    """

    domain: Domain | None
    sides: tuple[SideSaturation, ...]

    def side(self, name: Side) -> SideSaturation:
        """One of the sides."""
        return next(each for each in self.sides if each.side == name)


def pair_saturation(premaster: NDArray[Any], master: NDArray[Any], rate: int) -> PairSaturation:
    """Separate filter, gain and curve on every side.

    Parameters
    ----------
    premaster, master : (n, channels) float32 or float64
        Aligned to the sample (better than half a sample is not needed), one or two channels each, the same number.
    rate : int
        Sample rate of both, Hz.

    Raises
    ------
    ValueError
        Shapes that differ, or have neither one nor two channels.
    """
    if premaster.shape != master.shape or premaster.ndim != 2 or premaster.shape[1] not in (1, 2):
        raise ValueError(f"premaster {premaster.shape} and master {master.shape} must be alike, of one or two channels")
    cut = _passages(premaster, rate)
    separate = _Separation(premaster, master, cut, rate)
    if premaster.shape[1] == 1:
        only = separate.alone("mono")
        return PairSaturation(None, (_described("mono", only, only),))
    alone = {side: separate.alone(side) for side in SIDES}
    domain, own = separate.attributed(alone)
    return PairSaturation(domain, tuple(_described(side, own[side], alone[side]) for side in SIDES))


SIDES: Final[tuple[Side, ...]] = ("left", "right", "mid", "side")
PAIRS: Final[Mapping[Domain, tuple[Side, Side]]] = {"left_right": ("left", "right"), "mid_side": ("mid", "side")}


def taken(frames: NDArray[Any], side: Side) -> NDArray[Any]:
    """One side of (n, channels) frames."""
    match side:
        case "mid":
            return np.asarray((frames[:, 0] + frames[:, 1]) / 2)
        case "side":
            return np.asarray((frames[:, 0] - frames[:, 1]) / 2)
    return frames[:, 1 if side == "right" else 0]


@dataclass(frozen=True)
class _Found:
    """What one side was separated into."""

    target: Passages
    level: Passages  # filtered, at its gain: what went into the curve
    peak: float
    curve: Curve | None

    @property
    def model(self) -> Passages:
        """What filter, gain and curve make of the premaster."""
        if self.curve is None:
            return self.level
        return (self.peak * self.curve(np.asarray(self.level / self.peak, np.float64))).astype(np.float32)

    @property
    def residual(self) -> float:
        """Power that is left unexplained."""
        return float(np.sum((self.target - self.model) ** 2, dtype=np.float64))

    @property
    def residual_db(self) -> float | None:
        power = float(np.sum(self.target**2, dtype=np.float64))
        return 10.0 * float(np.log10(max(self.residual / power, 1e-15))) if power else None


class _Separation:
    """Filter, gain and curve of any side of one pair."""

    def __init__(self, premaster: NDArray[Any], master: NDArray[Any], cut: Cut, rate: int) -> None:
        self._master, self._cut, self._rate = master, cut, rate
        self._frames = len(master)
        self._hop = max(1, round(HOP_S * rate))
        self._filter = MatchedFilter([channel for channel in premaster.T if channel.any()], cut, rate)

    def alone(self, side: Side) -> _Found:
        """Separate one side, as if nothing had been done to the others."""
        whole = taken(self._master, side)
        target = self._cut.take(whole)
        coefficients = self._filter.fit(whole)
        matched = self._filter.apply(coefficients)
        gain = np.ones_like(target)
        for _ in range(TURNS):
            weight, offset = self._follow(matched, target, gain)
            coefficients, matched = self._filter.refit(coefficients, target - offset, weight, gain, 1)
        return self._bent(target, matched, gain)

    def after(self, side: Side, domain: Domain, found: Mapping[Side, _Found]) -> _Found:
        """Separate one side, after what `domain`'s curves did."""
        a, b = (found[each].model for each in PAIRS[domain])
        models = {"left": a + b, "right": a - b, "mid": (a + b) / 2, "side": (a - b) / 2}
        target = self._cut.take(taken(self._master, side))
        return self._bent(target, models[side], np.ones_like(target))

    def attributed(self, alone: Mapping[Side, _Found]) -> tuple[Domain | None, dict[Side, _Found]]:
        """Where it was done, and every side with what was done to itself."""
        unexplained = {
            "left_right": alone["left"].residual + alone["right"].residual,
            "mid_side": 2.0 * (alone["mid"].residual + alone["side"].residual),
        }
        domain: Domain = "left_right" if unexplained["left_right"] <= unexplained["mid_side"] else "mid_side"
        if not any(_distortion(each) >= LEAST_PERCENT for each in alone.values()):
            return None, dict(alone)
        own = {side: alone[side] if side in PAIRS[domain] else self.after(side, domain, alone) for side in SIDES}
        bent = any(_distortion(each) >= LEAST_PERCENT for each in own.values())
        return domain if bent else None, own

    def _bent(self, target: Passages, matched: Passages, gain: Passages) -> _Found:
        _, offset = self._follow(matched, target, gain)
        level = gain * matched
        peak = self._peak(level)
        curve = fit_curve(level, target - offset, peak, self._rate) if peak else None
        return _Found(target - offset, level, peak, curve)

    def _follow(self, matched: Passages, target: Passages, gain: Passages) -> tuple[Passages, np.float32]:
        """Set `gain` to what small samples say; their weights, and the offset (DC) of the target."""
        weight = np.empty_like(matched)
        products, powers = np.empty((2, len(matched), -(-matched.shape[1] // self._hop)))
        width = SMALL * self._peak(gain * matched)
        if not width:
            return np.ones_like(matched), np.float32(0.0)
        weigh_small(matched, target, gain, width, self._hop, weight, products, powers)
        offset = np.sum(weight * (target - gain * matched), dtype=np.float64) / np.sum(weight, dtype=np.float64)
        grid = np.full_like(powers, products.sum() / powers.sum())
        doubt = DOUBT * powers.mean()
        for scale in GAIN_SCALES_S:
            hops = round(0.5 * scale / HOP_S) | 1  # odd, so that the average lies where it is written
            grid = (_averaged(products, hops) + doubt * grid) / (_averaged(powers, hops) + doubt)
        draw_gain(grid, self._hop, gain)
        return weight, np.float32(offset)

    def _peak(self, level: Passages) -> float:
        """The level that `RARE` of all samples exceed; the passages are taken to hold them all."""
        rank = max(1, round(RARE * self._frames))
        flat = np.abs(level).ravel()
        return float(np.partition(flat, -rank)[-rank]) if rank < flat.size else float(flat.max())


def _averaged(rows: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """A triangular average of `hops` to either side."""
    once = uniform_filter1d(rows, hops, axis=1, mode="nearest")
    return np.asarray(uniform_filter1d(once, hops, axis=1, mode="nearest"))


def _passages(premaster: NDArray[Any], rate: int) -> Cut:
    """All of a short piece; of a long one, passages with its highest samples and passages spread over it."""
    whole = Cut.whole(len(premaster), rate)
    wanted = max(2, SAMPLES // whole.length)
    if len(whole.starts) <= wanted:
        return whole
    spread = np.linspace(0, len(whole.starts) - 1, wanted // 2).round().astype(int)
    chosen = set(spread.tolist())
    sides = [np.abs(taken(premaster, side)) for side in (SIDES if premaster.shape[1] == 2 else ("mono",))]
    height = [np.maximum.reduceat(side, whole.starts) for side in sides]
    # In turns, so that every side's highest passages are among them.
    for place in np.argsort(-np.array(height), axis=1).T.ravel().tolist():
        if len(chosen) == wanted:
            break
        chosen.add(place)
    return Cut(whole.starts[sorted(chosen)], whole.length, whole.edge)


def _distortion(found: _Found) -> float:
    return 0.0 if found.curve is None else thd_percent(found.curve)


def _described(side: Side, own: _Found, alone: _Found) -> SideSaturation:
    residual = own.residual_db
    curve = own.curve if residual is not None and residual < UNREADABLE_DB else None
    if curve is None:
        peak = _decibels(own.peak)
        return SideSaturation(side, peak, None, None, None, None, residual, np.empty(0), np.empty(0))
    top = curve(np.array([-1.0, 1.0]))
    ceiling = flat_top(curve)
    return SideSaturation(
        side,
        _decibels(own.peak),
        thd_percent(curve),
        _distortion(alone),
        max(0.0, -20.0 * float(np.log10(max((top[1] - top[0]) / 2.0, 1e-6)))),
        None if ceiling is None else _decibels(own.peak * ceiling),
        residual,
        own.peak * curve.level,
        own.peak * (curve.level + curve.bend),
    )


def _decibels(amplitude: float) -> float | None:
    return 20.0 * float(np.log10(amplitude)) if amplitude > 0.0 else None
