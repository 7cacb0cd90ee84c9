"""A master as a delivery has it: at another rate, turned down, between silence; a piece after the other."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from itertools import chain
from pathlib import Path

import numpy as np

from master_check.delivery.order import Order
from master_check.sound.blocks import Block
from master_check.sound.file import AudioFile
from master_check.sound.rates import Samples, converted
from master_check.tables.layouts import Layout


@contextmanager
def prepared(made: Order, trim_db: float, pool: Executor) -> Iterator[Iterator[Samples]]:
    """The samples of a delivery before they become words.

    Raises
    ------
    AudioError
        The master can no longer be read.
    """
    form = made.master.format
    with decoded(made.master.path, form.layout) as pieces:
        if made.ratio != 1:
            pieces = converted(pieces, form.channels, form.rate, made.rate, pool)
        gain = 10.0 ** (-trim_db / 20.0)
        yield chain(
            _silence(made.head, form.channels),
            (piece * gain if trim_db else piece for piece in pieces),
            _silence(made.tail, form.channels),
        )


@contextmanager
def decoded(path: str | Path, layout: Layout | None) -> Iterator[Iterator[Samples]]:
    """All samples of a file in double precision, (frames, channels)."""
    with AudioFile(path, layout) as file:
        yield (_samples(block) for block in file.blocks(ahead=True))


def _samples(block: Block) -> Samples:
    if block.words is not None:
        return np.asarray(block.words * 2.0**-31, np.float64)
    return np.asarray(block.frames.T, np.float64)


def _silence(frames: int, channels: int) -> Iterator[Samples]:
    """In pieces no longer than a second or so."""
    for start in range(0, frames, 1 << 16):
        yield np.zeros((min(1 << 16, frames - start), channels))
