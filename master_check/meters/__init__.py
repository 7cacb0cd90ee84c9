"""The meters. One file a quantity or family of them, each with the same three verbs.

`Meter(format)` starts, `feed(block)` takes the next block, `result()` gives a `Reading`. A meter knows no
profile and no file; kernels, the compiled loops, are in the file of the same name ending in `_kernels`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import Value

MOST_PLACES: Final = 1000
"""Places of one kind that are kept, the first ones."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter read: values by key of the table of quantities, times in seconds, and values by channel.

    `places_s` has where each of several happened, for the keys that count something: the first ones of all channels.
    """

    values: Mapping[str, Value]
    at_s: Mapping[str, float] = field(default_factory=dict)
    channels: tuple[Mapping[str, float | int | None], ...] = ()
    places_s: Mapping[str, tuple[float, ...]] = field(default_factory=dict)


def places(found: Iterable[tuple[NDArray[Any], int]], rate: int) -> tuple[float, ...]:
    """Where things happened, in seconds, the first ones of all channels.

    Parameters
    ----------
    found : iterable of ((most,) samples, int)
        Of every channel: where the first begin, and how many there are.
    rate : int
        Hz.
    """
    samples = np.unique(np.concatenate([np.asarray(own[: min(count, len(own))], np.float64) for own, count in found]))
    return tuple((samples[:MOST_PLACES] / rate).tolist())


class Meter(Protocol):
    """What measure.py asks of every meter."""

    def __init__(self, format: AudioFormat) -> None: ...
    def feed(self, block: Block) -> None: ...
    def result(self) -> Reading: ...
