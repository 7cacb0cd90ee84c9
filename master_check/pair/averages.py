"""The first look at premaster and master: offsets, powers, averaged spectra, and the filter between the two."""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from master_check.pair.overlap import Block, Overlap
from master_check.sound.kept import Frames

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

WINDOW_S: Final = 1.0 / 3.0
"""Windows of the spectra are at least this long: three bins in the lowest third octave."""

WINDOWS: Final = 16
"""Windows in a block."""

TAPS: Final = 2
"""The filter is as long as a window divided by this: some 85 ms."""


LOUD: Final = 1e6
"""Samples from here on (+120 dBFS) are no audio."""


@dataclass(frozen=True, slots=True)
class Averages:
    """What is the same over the whole of an overlap; every array's last axis but one is the channel.

    Attributes
    ----------
    frames : int
        Samples that were looked at.
    sums, squares, lowest, highest : (2, channels) float64
        Of the samples of premaster and master.
    products : (channels,) float64
        Sum of premaster times master.
    power : (2, channels, bins) float64
        Sums of squared spectra.
    cross : (channels, bins) complex128
        The same of premaster, conjugate, times master.
    ends : (2, bins) complex128
        The same of the first channel, conjugate, times the last one.
    """

    frames: int
    sums: Floats
    squares: Floats
    lowest: Floats
    highest: Floats
    products: Floats
    power: Floats
    cross: Complex
    ends: Complex

    @property
    def means(self) -> Floats:
        """Offset of every channel, (2, channels)."""
        return self.sums / max(self.frames, 1)

    @property
    def size(self) -> int:
        """Samples in a window."""
        return 2 * (int(self.power.shape[-1]) - 1)

    def filter(self) -> NDArray[np.float32]:
        """What is linear and steady in the master, alike for all channels: the Wiener filter, (taps,), zero-phase at
        its middle."""
        power = self.power[0].sum(axis=0)
        response = self.cross.sum(axis=0) / np.maximum(power, 1e-12 * power.max(initial=1e-30))
        taps = self.size // TAPS // 2 * 2
        middle = np.roll(np.fft.irfft(response), taps // 2)[:taps]
        return np.asarray(middle * np.hanning(taps + 1)[:-1], np.float32)


def averages(overlap: Overlap) -> Averages:
    """Read both through once.

    Raises
    ------
    ValueError
        Samples that are no audio.
    """
    longest = max(span.stop - span.start for span in overlap.spans)
    size = min(1 << int(np.ceil(np.log2(WINDOW_S * overlap.rate))), longest // 2 * 2)
    window = np.hanning(size + 1)[:-1].astype(np.float32)

    def look(block: Block) -> Averages:
        # As many samples more as windows that begin in this block reach into the next.
        stop = min(block.stop + size // 2, block.end)
        both = [signal.read(block.start, stop) for signal in (overlap.premaster, overlap.master)]
        if not all(np.abs(frames).max() < LOUD for frames in both):
            raise ValueError(f"premaster or master has samples that are no numbers or over {LOUD:g} times full scale")
        inside = block.stop - block.start
        before, after = (frames[:inside].astype(np.float64) for frames in both)
        spectra = [_spectra(frames, window) for frames in both]
        power = np.stack([np.square(np.abs(each)).sum(axis=1, dtype=np.float64) for each in spectra])
        return Averages(
            frames=inside,
            sums=np.stack([before.sum(axis=0), after.sum(axis=0)]),
            squares=np.stack([np.square(before).sum(axis=0), np.square(after).sum(axis=0)]),
            lowest=np.stack([before.min(axis=0), after.min(axis=0)]),
            highest=np.stack([before.max(axis=0), after.max(axis=0)]),
            products=(before * after).sum(axis=0),
            power=power,
            cross=_product(spectra[0], spectra[1]),
            ends=np.stack([_product(each[0], each[-1]) for each in spectra]),
        )

    total: Averages | None = None
    for part in overlap.each(look, WINDOWS * size // 2):
        total = part if total is None else _added(total, part)
    assert total is not None
    return total


def _added(one: Averages, other: Averages) -> Averages:
    either = {"lowest": np.minimum, "highest": np.maximum}
    return Averages(
        **{
            field.name: either.get(field.name, np.add)(getattr(one, field.name), getattr(other, field.name))
            for field in fields(one)
        }
    )


def _spectra(frames: Frames, window: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Of windows that overlap by half, each without its mean, (channels, windows, bins)."""
    size = len(window)
    if len(frames) < size:
        return np.zeros((frames.shape[1], 0, size // 2 + 1), np.complex64)
    rows = np.ascontiguousarray(frames.T)
    cut = np.lib.stride_tricks.sliding_window_view(rows, size, axis=1)[:, :: size // 2]
    return np.asarray(scipy.fft.rfft((cut - cut.mean(axis=2, keepdims=True)) * window, axis=2))


def _product(one: NDArray[np.complex64], other: NDArray[np.complex64]) -> Complex:
    return np.asarray(np.sum(one.conj() * other, axis=-2, dtype=np.complex128))
