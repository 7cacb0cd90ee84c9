"""Renders beds and objects to several layouts in one pass over their file, block by block."""

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from master_check.rendering import mixing_kernels
from master_check.rendering.decorrelation import DELAY, LENGTH, Decorrelator, decorrelators
from master_check.rendering.objects import ObjectPanner
from master_check.rendering.schedule import BLOCKS, FOREVER, Spans, spans
from master_check.rendering.screen import edges
from master_check.rendering.speakers import SpeakersPanner
from master_check.sound.adm.items import RenderingItem
from master_check.sound.adm.model import TypeDefinition
from master_check.sound.blocks import Block
from master_check.tables.layouts import BS2051

COVERED: Final = frozenset((TypeDefinition.DirectSpeakers, TypeDefinition.Objects))

_SPANS: Final = 2 * BLOCKS
"""Spans of a channel that are held at a time: each block may be two."""


_PIECE: Final = 8192 - LENGTH + 1
"""Samples that are rendered at a time, wherever the blocks begin: few enough for the processor's cache, and as many as
make a transform of 8192 with the length of the filters."""

_STEPS: Final = np.arange(_PIECE, dtype=np.float32)


class RenderingError(Exception):
    """Why something cannot be rendered, as a clause."""


class Renderer:
    """Tracks of a file on the loudspeakers of some layouts (ITU-R BS.2127).

    What comes out is the same to the last bit whatever the blocks that go in.

    Parameters
    ----------
    items : sequence of RenderingItem
        What is to be rendered; of tracks that the file does not have, nothing is.
    layouts : sequence of str
        Names of `BS2051`.
    rate : int
        Sample rate in Hz.

    Raises
    ------
    RenderingError
        An item is of a type that is not rendered here, or the programme's screen is impossible.
    """

    def __init__(self, items: Sequence[RenderingItem], layouts: Sequence[str], rate: int) -> None:
        _check(items)
        self._layouts = tuple(layouts)
        self._edges = np.cumsum([0, *(len(BS2051[layout]) for layout in layouts)])
        self._rows = int(self._edges[-1])
        self._stage = _Stage(items, self._layouts, rate, 2 * self._rows)
        self._decorrelator = Decorrelator(np.concatenate([decorrelators(layout) for layout in layouts]))
        self._late = np.zeros((self._rows, DELAY), np.float32)
        self._piece = np.empty((0, _PIECE), np.float32)
        self._held = self._start = 0

    def feed(self, block: Block) -> dict[str, NDArray[np.float32]]:
        """Render what a block completes; what comes out lags behind by up to a fifth of a second.

        Returns
        -------
        dict of (frames, loudspeakers) arrays
            By layout; of no frames where nothing is complete yet.
        """
        if not len(self._piece):
            self._piece = np.zeros((len(block.frames), _PIECE), np.float32)
        made = []
        taken = 0
        while taken < block.length:
            some = min(block.length - taken, _PIECE - self._held)
            self._piece[:, self._held : self._held + some] = block.frames[:, taken : taken + some]
            self._held += some
            taken += some
            if self._held == _PIECE:
                made.append(self._rendered(_PIECE))
        return self._by_layout(made)

    def end(self) -> dict[str, NDArray[np.float32]]:
        """What is left when all blocks have been fed: from now on, silence."""
        made = []
        left = self._held + DELAY
        while left:
            self._piece[:, self._held :] = 0.0
            made.append(self._rendered(min(left, _PIECE)))
            left -= min(left, _PIECE)
        return self._by_layout(made)

    def _rendered(self, length: int) -> NDArray[np.float32]:
        """The piece that is held, (rows, length): diffuse sound, and direct sound as late as that is.

        Of the file's first piece, what comes before its first sample is left out.
        """
        mixed, sounding = self._stage.mixed(self._piece, self._start, length)
        joined = np.concatenate((self._late, mixed[: self._rows]), axis=1)
        out, self._late = joined[:, :length], joined[:, length:].copy()
        self._decorrelator.add(mixed[self._rows :], sounding[self._rows :], out)
        out = out[:, max(DELAY - self._start, 0) :]
        self._start += length
        self._held = 0
        return out

    def _by_layout(self, made: Sequence[NDArray[np.float32]]) -> dict[str, NDArray[np.float32]]:
        joined = np.concatenate([np.empty((self._rows, 0), np.float32), *made], axis=1)
        spans = zip(self._layouts, self._edges, self._edges[1:], strict=False)
        return {layout: np.ascontiguousarray(joined[first:last].T) for layout, first, last in spans}


