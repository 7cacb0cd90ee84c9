"""What is kept of stems and of a mix to find how the one came from the other: products of their spectra.

Everything that is fitted later (levels, what a bus did, what is left) is a sum of such products, in bands and over some
hundredths of a second each: small enough to be kept for sixty stems, and read once.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from master_check.sound.kept import Frames, Signal

PART_S: Final = 2.0

FEWEST, MOST = 10, 48
"""Passages that are looked at; as many as there is room for."""

ROOM: Final = 120e6
"""Bytes for products of spectra."""

WINDOW_S: Final = 0.043
HOPS: Final = 2
MANY_HOPS: Final = 4
"""Half windows in a chunk (43 ms), within which a bus is taken to be at rest: a snare drum and the gain that it moves
are told apart. Of more than `MANY` stems, twice as many, for want of room."""

MANY: Final = 24

EDGES_HZ: Final = (
    *(30.0, 60.0, 90.0, 130.0, 180.0, 250.0, 350.0, 500.0, 700.0, 1_000.0, 1_400.0, 2_000.0),
    *(2_800.0, 4_000.0, 5_600.0, 8_000.0, 11_000.0, 14_000.0),
)
"""Of the bands. Above, a lossy mix has nothing that can be relied on."""

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Part:
    """Samples of the mix, `start` to `stop`."""

    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Statistics:
    """Products of spectra, by channel of the mix.

    Attributes
    ----------
    stems : (channels, chunks, bands, stems, stems) float32
        Sum of one stem's spectrum, conjugate, times another's: the real part, as levels are real.
    cross : (channels, chunks, bands, stems) complex64
        The same of a stem's, conjugate, times the mix's.
    mix : (channels, chunks, bands) float32
        Power of the mix.
    part : (chunks,) int
        The passage that a chunk belongs to.
    at : (chunks,) int
        Its first sample.
    """

    stems: NDArray[np.float32]
    cross: NDArray[np.complex64]
    mix: NDArray[np.float32]
    part: NDArray[np.int64]
    at: NDArray[np.int64]


def energies(signal: Signal, size: int) -> NDArray[np.float64]:
    """Energy of a signal in windows of so many samples."""
    return np.array(
        [
            float(np.square(signal.read(start, min(start + size, signal.frames))).sum(dtype=np.float64))
            for start in range(0, signal.frames, size)
        ]
    )


def chosen(energies: Sequence[NDArray[np.float64]], size: int) -> list[Part]:
    """The passages to look at: half of them spread over the whole, then the loudest of stems that are least in these.

    Parameters
    ----------
    energies : sequence of (windows,) float64
        Of the mix, then of every stem where the mix has it.
    size : int
        Samples in a window.
    """
    mix, *stems = energies
    bytes_each = 2 * (PART_S / (WINDOW_S / 2 * _hops(len(stems)))) * (len(EDGES_HZ) - 1) * 4 * len(stems) ** 2
    room = min(len(mix), int(np.clip(ROOM / max(bytes_each, 1.0), FEWEST, MOST)))
    if room == len(mix):
        wanted = set(range(room))
    else:
        wanted = {round(n) for n in np.linspace(0, len(mix) - 1, room // 2)}
        shares = np.array([each / max(float(each.sum()), 1e-30) for each in stems])
        while len(wanted) < room:
            covered = shares[:, sorted(wanted)].sum(axis=1)
            for stem in np.argsort(np.where(shares.any(axis=1), covered, np.inf)):
                order = [n for n in np.argsort(-shares[stem]) if n not in wanted]
                if shares[stem, order[0]] > 0.0:
                    wanted.add(int(order[0]))
                    break
            else:
                break
    return [Part(n * size, (n + 1) * size) for n in sorted(wanted) if mix[n] > 0.0]


def _hops(stems: int) -> int:
    return MANY_HOPS if stems > MANY else HOPS


def statistics(stems: Sequence[Signal], mix: Signal, parts: Sequence[Part]) -> Statistics:
    """Read the passages of all once.

    Parameters
    ----------
    stems : sequence of Signal
        Where the mix has the same sound, alike in rate and channels.
    mix : Signal
    parts : sequence of Part
    """
    rate = mix.rate
    size = 1 << round(np.log2(WINDOW_S * rate))
    hop = size // 2
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    edges = np.round(np.array(EDGES_HZ) * size / rate).astype(int)
    edges = np.minimum(np.maximum.accumulate(np.maximum(edges, np.arange(len(edges)) + 1)), size // 2)
    hops = _hops(len(stems))
    chunks = [max(0, part.stop - part.start - hop) // (hops * hop) for part in parts]
    shape = (mix.channels, sum(chunks), len(edges) - 1)
    own = np.empty((*shape, len(stems), len(stems)), np.float32)
    cross = np.empty((*shape, len(stems)), np.complex64)
    power = np.empty(shape, np.float32)
    at = 0
    places = []
    for part, count in zip(parts, chunks, strict=True):
        for chunk, spectra in enumerate(_spectra(part, count, [*stems, mix], window, hop, hops)):
            _products(spectra, edges, own[:, at], cross[:, at], power[:, at])
            places.append(part.start + chunk * hops * hop)
            at += 1
    return Statistics(own, cross, power, np.repeat(np.arange(len(parts)), chunks), np.array(places))


def _spectra(
    part: Part, chunks: int, signals: Sequence[Signal], window: Frames, hop: int, hops: int
) -> Iterator[Spectra]:
    """Of all signals, a chunk at a time: (signals, channels, windows, bins)."""
    if not chunks:
        return
    rows = np.stack([signal.read(part.start, part.start + (chunks * hops + 1) * hop).T for signal in signals])
    for chunk in range(chunks):
        cut = rows[..., chunk * hops * hop : (chunk + 1) * hops * hop + hop]
        cut = np.lib.stride_tricks.sliding_window_view(cut, len(window), axis=2)[:, :, ::hop]
        yield scipy.fft.rfft(cut * window, axis=3)


def _products(
    spectra: Spectra,
    edges: NDArray[np.int64],
    stems: NDArray[np.float32],
    cross: NDArray[np.complex64],
    mix: NDArray[np.float32],
) -> None:
    """Into (channels, bands, stems, stems), (channels, bands, stems) and (channels, bands)."""
    signals, channels = spectra.shape[:2]
    for channel in range(channels):
        for band, (first, last) in enumerate(zip(edges[:-1], np.maximum(edges[1:], edges[:-1] + 1), strict=True)):
            rows = spectra[:, channel, :, first:last].reshape(signals, -1)
            products = rows.conj() @ rows.T
            stems[channel, band] = products[:-1, :-1].real
            cross[channel, band] = products[:-1, -1]
            mix[channel, band] = products[-1, -1].real
