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
from master_check.sound.blocks import PAST, Block
from master_check.tables.layouts import BS2051

COVERED: Final = frozenset((TypeDefinition.DirectSpeakers, TypeDefinition.Objects))

_SPANS: Final = 2 * BLOCKS
"""Spans of a channel that are held at a time: each block may be two."""


class RenderingError(Exception):
    """Why something cannot be rendered, as a clause."""


class Renderer:
    """Tracks of a file on the loudspeakers of some layouts (ITU-R BS.2127).

    Parameters
    ----------
    items : sequence of RenderingItem
        What is to be rendered.
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
        counts = [len(BS2051[layout]) for layout in layouts]
        self._edges = np.cumsum([0, *counts])
        self._rows = int(self._edges[-1])
        self._stage = _Stage(items, self._layouts, rate, 2 * self._rows)
        filters = [decorrelators(layout) for layout in layouts]
        self._decorrelator = Decorrelator(np.concatenate(filters) if filters else np.empty((0, LENGTH), np.float32))
        self._direct_past = np.zeros((self._rows, DELAY), np.float32)
        self._due = -DELAY

    def feed(self, block: Block) -> dict[str, NDArray[np.float32]]:
        """Render the next block; what comes out lags behind by `DELAY` samples.

        Returns
        -------
        dict of (frames, loudspeakers) arrays
            By layout.
        """
        mixed, sounding = self._stage.mixed(block)
        return self._rendered(mixed, sounding)

    def end(self) -> dict[str, NDArray[np.float32]]:
        """What is left when all blocks have been fed."""
        nothing = np.zeros((2 * self._rows, DELAY), np.float32)
        return self._rendered(nothing, np.zeros(2 * self._rows, np.bool_))

    def _rendered(self, mixed: NDArray[np.float32], sounding: NDArray[np.bool_]) -> dict[str, NDArray[np.float32]]:
        """Direct sound, delayed, and diffuse sound together, from the file's first sample on."""
        joined = np.concatenate((self._direct_past, mixed[: self._rows]), axis=1)
        length = mixed.shape[1]
        self._direct_past = joined[:, length:].copy()
        out = joined[:, :length]
        self._decorrelator.add(mixed[self._rows :], sounding[self._rows :], out)
        skipped = min(max(-self._due, 0), length)
        self._due += length
        return {
            layout: np.ascontiguousarray(out[first:last, skipped:].T)
            for layout, first, last in zip(self._layouts, self._edges, self._edges[1:], strict=False)
        }


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
        self._steps = np.empty(0, np.float32)
        self._rows = rows

    def mixed(self, block: Block) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """All items on all rows (rows, length), and which of these hold sound."""
        if len(self._steps) < block.length:
            self._steps = np.arange(block.length, dtype=np.float32)
        out = np.zeros((self._rows, block.length), np.float32)
        sounding = np.zeros(self._rows, np.uint8)
        self._until[self._tracks >= len(block.buffer)] = FOREVER  # tracks that the file does not have
        at, end = block.start, block.start + block.length
        while at < end:
            for item in np.flatnonzero(self._until <= at):
                self._refill(int(item), at)
            until = min(end, int(self._until.min(initial=end)))
            mixing_kernels.mix(
                block.buffer, PAST, block.start, at, until, self._tracks, self._spans, self._ramps, self._gains,
                self._steps, out, sounding,
            )  # fmt: skip
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
