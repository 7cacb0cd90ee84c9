"""Polarity of stems against their group: two microphones of one drum of which one is inverted.

Below 400 Hz two microphones of one source move together, or against each other where one is inverted: kick in and out,
snare top and bottom. Both are compared in pieces of two seconds, at delays of up to 1 ms. Inverted is a pair whose
greatest correlation is strongly negative, over the whole and in most pieces in which both play. Common practice.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat

LOW_RATE: Final = 1_000
"""Hz, about: the rate that is kept."""

PASS_HZ: Final = 400.0

PIECE: Final = 2_000
"""Samples of the low rate."""

LAGS: Final = 1
"""Samples of the low rate to either side: a microphone 35 cm away."""

STRONG: Final = -0.5
IN_A_PIECE: Final = -0.3
MOST: Final = 0.75
PIECES: Final = 3
"""Strongly negative; negative in a piece; in most of the pieces in which both play; and so many of these at least."""

PLAYS: Final = 0.03
"""Share of its mean power that a stem has in a piece in which it plays."""

POSITIVE: Final = 0.8
"""Where a positive correlation at another delay comes as near, it is not polarity but delay."""


@dataclass(frozen=True, slots=True)
class Inverted:
    """Two stems against each other.

    Attributes
    ----------
    stems : tuple of (int, int)
    correlation : float
        -1 where one is the other upside down.
    """

    stems: tuple[int, int]
    correlation: float


class LowBand:
    """Keeps what lies below 400 Hz, mean of all channels but LFE, at about 1 kHz."""

    def __init__(self, format: AudioFormat) -> None:
        self._heard = [place for place, label in enumerate(format.labels) if label != "LFE"]
        self.factor = max(1, format.rate // LOW_RATE)
        self.rate = format.rate
        half = 8 * self.factor
        time = np.arange(-half, half + 1)
        taps = np.sinc(2.0 * PASS_HZ / format.rate * time) * np.hanning(len(time) + 2)[1:-1]
        self._taps = (taps / taps.sum()).astype(np.float32)
        self._held = np.zeros(half, np.float32)
        self._parts: list[NDArray[np.float16]] = []

    def feed(self, block: Block) -> None:
        if not self._heard:
            return
        held = np.concatenate([self._held, block.frames[self._heard].mean(axis=0)])
        count = (len(held) - len(self._taps)) // self.factor + 1
        if count <= 0:
            self._held = held
            return
        shape = np.lib.stride_tricks.sliding_window_view(held, len(self._taps))[:: self.factor]
        self._parts.append((shape @ self._taps).astype(np.float16))
        self._held = held[count * self.factor :].copy()

    def samples(self) -> NDArray[np.float16]:
        """(n,) float16: fine enough to correlate, and small."""
        self._parts = [np.concatenate([*self._parts, np.zeros(0, np.float16)])]
        return self._parts[0]


def inverted(bands: Sequence[tuple[int, NDArray[np.float16]]]) -> Iterator[Inverted]:
    """Pairs of which one is inverted.

    bands : (which stem, its low band) each, all of the same rate.
    """
    if len(bands) < 2:
        return
    products, powers = _pieces([samples for _, samples in bands])
    plays = powers > PLAYS * powers.mean(axis=0)
    for a in range(len(bands)):
        for b in range(a + 1, len(bands)):
            both = plays[:, a] & plays[:, b]
            if both.sum() < PIECES:
                continue
            norms = np.sqrt(powers[both, a] * powers[both, b])
            own = products[both, :, a, b]
            whole = own.sum(axis=0) / np.sqrt(powers[both, a].sum() * powers[both, b].sum())
            lag = int(np.argmin(whole))
            lowest = float(whole[lag])
            steady = float(np.mean(own[:, lag] / norms < IN_A_PIECE))
            if lowest <= STRONG and steady >= MOST and whole.max() < POSITIVE * -lowest:
                yield Inverted((bands[a][0], bands[b][0]), lowest)


def _pieces(bands: Sequence[NDArray[np.float16]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Products of every two stems, (pieces, lags, stems, stems), and powers, (pieces, stems)."""
    length = max(len(samples) for samples in bands)
    count = max(1, -(-length // PIECE))
    products = np.zeros((count, 2 * LAGS + 1, len(bands), len(bands)), np.float32)
    powers = np.zeros((count, len(bands)))
    for piece in range(count):
        rows = np.zeros((len(bands), PIECE), np.float32)
        for row, samples in zip(rows, bands, strict=True):
            part = samples[piece * PIECE : (piece + 1) * PIECE]
            row[: len(part)] = part
        rows -= rows.mean(axis=1, keepdims=True)
        powers[piece] = np.sum(np.square(rows, dtype=np.float64), axis=1)
        for place, lag in enumerate(range(-LAGS, LAGS + 1)):
            early, late = rows[:, max(0, lag) : PIECE + min(0, lag)], rows[:, max(0, -lag) : PIECE + min(0, -lag)]
            products[piece, place] = early @ late.T
    return products.astype(np.float64), powers
