"""Short-time spectra of a stem: what its low cut, its noise floor, its hum and its ringing are read from.

One for every gating block of ITU-R BS.1770-5: 400 ms, every 100 ms, so that what belongs to a block is known. A Hann
window's squares add up to the same at every sample at this overlap, so no energy is lost or counted twice.

Up to 500 Hz every bin is kept, 2.5 Hz apart; above, columns of a 48th of an octave; what lies above 20 kHz is one.
Powers are means over all channels but LFE, scaled as EBU R 68 does: a sine of full scale has 1.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from master_check.meters.loudness import GATING_STEP, MOMENTARY
from master_check.meters.spectrum import hann
from master_check.sound.blocks import HOPS_PER_SECOND, Block
from master_check.sound.format import AudioFormat
from master_check.stem.spectra_kernels import add_columns

SINGLE_HZ: Final = 500.0
COLUMNS_AN_OCTAVE: Final = 48
HIGHEST_HZ: Final = 20_000.0

AT_ONCE: Final = 16
"""Transforms: no more memory than a processor's cache has."""


@dataclass(frozen=True, slots=True)
class Columns:
    """What the columns of spectra are.

    Attributes
    ----------
    edges : (columns + 1,) int64
        Column c takes the bins from edge c to before edge c + 1.
    hz : (columns,) float64
        Their middles.
    width_hz : float
        Of a bin.
    """

    edges: NDArray[np.int64]
    hz: NDArray[np.float64]
    width_hz: float

    @property
    def bins(self) -> NDArray[np.int64]:
        """How many bins each has, (columns,)."""
        return np.diff(self.edges)

    def at(self, hz: NDArray[np.float64] | float) -> NDArray[np.intp]:
        """The column that a frequency lies in."""
        found = np.searchsorted(self.edges, np.rint(np.asarray(hz) / self.width_hz), side="right") - 1
        return np.clip(found, 0, len(self.hz) - 1)


def columns(rate: int, size: int) -> Columns:
    """The columns of transforms of `size` samples."""
    width, last = rate / size, size // 2 + 1
    single = min(round(SINGLE_HZ / width), last - 1)
    octaves = np.arange(0.0, np.log2(HIGHEST_HZ / SINGLE_HZ) + 1e-9, 1.0 / COLUMNS_AN_OCTAVE)
    above = np.rint(SINGLE_HZ * 2.0**octaves / width).astype(np.int64)
    edges = np.unique(np.concatenate([np.arange(single), above[above < last], [last]]))
    return Columns(edges, (edges[:-1] + edges[1:] - 1) * 0.5 * width, width)


class SpectraMeter:
    """Keeps the spectrum of every gating block."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._heard = [place for place, label in enumerate(format.labels) if label != "LFE"]
        length = format.rate * MOMENTARY // HOPS_PER_SECOND
        self._size = scipy.fft.next_fast_len(length, real=True)
        self._window = hann(length)
        self.columns = columns(format.rate, self._size)
        self._held = np.zeros((len(self._heard), 0), np.float32)
        self._start = 0  # of what is held
        self._steps: list[NDArray[np.float32]] = []
        self._count = 0

    def feed(self, block: Block) -> None:
        if not self._heard:
            return
        self._held = np.concatenate([self._held, block.frames[self._heard]], axis=1)
        length = len(self._window)
        starts: list[int] = []
        while (first := self._first(self._count + len(starts))) + length <= self._start + self._held.shape[1]:
            starts.append(first - self._start)
        for batch in (starts[at : at + AT_ONCE] for at in range(0, len(starts), AT_ONCE)):
            self._steps.append(self._powers(batch))
        self._count += len(starts)
        # Less than a window and a step is left, whatever the block.
        keep = max(self._first(self._count) - self._start, 0)
        self._held = self._held[:, keep:].copy()
        self._start += keep

    def _first(self, step: int) -> int:
        return step * GATING_STEP * self._rate // HOPS_PER_SECOND

    def _powers(self, starts: list[int]) -> NDArray[np.float32]:
        length = len(self._window)
        powers = np.zeros((len(starts), len(self.columns.hz)), np.float32)
        for row in self._held:
            windowed = np.stack([row[start : start + length] for start in starts])
            windowed *= self._window
            add_columns(scipy.fft.rfft(windowed, self._size, axis=1), self.columns.edges, powers)
        # Twice for the negative frequencies, what the window took away given back, twice for a sine.
        energy = float(np.sum(self._window.astype(np.float64) ** 2))
        powers *= np.float32(4.0 / (energy * self._size * len(self._heard)))
        return powers

    def steps(self) -> NDArray[np.float32]:
        """(steps, columns), a step a gating block."""
        empty = np.zeros((0, len(self.columns.hz)), np.float32)
        self._steps = [np.concatenate([*self._steps, empty])]
        return self._steps[0]
