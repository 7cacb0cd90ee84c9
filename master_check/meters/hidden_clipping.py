"""Clipping that a filter has hidden: tops that are flat no longer, but were.

A sample-rate conversion, a high-pass or an encode leaves hardly two equal samples of a flat top. Two things stay, and
what no clipping made has neither:

- The tops stop at a common height, and are flatter there than the tops below. That holds after all that changes the
  wave little at every place: another sample rate, an encode, dither. A limiter's tops stop at a common height too, but
  are as round as all others; a soft curve flattens its tops, but spreads their heights.
- The tops are straight, with a corner at either end. That holds after a high-pass, which moves the tops up and down by
  the bass that it turns in phase, but bends none of them.

So the height and the flatness of every top near the highest are counted, and the straight ones; at the end it is asked
whether either stands out of what the same file shows elsewhere. Flatness is the width 3 % below a top by the width
15 % below it: 0.45 where a top is round, up to 1 where it was cut. No standard defines such a figure.

Fewer than about 20 clips in a file are not told: that many can come by chance. After a conversion or an encode clips of
one and two samples cannot be told from longer ones, and count. In the loud parts of long pieces the count is that of
every fourth 10 ms, times four. Where one drum sample, saturated until it is nearly square, is held at a ceiling by a
limiter at every hit, it reads as clipped; a file of nothing but square waves may.
"""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from master_check.meters.hidden_clipping_kernels import (
    BESIDE,
    HIGHEST_OCTAVE,
    LEVELS,
    LOWEST_OCTAVE,
    PER_OCTAVE,
    note_tops,
)
from master_check.sound.blocks import PAST, Block
from master_check.sound.format import AudioFormat

SHAPES: Final = 9
"""Flatness below 0.5, then in eight steps up to 1."""

WIDTHS: Final = (2, 6, 16)
"""Bins of height (0.25 % each) in which tops may lie together: a conversion spreads them little, an encode more."""

SEARCHED: Final = 170
"""Bins below the highest top in which they may lie: 3.6 dB."""

BELOW: Final = (150, 18)
"""Bins below those, from and to, whose tops say what is usual: 3.2 to 0.4 dB."""

LEAST_BELOW: Final = 30
"""Tops there below which nothing is said."""

FLATTEST: Final = 0.1
"""A top is flat where at most this share of the tops below is as flat, and its flatness at least 0.5."""

FLAT_SHARE: Final = 0.15
CERTAIN: Final = 6.5
"""Of the tops that lie together this share has to be flat, and so many standard deviations more than by chance."""

ABOVE: Final = 0.25
"""Share of them that may lie higher still; more, and nothing held them down."""

JUST_BELOW: Final = 0.1
"""Share of them that at least as many tops have to lie within 10 % below: a clip cuts what rises through that height.
A lone note at one height has none there."""

DENSER: Final = 1.2
"""So many times as dense as within 10 % below have the tops to lie there: a ceiling gathers them."""

KINDS: Final = 3
KIND_SHARE: Final = 0.03
"""Steps of flatness that at least this share of the flat tops has to lie in: the same note again is all in one."""

COARSE: Final = 2
"""Level of straightness from which on tops at a common height go first."""

VERY_FLAT: Final = 5
VERY_FLAT_BELOW: Final = 0.04
"""Share of the tops below that may be of flatness 0.75 and more: square waves have them at every height."""

SQUARE: Final = 6
HARDLY_FLAT: Final = 3
SQUARE_SHARE: Final = 1.5
"""Most tops rise over a clip by little: so many times those of flatness 0.5 to 0.62 may have 0.81 and more. A limiter
holds square waves at a common height too, but they are very flat or not at all."""

STRAIGHT_LEAST: Final = 4
STRAIGHT_SHARE: Final = 0.1
FALLING: Final = 0.25
"""Straight tops of five and more samples, and their share of all straight ones, below which these came by chance."""


PLAIN_SHARE: Final = 0.3
LEVEL_SHARE: Final = 0.5
STAND_OUT: Final = 1.2
"""Where so many of the tops that are still flat are counted as flat already, or are flat at all, nothing was filtered,
and only flat ones are clips; and more than so many times what is counted already has to be found."""


class HiddenClips(NamedTuple):
    """Clipped tops of a channel that are flat no longer: how many, and the number of the first one's sample, or -1."""

    runs: int
    first: int


class _Cut(NamedTuple):
    """Tops of a channel that were cut, those of them that are still flat within the dither, and where they begin."""

    tops: int
    level: int
    at: NDArray[np.int64]


