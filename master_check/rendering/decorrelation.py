"""Diffuse sound: an all-pass filter for each loudspeaker makes it unlike the others (ITU-R BS.2127-0, section 7.4)."""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from master_check.tables.layouts import BS2051

Samples = NDArray[np.float32]

LENGTH: Final = 512
"""Samples of each filter."""

DELAY: Final = (LENGTH - 1) // 2
"""By so many samples the direct sound is delayed beside it, and all of the output moved back."""


@cache
def decorrelators(layout: str) -> Samples:
    """A filter of random phase for each loudspeaker (n, LENGTH), seeded by its place in the sorted labels."""
    labels = BS2051[layout]
    order = sorted(labels)
    return np.array([_filter(order.index(label)) for label in labels], np.float32)


def _filter(seed: int) -> NDArray[np.float64]:
    # The standard names MT19937; numpy promises that this stream of it stays as it is.
    random = np.random.RandomState(seed).randint(0, 2**32, LENGTH // 2 - 1, dtype=np.uint32) / 2**32
    phase = np.zeros(LENGTH // 2 + 1)
    phase[1:-1] = 2.0 * np.pi * random
    return np.fft.irfft(np.exp(1j * phase))


class Decorrelator:
    """The filters of several loudspeakers over a stream of blocks of any length."""

    def __init__(self, filters: Samples) -> None:
        self._filters = filters
        self._past = np.zeros((len(filters), LENGTH - 1), np.float32)
        self._sounding = np.zeros(len(filters), np.bool_)
        self._spectra: tuple[int, NDArray[np.complex64]] = (0, np.empty((0, 0), np.complex64))

    def add(self, samples: Samples, sounding: NDArray[np.bool_], to: Samples) -> None:
        """Filter the next samples (n, length), and add them to others.

        `sounding` says which rows hold sound at all; those that are silent and have been so cost nothing.
        """
        rows = np.flatnonzero(sounding | self._sounding)
        if not len(rows) or not samples.shape[1]:
            return
        length = samples.shape[1]
        joined = np.concatenate((self._past[rows], samples[rows]), axis=1)
        size, spectra = self._transformed(length + LENGTH - 1)
        filtered = fft.irfft(fft.rfft(joined, size, axis=1) * spectra[rows], size, axis=1)
        to[rows] += filtered[:, LENGTH - 1 : LENGTH - 1 + length]
        self._past[rows] = joined[:, length:]
        self._sounding = sounding | self._past.any(axis=1)

    def _transformed(self, least: int) -> tuple[int, NDArray[np.complex64]]:
        size = fft.next_fast_len(least, real=True)
        if size != self._spectra[0]:
            self._spectra = size, fft.rfft(self._filters, size, axis=1)
        return self._spectra
