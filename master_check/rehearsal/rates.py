"""Conversion to another sample rate by resampy's best filter, piece by piece: length costs no memory."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from importlib.metadata import version
from math import ceil, gcd
from typing import Any, Final

import numpy as np

from master_check.rehearsal.feed import Stream
from master_check.sound.format import AudioFormat
from master_check.sound.kept import Frames, Kept, Signal
from master_check.tables.layouts import Layout

FILTER: Final = "kaiser_best"

ZEROS: Final = 64
"""Zero crossings of that filter on either side: how far it looks, in samples of the lower of the two rates."""

PIECE_S: Final = 5.0


def converter() -> str:
    """What converts, with its version."""
    return f"resampy {version('resampy')}, {FILTER}"


def converted(
    signal: Signal,
    name: str,
    layout: Layout | None,
    rate: int,
    pool: Executor,
    ahead: int,
    progress: Callable[[float], Any] | None = None,
) -> Kept:
    """A signal at another sample rate.

    Parameters
    ----------
    signal : Signal
    name : str
        What it is called in errors.
    layout : Layout or None
        What its channels are.
    rate : int
        Hz.
    pool : Executor
        Converts several pieces at once.
    ahead : int
        How many.
    progress : callable, optional
        Told the share (0 to 1) converted since it was last told.

    Returns
    -------
    Kept
        To be closed.
    """
    frames = signal.frames * rate // signal.rate
    format = AudioFormat("", "FLOAT", rate, signal.channels, layout, 32, True)
    kept = Kept(Stream(name, format, frames, lambda: _pieces(signal, rate, pool, ahead)))
    for block in kept.blocks():
        if progress:
            progress(block.length / max(frames, 1))
    return kept


def _pieces(signal: Signal, rate: int, pool: Executor, ahead: int) -> Iterator[Frames]:
    """The converted pieces one after the other, a few of them in the making."""
    shared = gcd(signal.rate, rate)
    into, out = signal.rate // shared, rate // shared
    length = into * max(1, round(PIECE_S * signal.rate / into))
    reach = into * ceil((ZEROS * max(1.0, into / out) + 2) / into)
    # Pieces and their margins begin where a sample of both rates lies, so that the joints do not show.

    def one(start: int) -> Frames:
        import resampy

        # In double precision: floats would add noise of their own at about -140 dBFS.
        given = signal.read(start - reach, start + length + reach).astype(np.float64)
        found = resampy.resample(given, signal.rate, rate, axis=0, filter=FILTER)
        first = reach // into * out
        return np.asarray(found[first : first + length // into * out], np.float32)

    waiting = deque(range(0, signal.frames, length))
    making = deque(pool.submit(one, waiting.popleft()) for _ in range(min(ahead, len(waiting))))
    while making:
        piece = making.popleft().result()
        if waiting:
            making.append(pool.submit(one, waiting.popleft()))
        yield piece
