"""The meters. One file a quantity or family of them, each with the same three verbs.

`Meter(format)` starts, `feed(block)` takes the next block, `result()` gives a `Reading`. A meter knows no
profile and no file; kernels, the compiled loops, are in the file of the same name ending in `_kernels`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from master_check.audio import AudioFormat, Block


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter read: values by catalogue key, times in seconds, and values by channel."""

    values: Mapping[str, float | int | None]
    at_s: Mapping[str, float] = field(default_factory=dict)
    channels: tuple[Mapping[str, float | int | None], ...] = ()


class Meter(Protocol):
    """What measure.py asks of every meter."""

    def __init__(self, format: AudioFormat) -> None: ...
    def feed(self, block: Block) -> None: ...
    def result(self) -> Reading: ...


def decibels(amplitude: float) -> float | None:
    """20 log10 of a linear amplitude; None for zero."""
    return float(20.0 * np.log10(amplitude)) if amplitude > 0.0 else None


def power_decibels(power: float) -> float | None:
    """10 log10 of a power; None for zero or less."""
    return float(10.0 * np.log10(power)) if power > 0.0 else None
