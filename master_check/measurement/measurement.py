"""What was measured of one file: values by key of the table of quantities, and series over time and frequency."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.meters.loudness import MOMENTARY, SHORT_TERM, loudness, windows
from master_check.provenance.finding import OriginFinding
from master_check.sound.format import AudioFormat
from master_check.sound.tags.tag import Tags
from master_check.tables.quantities import Value

SUMS: Final = ("mid", "side")
"""(L + R) / 2 and (L - R) / 2 of stereo, which have rows of their own in the series."""

SHORT_FOR_RANGE: Final = "shorter than 60 s: the loudness range is not stable (EBU Tech 3341)"
"""A note that a comparison of two excerpts can do without."""


@dataclass(frozen=True, slots=True)
class Series:
    """What was measured over time, every 10 ms, and over frequency.

    Attributes
    ----------
    rate : int
        Sample rate in Hz; hop h begins at sample h * rate // 100.
    rows : tuple of str
        What each row of `tops` and `bands` is: the channels' labels, then, of stereo, `mid` and `side`.
    energy : (hops,) float64
        K-weighted, channel-weighted sums of squares of whole hops.
    tops : (rows, hops) float32
        Largest magnitudes.
    bands : (rows, 30) float64
        Mean power in the third-octave bands of `meters.spectrum`, the same rows.

    Examples
    --------
    >>> import numpy as np
    >>> from master_check import measure
    >>> from master_check.sound.source import ArraySource
    >>> series = measure(ArraySource(np.full((48_000, 2), 0.25), 48_000)).series
    >>> series.rows
    ('L', 'R', 'mid', 'side')
    >>> float(series.tops_of("mid").max()), float(series.tops_of("side").max())
    (0.25, 0.0)
    """

    rate: int
    rows: tuple[str, ...]
    energy: NDArray[np.float64]
    tops: NDArray[np.float32]
    bands: NDArray[np.float64]

    @property
    def channels(self) -> int:
        """How many of the rows are channels; they come first."""
        return sum(row not in SUMS for row in self.rows)

    def tops_of(self, row: str) -> NDArray[np.float32]:
        """Largest magnitudes of one row, (hops,). Raises ValueError where there is no row of that name."""
        return np.asarray(self.tops[self.rows.index(row)])

    def bands_of(self, row: str) -> NDArray[np.float64]:
        """Band powers of one row, (30,). Raises ValueError where there is no row of that name."""
        return np.asarray(self.bands[self.rows.index(row)])

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
    sha256 : str or None
        Of the bytes that were measured, hexadecimal; None where it was no file.
    tags : Tags
        What the file states of itself; nothing where it was no file.
    origin : tuple of OriginFinding or None
        What earlier conversions and encodes have left; None where nobody asked.
    places_s : dict
        Where, in seconds from the start, for the keys that count something: the first thousand of each.
    """

    path: str
    format: AudioFormat
    values: dict[str, Value]
    at_s: dict[str, float]
    channels: tuple[dict[str, Value], ...]
    notes: tuple[str, ...]
    series: Series = field(repr=False, compare=False)
    sha256: str | None = None
    tags: Tags = field(default_factory=Tags)
    origin: tuple[OriginFinding, ...] | None = None
    places_s: dict[str, tuple[float, ...]] = field(default_factory=dict)
