"""The sum of stems: what a bus would carry with every fader at 0 dB.

Stems are added from their first samples on. Mono goes to every channel at full level: no pan law.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import HOPS_PER_SECOND, Block, Blocks
from master_check.sound.format import AudioFormat
from master_check.sound.source import Source

HELD: Final = 6_000_000
"""Samples of all stems together that are held at once, about."""

LONGEST_HOPS: Final = 100


class Sum:
    """The sum of sources as a source.

    Parameters
    ----------
    name : str
        What it is called in results.
    parts : sequence of Source
        Of one sample rate; of one number of channels, or mono.

    Raises
    ------
    ValueError
        They have different rates, or channels that do not go together.
    """

    def __init__(self, name: str, parts: Sequence[Source]) -> None:
        self.name = name
        self.notes: list[str] = []
        self._parts = parts
        widest = max((part.format for part in parts), key=lambda format: format.channels)
        if any(part.format.rate != widest.rate or part.format.channels not in (1, widest.channels) for part in parts):
            raise ValueError("sources of different sample rates or channels cannot be added")
        self.format = AudioFormat("", "FLOAT", widest.rate, widest.channels, widest.layout, 32, floating=True)

    @property
    def frames(self) -> int:
        return max(part.frames for part in self._parts)

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The sum from the first sample to the end of the longest part."""
        rate, channels = self.format.rate, self.format.channels
        fit = HELD * HOPS_PER_SECOND // (rate * channels * len(self._parts))
        hops = hops or max(1, min(fit, LONGEST_HOPS))
        streams = [part.blocks(hops) for part in self._parts]
        laid = Blocks(rate, channels, hops)
        for size in laid.sizes():
            total = np.zeros((channels, size), np.float32)
            length = max((_add(total, stream) for stream in streams), default=0)
            if length:
                yield laid.lay(np.ascontiguousarray(total[:, :length].T))
            if length < size:
                break


def _add(total: NDArray[np.float32], stream: Iterator[Block]) -> int:
    """Add the next block of a stream, and say how long it is; 0 where it has ended."""
    block = next(stream, None)
    if block is None:
        return 0
    total[:, : block.length] += block.frames
    return block.length