class HiddenClipping:
    """Tops of every channel, counted by height and shape."""

    def __init__(self, format: AudioFormat) -> None:
        self._reach = min(format.rate // 400, PAST // 2 - BESIDE)
        self._level = 3.0 * 2.0 ** (1 - format.bit_depth) if format.bit_depth and not format.floating else 0.0
        bins = int((HIGHEST_OCTAVE - LOWEST_OCTAVE) * PER_OCTAVE) + 1
        self._state = np.zeros((format.channels, 4))
        self._heights = np.zeros((format.channels, 2, bins, SHAPES), np.int32)
        self._tally = np.zeros((format.channels, 2, bins, 2), np.int64)
        self._height_at = np.full((format.channels, 2, bins), -1, np.int64)
        self._straight = np.zeros((format.channels, 2, LEVELS, 5), np.int64)
        self._straight_at = np.full((format.channels, 2, LEVELS, 2), -1, np.int64)
        self._tail = np.zeros((format.channels, PAST), np.float32)
        self._end = 0

    def feed(self, block: Block) -> None:
        self._note(block.buffer, block.start, block.edges, np.ascontiguousarray(block.tops))
        self._tail[:] = block.buffer[:, block.length : block.length + PAST]
        self._end = block.start + block.length

    def _note(
        self, buffer: NDArray[np.float32], start: int, edges: NDArray[np.int64], tops: NDArray[np.float32]
    ) -> None:
        note_tops(
            buffer, PAST, start, edges, tops, self._reach, self._level, self._state, self._heights, self._tally,
            self._height_at, self._straight, self._straight_at,
        )  # fmt: skip

    def result(self, plain: NDArray[np.int64]) -> tuple[HiddenClips, ...]:
        """What was found, a channel each.

        Parameters
        ----------
        plain : (channels,) int
            Clips that are counted already, as runs at full scale or flat tops.
        """
        self._finish()
        # All channels and signs together where one ceiling held them; each by itself where one was clipped alone.
        shared = ceiling(self._heights.sum(axis=(0, 1)))
        straight = straight_level(self._straight.sum(axis=(0, 1)))
        return tuple(_beyond(self._cut(c, shared, straight), int(own)) for c, own in enumerate(plain))

    def _finish(self) -> None:
        """Note the last tops, which wait for samples that do not come; zeros stand for them."""
        lag = self._reach + BESIDE
        rest = np.pad(self._tail, ((0, 0), (0, 2 * lag)))
        self._note(rest, self._end, np.array([0, lag]), np.zeros((len(rest), 1), np.float32))

    def _cut(self, channel: int, shared: int | None, straight: int | None) -> _Cut:
        """The tops of a channel that reach a ceiling, or are straight: of each sign whichever finds more."""
        tops, level, at = 0, 0, [np.zeros(0, np.int64)]
        for heights, tally, height_at, lines, line_at in zip(
            self._heights[channel], self._tally[channel], self._height_at[channel],
            self._straight[channel], self._straight_at[channel], strict=True,
        ):  # fmt: skip
            bottom = shared if shared is not None else ceiling(heights)
            fine = straight if straight is not None else straight_level(lines)
            piled, level_ones = tally[bottom:].sum(axis=0) if bottom is not None else (0, 0)
            drawn = straight_tops(lines, fine) if fine is not None else 0
            # The tops of a wave that was converted or encoded are straight only as far as it goes slowly.
            if bottom is not None and (piled >= drawn or (fine or 0) >= COARSE):
                tops += int(piled)
                level += int(level_ones)
                at.append(height_at[bottom:])
            elif fine is not None:
                tops += drawn
                level += drawn
                at.append(line_at[fine, :1])
        return _Cut(tops, level, np.concatenate(at))


def _beyond(cut: _Cut, plain: int) -> HiddenClips:
    """The clips of a channel beyond those that are counted already."""
    still_flat = plain > PLAIN_SHARE * cut.level or cut.level > LEVEL_SHARE * cut.tops
    runs = cut.level if still_flat else cut.tops
    if runs <= math.ceil(STAND_OUT * plain):
        return HiddenClips(0, -1)
    timed = cut.at[cut.at >= 0]
    return HiddenClips(runs - plain, int(timed.min()) if len(timed) else -1)


def ceiling(heights: NDArray[np.int32]) -> int | None:
    """The bin from which on tops stop at a common height, flatter than those below; None where there is no such.

    Parameters
    ----------
    heights : (bins, shapes) int
        Tops by height and flatness.
    """
    by_height = heights.sum(axis=1)
    filled = np.flatnonzero(by_height)
    if not len(filled):
        return None
    bottom = max(0, int(filled[-1]) - SEARCHED - BELOW[0])
    shapes = heights[bottom : filled[-1] + 1]
    # below[i, s]: tops in the bins before i of flatness s and more.
    below = np.zeros((len(shapes) + 1, SHAPES))
    below[1:] = np.cumsum(np.cumsum(shapes[:, ::-1], axis=1)[:, ::-1], axis=0)
    places = [np.arange(max(len(shapes) - SEARCHED, BELOW[1]), len(shapes) - width + 1) for width in WIDTHS]
    first = np.concatenate(places)
    if not len(first):
        return None
    width = np.repeat(WIDTHS, [len(own) for own in places])
    certain = _certainty(shapes, below, first, width)
    best = int(np.argmax(certain))
    if certain[best] <= CERTAIN:
        return None
    return bottom + _lowest_of_pile(shapes.sum(axis=1), int(first[best]))


def _certainty(
    shapes: NDArray[np.int32], below: NDArray[np.float64], first: NDArray[np.int64], width: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Standard deviations by which more tops of `width` bins from `first` on are flat than chance makes."""
    window = below[first + width] - below[first]
    usual = below[first - BELOW[1]] - below[np.maximum(first - BELOW[0], 0)]
    tops, others = window[:, 0], usual[:, 0]
    share = usual / np.maximum(others, 1.0)[:, None]
    share[:, 0] = 1.0
    rows = np.arange(len(first))
    shape = np.argmax(share <= FLATTEST, axis=1)  # 0, which all tops have, where the tops below are as flat
    chance = np.maximum(share[rows, shape], 1.0 / np.maximum(others, 1.0))
    flat = window[rows, shape]
    spread = chance * (1.0 - chance) * tops * (1.0 + tops / np.maximum(others, 1.0)) + 1.0
    kinds = np.zeros(len(first), np.int64)
    for step in range(1, SHAPES):
        own = np.where(step >= shape, window[:, step] - (window[:, step + 1] if step + 1 < SHAPES else 0.0), 0.0)
        kinds += own > KIND_SHARE * flat
    certain = (flat - chance * tops) / np.sqrt(spread)
    higher = below[-1, 0] - below[first + width, 0]
    lower = below[np.maximum(first - 2, 0), 0] - below[np.maximum(first - 40, 0), 0]
    fits = (
        (others >= LEAST_BELOW)
        & (flat >= FLAT_SHARE * tops)
        & (higher <= ABOVE * tops)
        & (lower >= JUST_BELOW * tops)
        & (tops * 38 >= DENSER * lower * width)
        & (kinds >= KINDS)
        & (usual[:, VERY_FLAT] <= VERY_FLAT_BELOW * others)
        & (window[:, SQUARE] <= SQUARE_SHARE * (window[:, 1] - window[:, HARDLY_FLAT]))
    )
    return np.where(fits, certain, 0.0)


def _lowest_of_pile(tops: NDArray[np.int64], first: int) -> int:
    """Where a pile of tops begins that the window at `first` may have cut."""
    usual = float(tops[max(0, first - 40) : max(0, first - 10)].mean()) if first > 10 else 0.0
    while first > 0 and tops[first - 1] > 2.0 * usual + 1.0:
        first -= 1
    return first


def straight_level(straight: NDArray[np.int64]) -> int | None:
    """The level of straightness at which most straight tops stand out; None where none do.

    Parameters
    ----------
    straight : (levels, 5) int
        Straight tops with one, two, three and more samples inside; of the last those that the wave falls from, and
        how many they stand for.
    """
    long = straight[:, 2]
    stand = (long >= STRAIGHT_LEAST) & (long >= STRAIGHT_SHARE * straight[:, :3].sum(axis=1))
    stand &= straight[:, 3] >= FALLING * long
    stand[-1] = False
    # The finest that sees nearly all that any sees: chance has least to do with it.
    enough = stand & (long >= 0.9 * long[stand].max(initial=0))
    return int(np.argmax(enough)) if enough.any() else None


def straight_tops(straight: NDArray[np.int64], level: int) -> int:
    """Straight tops of a level, less those of three samples that came by chance.

    Chance makes three times as many of a level that takes three times as much; cut tops are the same ones at each.
    """
    chance = max(0, int(straight[level + 1, 0] - straight[level, 0])) // 2
    found = int(straight[level, 1:3].sum()) + max(0, int(straight[level, 0]) - chance)
    return round(found * int(straight[level, 4]) / max(1, int(straight[level, 2])))
