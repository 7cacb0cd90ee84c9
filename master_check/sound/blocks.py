"""Blocks: the one way by which samples reach the meters."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from master_check.sound.block_kernels import LOUDEST, lay_out

HOPS_PER_SECOND: Final = 100
"""Energies and peaks are kept every 10 ms: fine enough for every window of EBU Tech 3341."""

PAST: Final = 4224
"""Samples before a block that stay readable in its buffer; meters that look back or ahead rely on them."""

BLOCK: Final = 300_000
"""Samples of all channels in a block, about: few enough for the processor's cache, and enough that what is done once
a block, with the interpreter locked, keeps no other thread waiting."""

Samples = NDArray[np.float32] | NDArray[np.int32]


@dataclass(slots=True)
class Block:
    """Consecutive frames of a file, whole 10 ms hops but for the last; the arrays are reused for the next block.

    Attributes
    ----------
    buffer : (channels, PAST + capacity) float32, C-contiguous
        A row a channel. Columns PAST to PAST + length are this block, the PAST columns before it the samples
        before it (zeros before the start of the file). Full scale is 1.0; every value is finite.
    length : int
        Frames in this block.
    start : int
        Number of its first frame in the file.
    edges : (hops + 1,) int64
        Where its 10 ms hops begin, counted from the block's first frame; the last entry is `length`.
    tops : (channels, hops) float32
        Largest magnitude of every hop.
    zeros : (channels, hops) int32
        Samples of every hop that are exactly zero.
    words : (length, channels) int32 or None
        The samples as they are stored, of files with words of 32 bits, which float32 cannot hold.
    """

    buffer: NDArray[np.float32]
    length: int
    start: int
    edges: NDArray[np.int64]
    tops: NDArray[np.float32]
    zeros: NDArray[np.int32]
    words: NDArray[np.int32] | None = None

    @property
    def frames(self) -> NDArray[np.float32]:
        """This block's samples, (channels, length): a view into `buffer`."""
        return self.buffer[:, PAST : PAST + self.length]


def hop_edges(rate: int, first_hop: int, hops: int) -> NDArray[np.int64]:
    """Sample numbers at which `hops` consecutive 10 ms hops begin, and where the last ends."""
    return np.arange(first_hop, first_hop + hops + 1, dtype=np.int64) * rate // HOPS_PER_SECOND


class Blocks:
    """Lays interleaved samples out as `Block`s: the one way by which samples reach the meters."""

    def __init__(self, rate: int, channels: int, hops: int | None = None) -> None:
        self.rate = rate
        hops = hops or max(1, BLOCK * HOPS_PER_SECOND // (rate * channels))
        self.hops = hops
        capacity = -(-rate * hops // HOPS_PER_SECOND)
        self._buffer = np.zeros((channels, PAST + capacity), np.float32)
        self._tops = np.zeros((channels, hops), np.float32)
        self._zeros = np.zeros((channels, hops), np.int32)
        self._hop = 0
        self._length = 0

    def sizes(self) -> Iterator[int]:
        """Frames that one block after the other takes, unless the file ends before."""
        for hop in count(0, self.hops):
            edges = hop_edges(self.rate, hop, self.hops)
            yield int(edges[-1] - edges[0])

    def lay(self, interleaved: Samples) -> Block:
        """The next block from (frames, channels) samples.

        Raises
        ------
        ValueError
            A sample is NaN, infinite or beyond `LOUDEST`; `args` are its frame number in the file and magnitude.
        """
        length = len(interleaved)
        edges = hop_edges(self.rate, self._hop, self.hops)
        start = int(edges[0])
        edges = np.append(edges[:-1][edges[:-1] < start + length], start + length) - start
        self._buffer[:, :PAST] = self._buffer[:, self._length : self._length + PAST].copy()
        scale = np.float32(2.0**-31 if interleaved.dtype == np.int32 else 1.0)
        bits, tops = self._buffer.view(np.int32), self._tops.view(np.int32)
        largest = lay_out(interleaved.reshape(-1), self._buffer, bits, PAST, scale, edges, tops, self._zeros)
        if largest > LOUDEST.view(np.int32):
            levels = np.abs(self._buffer[:, PAST : PAST + length]).max(axis=0)
            at = int(np.argmin(levels <= LOUDEST))  # NaN is not
            raise ValueError(start + at, float(levels[at]))
        hops = len(edges) - 1
        self._hop += self.hops
        self._length = length
        words = cast(NDArray[np.int32], interleaved) if interleaved.dtype == np.int32 else None
        return Block(self._buffer, length, start, edges, self._tops[:, :hops], self._zeros[:, :hops], words)


def blocks_of(frames: NDArray[np.float32], rate: int, hops: int | None = None) -> Iterator[Block]:
    """Samples in memory, (n, channels) float32, as the blocks that meters take."""
    blocks = Blocks(rate, frames.shape[1], hops)
    at = 0
    for size in blocks.sizes():
        if at >= len(frames):
            break
        yield blocks.lay(np.ascontiguousarray(frames[at : at + size], np.float32))
        at += size
