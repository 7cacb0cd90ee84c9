"""What a stream of samples is: rate, channels, how it was stored; and the one error for what cannot be measured."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from master_check.tables.layouts import Layout

SUFFIXES: Final = frozenset(
    (
        *(".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".au", ".snd"),
        *(".flac", ".ogg", ".oga", ".opus", ".mp3", ".mp2"),
    )
)
"""How files are named that can be measured, in lower case and with the dot."""


class AudioError(Exception):
    """A file that cannot be measured: which one, what is wrong, what to do, in one line."""

    def __init__(self, path: str | Path, problem: str) -> None:
        super().__init__(f"{path}: {problem}")
        self.path = str(path)
        self.problem = problem


@dataclass(frozen=True, slots=True)
class AudioFormat:
    """What a stream of samples says about itself.

    Attributes
    ----------
    container, encoding : str
        libsndfile's names, such as `WAV` and `PCM_24`; empty where there is no file.
    rate : int
        Sample rate in Hz.
    channels : int
    layout : Layout or None
        One loudspeaker a channel; None where nobody says what the channels feed, so that no loudness can be had.
    bit_depth : int or None
        Word length in bits; None for lossy encodings.
    floating : bool
        Samples are floating-point numbers, so values above full scale are kept.

    Raises
    ------
    ValueError
        The layout has another number of channels.
    """

    container: str
    encoding: str
    rate: int
    channels: int
    layout: Layout | None = None
    bit_depth: int | None = None
    floating: bool = False

    def __post_init__(self) -> None:
        if self.layout is not None and len(self.layout.labels) != self.channels:
            raise ValueError(f"{self.channels} channels, the layout {self.layout.name} has {len(self.layout.labels)}")

    @property
    def lossy(self) -> bool:
        """Whether an encoder left something out of the sound."""
        return bool(self.encoding) and self.bit_depth is None

    @property
    def labels(self) -> tuple[str, ...]:
        """What each channel is called: its loudspeaker, or its number from 1 where there is no layout."""
        return self.layout.labels if self.layout else tuple(str(number) for number in range(1, self.channels + 1))

    @property
    def weights(self) -> tuple[float, ...]:
        """Loudness weight of each channel (ITU-R BS.1770-5, Annex 3); all 0 without a layout."""
        return self.layout.weights if self.layout else (0.0,) * self.channels

    @property
    def stereo(self) -> bool:
        """Whether the two channels are left and right."""
        return self.layout is not None and self.layout.name == "stereo"
