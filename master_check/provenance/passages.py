"""Short passages of a file, spread evenly over it and kept as its blocks go by: what its origin is judged from."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import PAST, Block

LENGTH: Final = 4096
"""Frames of a passage; `PAST` is longer, so the block that a passage ends in holds all of it."""

APART_S: Final = 0.2
"""Passages begin so far apart, until there are more than `MOST`; then every second one goes, and so on."""

MOST: Final = 240


@dataclass(frozen=True, slots=True)
class Passage:
    """A passage of a file.

    Attributes
    ----------
    start : int
        Number of its first frame in the file.
    samples : (channels, LENGTH) float32
        Full scale is 1.0.
    """

    start: int
    samples: NDArray[np.float32]


class Passages:
    """Collects passages; never more than `MOST`, however long the file."""

    def __init__(self, rate: int) -> None:
        self._apart = max(LENGTH, round(APART_S * rate))
        self._next = 0
        self._kept: list[Passage] = []

    def feed(self, block: Block) -> None:
        end = block.start + block.length
        while self._next + LENGTH <= end:
            first = PAST + self._next - block.start
            self._kept.append(Passage(self._next, block.buffer[:, first : first + LENGTH].copy()))
            if len(self._kept) > MOST:
                self._apart *= 2
                self._kept = self._kept[::2]
            self._next = self._kept[-1].start + self._apart

    def all(self) -> list[Passage]:
        """In the order of the file."""
        return self._kept
