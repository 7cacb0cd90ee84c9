"""What was measured of one file: values by key of the table of quantities, and series over time and frequency."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from master_check.meters.loudness import MOMENTARY, SHORT_TERM, loudness, windows
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import Value


@dataclass(frozen=True, slots=True)
class Series:
    """What was measured over time, every 10 ms, and over frequency.

    Attributes
    ----------
    rate : int
        Sample rate in Hz; hop h begins at sample h * rate // 100.
    energy : (hops,) float64
        K-weighted, channel-weighted sums of squares of whole hops.
    tops : (rows, hops) float32
        Largest magnitudes: a row a channel, then, of stereo, middle and sides.
    bands : (rows, 30) float64
        Mean power in the third-octave bands of `meters.spectrum`, the same rows.
    """

    rate: int
    energy: NDArray[np.float64]
    tops: NDArray[np.float32]
    bands: NDArray[np.float64]

    def momentary(self) -> NDArray[np.float64]:
        """Momentary loudness, LUFS, of the 400 ms from each hop on; -inf where silent."""
        return loudness(windows(self.energy, self.rate, MOMENTARY))

    def short_term(self) -> NDArray[np.float64]:
        """Short-term loudness, LUFS, of the 3 s from each hop on; -inf where silent."""
        return loudness(windows(self.energy, self.rate, SHORT_TERM))


@dataclass(frozen=True, slots=True)
class Measurement:
    """Everything measured of one file.

    Attributes
    ----------
    path : str
        As it was given.
    format : AudioFormat
    values : dict
        Every key of the table of quantities: number, word, or None where it does not apply or cannot be had.
    at_s : dict
        When, in seconds from the start, for the keys that happen at a time.
    channels : tuple of dict
        A label and the values of `CHANNEL_KEYS` for every channel.
    notes : tuple of str
        What the reader of the figures has to know.
    series : Series
    """

    path: str
    format: AudioFormat
    values: dict[str, Value]
    at_s: dict[str, float]
    channels: tuple[dict[str, Value], ...]
    notes: tuple[str, ...]
    series: Series = field(repr=False, compare=False)
