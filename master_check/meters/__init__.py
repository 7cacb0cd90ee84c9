"""The meters. One file a quantity or family of them, each with the same three verbs.

`Meter(format)` starts, `feed(block)` takes the next block, `result()` gives a `Reading`. A meter knows no
profile and no file; kernels, the compiled loops, are in the file of the same name ending in `_kernels`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import Value


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter read: values by key of the table of quantities, times in seconds, and values by channel."""

    values: Mapping[str, Value]
    at_s: Mapping[str, float] = field(default_factory=dict)
    channels: tuple[Mapping[str, float | int | None], ...] = ()


class Meter(Protocol):
    """What measure.py asks of every meter."""

    def __init__(self, format: AudioFormat) -> None: ...
    def feed(self, block: Block) -> None: ...
    def result(self) -> Reading: ...
