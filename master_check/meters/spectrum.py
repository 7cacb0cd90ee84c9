"""Long-term spectrum: the mean power in every third-octave band.

Bands of IEC 61260-1:2014, base ten: exact mid-band frequencies 1000 Hz x 10^(x/10), edges a twentieth of a decade
to either side (sections 5.2 to 5.6). They are sums of a Fourier transform's bins, each counted by the share of it
that lies in the band; not the standard's filters, whose skirts matter little to a long-term level.

A fifth of the file is transformed, a quarter second at a time and always at the same samples, whatever the blocks:
the long-term spectrum of music settles long before all of it is counted, and the meter runs over every file.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels_each
from master_check.meters import Reading
from master_check.meters.spectrum_kernels import add_powers
from master_check.sound.blocks import PAST, Block
from master_check.sound.format import AudioFormat

BANDS_HZ: Final = (
    25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
    1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0,
    20000.0,
)  # fmt: skip
"""Nominal mid-band frequencies (IEC 61260-1:2014, Annex E)."""

EXACT_HZ: Final = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)
"""Exact mid-band frequencies of the same bands."""

EDGES_HZ: Final = 1000.0 * 10.0 ** (np.arange(-16.5, 14.0) / 10.0)
"""Band b reaches from edge b to edge b + 1."""


class SpectrumMeter:
    """Mean third-octave powers of every channel and, of stereo, of middle and sides."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._stereo = format.stereo
        self._hop = format.rate * 5 // 4
        self._size = format.rate // 4
        self._window = hann(self._size)
        self._windowed = np.zeros((format.channels, self._size), np.float32)
        self._counted = 0  # windows in the sums
        # Of every channel, then left times right.
        self._sums = np.zeros((format.channels + self._stereo, self._size // 2 + 1))
        self._start = np.zeros((format.channels, 0), np.float32)  # of a file that has not filled a window yet

    def feed(self, block: Block) -> None:
        if not self._counted:
            missing = self._size - self._start.shape[1]
            self._start = np.concatenate([self._start, block.frames[:, :missing]], axis=1)
        at, end = block.start, block.start + block.length
        while at < end:
            filled = at % self._hop
            count = min(self._size - filled, end - at)
            if count <= 0:  # between two windows
                at += self._hop - filled
                continue
            first = PAST + at - block.start
            np.multiply(
                block.buffer[:, first : first + count],
                self._window[filled : filled + count],
                out=self._windowed[:, filled : filled + count],
            )
            at += count
            if filled + count == self._size:
                self._add(self._windowed, self._sums)
                self._counted += 1

    def _add(self, windowed: NDArray[np.float32], sums: NDArray[np.float64]) -> None:
        # numpy's transform, not scipy's: ten songs have to be measured until its greater speed makes up for its import.
        add_powers(np.fft.rfft(windowed).astype(np.complex64, copy=False), sums)

    def powers(self) -> NDArray[np.float64]:
        """Mean power in every band: a row a channel, then, of stereo, middle and sides.

        Returns
        -------
        (rows, 30) float64
            A full-scale sine has 0.5. Zero where there is nothing, and above half the sample rate.
        """
        if self._counted:
            return self._powers(self._sums / self._counted, self._window)
        window = hann(self._start.shape[1])
        sums = np.zeros((len(self._sums), len(window) // 2 + 1))
        self._add(self._start * window, sums)
        return self._powers(sums, window)

    def _powers(self, sums: NDArray[np.float64], window: NDArray[np.float32]) -> NDArray[np.float64]:
        if self._stereo:
            left, right, products = sums
            sums = np.stack([left, right, (left + right + 2.0 * products) / 4.0, (left + right - 2.0 * products) / 4.0])
        # Twice for the negative frequencies; then what the window took away is given back.
        bins = 2.0 * sums / (len(window) * np.sum(window.astype(np.float64) ** 2))
        return np.maximum([_by_band(row, self._rate / len(window)) for row in bins], 0.0)

    def levels(self) -> NDArray[np.float64]:
        """`powers` in dB: a full-scale sine reads -3.0, as RMS does; -inf where there is nothing."""
        return power_decibels_each(self.powers())

    def result(self) -> Reading:
        """No figure of the table of quantities; `powers` is what there is."""
        return Reading({})


def hann(size: int) -> NDArray[np.float32]:
    """A Hann window that is zero nowhere."""
    return np.asarray(np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2, np.float32)


def _by_band(bins: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Sums of bins `width` Hz wide over every band; a bin across an edge is shared out."""
    below = np.concatenate([[0.0], np.cumsum(bins)])
    edges = (np.arange(len(below)) - 0.5) * width
    return np.diff(np.interp(EDGES_HZ, edges, below))
