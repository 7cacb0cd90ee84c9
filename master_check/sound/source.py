"""A source: anything that gives samples. Files, arrays, decoded encodes, sums and renderings are all sources."""

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block, blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables import layouts
from master_check.tables.layouts import Layout


class Source(Protocol):
    """What the meters are fed from.

    Attributes
    ----------
    name : str
        What it is called in results: a path, or what it was made from.
    format : AudioFormat
    frames : int
        How many frames it promises; an estimate where it cannot know.
    notes : list of str
        What was odd about it without keeping it from being measured; complete once the blocks are through.
    """

    @property
    def name(self) -> str: ...
    @property
    def format(self) -> AudioFormat: ...
    @property
    def frames(self) -> int: ...
    @property
    def notes(self) -> list[str]: ...

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last, `hops` hops of 10 ms at a time."""
        ...


class ArraySource:
    """Samples in memory.

    Parameters
    ----------
    samples : (frames,) or (frames, channels) array
        Full scale is 1.0; kept as float32.
    rate : int
        Sample rate in Hz.
    layout : Layout, optional
        What the channels are; the usual layout of so many channels if not given.
    name : str
        What it is called in results.

    Raises
    ------
    ValueError
        The array has neither one nor two dimensions, or the layout does not fit it.

    Examples
    --------
    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)
    >>> ArraySource(tone, 48_000).format.layout.name
    'mono'
    """

    def __init__(self, samples: NDArray[Any], rate: int, layout: Layout | None = None, name: str = "samples") -> None:
        if samples.ndim not in (1, 2):
            raise ValueError(f"samples must be (frames,) or (frames, channels), not {samples.shape}")
        self.samples = np.asarray(samples if samples.ndim == 2 else samples[:, None], np.float32)
        channels = self.samples.shape[1]
        self.name = name
        self.format = AudioFormat("", "FLOAT", rate, channels, layout or layouts.of_count(channels), 32, True)
        self.notes: list[str] = []

    @property
    def frames(self) -> int:
        return len(self.samples)

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last; `ahead` makes no difference to what is in memory already."""
        return blocks_of(self.samples, self.format.rate, hops)