class _Stage:
    """All items with the gains that they have now, for all layouts at once.

    Rows are the loudspeakers of one layout after the other, for direct sound, then the same for diffuse sound.
    """

    def __init__(self, items: Sequence[RenderingItem], layouts: Sequence[str], rate: int, rows: int) -> None:
        panners = [ObjectPanner(layout) for layout in layouts]
        speakers = [SpeakersPanner(layout) for layout in layouts]
        self._coming = [spans(item, rate, partial(_gains, item, panners, speakers)) for item in items]
        self._until = np.zeros(len(items), np.int64)
        self._tracks = np.array([item.track for item in items], np.int64)
        self._spans = np.zeros((len(items), _SPANS, 4), np.int64)
        self._ramps = np.zeros((len(items), _SPANS, 2), np.float64)
        self._gains = np.zeros((len(items), BLOCKS + 1, rows), np.float32)
        self._rows = rows

    def mixed(
        self, piece: NDArray[np.float32], start: int, length: int
    ) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """All items on all rows (rows, length) from a sample of the file on, and which of these hold sound."""
        self._until[self._tracks >= len(piece)] = FOREVER
        out = np.zeros((self._rows, length), np.float32)
        sounding = np.zeros(self._rows, np.uint8)
        at, end = start, start + length
        while at < end:
            for item in np.flatnonzero(self._until <= at):
                self._refill(int(item), at)
            until = min(end, int(self._until.min(initial=end)))
            mixing_kernels.mix(
                piece, start, at, until, self._tracks, self._spans, self._ramps, self._gains, _STEPS, out, sounding
            )
            at = until
        return out, sounding.astype(np.bool_)

    def _refill(self, item: int, at: int) -> None:
        """The next gains of an item; none where all have been."""
        while self._until[item] <= at:
            found = next(self._coming[item], None)
            self._spans[item] = 0
            if found is None:
                self._until[item] = FOREVER
                return
            self._take(item, found)

    def _take(self, item: int, found: Spans) -> None:
        count = len(found.samples)
        self._spans[item, :count] = found.samples
        self._ramps[item, :count] = found.ramps
        self._gains[item, : len(found.gains)] = found.gains
        self._until[item] = found.end


def _gains(
    item: RenderingItem, panners: Sequence[ObjectPanner], speakers: Sequence[SpeakersPanner], blocks: Sequence[Any]
) -> NDArray[np.float64]:
    """Gains of an item's blocks on all rows (blocks, rows)."""
    if item.type is TypeDefinition.DirectSpeakers:
        direct = np.concatenate([panner.gains(blocks, item) for panner in speakers], axis=1)
        return np.concatenate((direct, np.zeros_like(direct)), axis=1)
    both = np.concatenate([panner.gains(blocks, item.screen) for panner in panners], axis=2)
    return both.reshape(len(blocks), -1)


def _check(items: Sequence[RenderingItem]) -> None:
    others = sorted({item.type.name for item in items if item.type not in COVERED})
    if others:
        raise RenderingError(f"channels of type {' and '.join(others)} are not rendered")
    for screen in {item.screen for item in items}:
        try:
            edges(screen)
        except ValueError as error:
            raise RenderingError(str(error)) from None


def rendered(
    items: Sequence[RenderingItem], layouts: Sequence[str], rate: int, blocks: Iterator[Block]
) -> Iterator[dict[str, NDArray[np.float32]]]:
    """A file's blocks, rendered: pieces (frames, loudspeakers) by layout, as many frames in all as went in.

    Raises
    ------
    RenderingError
        As of `Renderer`.
    """
    renderer = Renderer(items, layouts, rate)
    for block in blocks:
        yield renderer.feed(block)
    yield renderer.end()
