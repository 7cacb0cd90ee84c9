"""Samples that come in pieces of any length, as the blocks that meters take."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block, Blocks


class PushedBlocks:
    """Lays out pieces as blocks once there is enough of them.

    Parameters
    ----------
    rate, channels : int
    hops : int, optional
        10 ms hops a block.
    """

    def __init__(self, rate: int, channels: int, hops: int | None = None) -> None:
        self._blocks = Blocks(rate, channels, hops)
        self._sizes = self._blocks.sizes()
        self._wanted = next(self._sizes)
        self._held = np.empty((self._wanted + 1, channels), np.float32)
        self._count = 0

    def push(self, frames: NDArray[np.float32]) -> Iterator[Block]:
        """The blocks that are full with (n, channels) more samples; each is to be used before the next is asked for.

        Raises
        ------
        ValueError
            As `Blocks.lay`.
        """
        at = 0
        while at < len(frames):
            part = frames[at : at + self._wanted - self._count]
            self._held[self._count : self._count + len(part)] = part
            self._count += len(part)
            at += len(part)
            if self._count == self._wanted:
                yield self._lay()

    def end(self) -> Iterator[Block]:
        """The last block, where anything is left."""
        if self._count:
            yield self._lay()

    def _lay(self) -> Block:
        block = self._blocks.lay(self._held[: self._count])
        self._count, self._wanted = 0, next(self._sizes)
        return block
