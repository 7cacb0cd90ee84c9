"""What a stream of samples is: rate, channels, how it was stored; and the one error for what cannot be measured."""

from dataclasses import dataclass
from pathlib import Path

from master_check.tables.layouts import Layout


class AudioError(Exception):
    """A file that cannot be measured: which one, what is wrong, what to do, in one line."""

    def __init__(self, path: str | Path, problem: str) -> None:
        super().__init__(f"{path}: {problem}")
        self.path = str(path)
        self.problem = problem


@dataclass(frozen=True, slots=True)
class AudioFormat:
    """What a file says about itself.

    Attributes
    ----------
    container, encoding : str
        libsndfile's names, such as `WAV` and `PCM_24`.
    rate : int
        Sample rate in Hz.
    layout : Layout
        One loudspeaker a channel.
    bit_depth : int or None
        Word length in bits; None for lossy encodings.
    floating : bool
        Samples are floating-point numbers, so values above full scale are kept.
    """

    container: str
    encoding: str
    rate: int
    layout: Layout
    bit_depth: int | None = None
    floating: bool = False

    @property
    def channels(self) -> int:
        return len(self.layout.labels)
