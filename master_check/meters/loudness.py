"""Loudness: integrated, loudness range, momentary and short-term maxima, balance, what mono loses.

ITU-R BS.1770-5, Annex 1 (K-weighting, channel weights, gating), EBU Tech 3341 (momentary and short-term),
EBU Tech 3342 (loudness range). Energies are kept every 10 ms; every window at every hop is a sum of them, so
nothing is filtered twice. Windows that the file ends within are dropped. Loudness is LUFS, ranges are LU.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of, power_decibels, power_decibels_each
from master_check.meters import Reading
from master_check.meters.loudness_kernels import k_energies
from master_check.sound.blocks import HOPS_PER_SECOND, PAST, Block, blocks_of
from master_check.sound.format import AudioFormat

OFFSET: Final = -0.691
"""dB; makes a 997 Hz full-scale sine in one front channel read -3.01 LKFS (BS.1770-5, Annex 1)."""

MOMENTARY: Final = 40
SHORT_TERM: Final = 300
"""Window lengths in hops of 10 ms: 400 ms and 3 s (EBU Tech 3341, section 2.2)."""

GATING_STEP: Final = 10
"""Hops between gating blocks of 400 ms: 75 % overlap (BS.1770-5, Annex 1)."""

ABSOLUTE_GATE: Final = -70.0
RELATIVE_GATE: Final = -10.0
RANGE_GATE: Final = -20.0
"""LUFS and LU (BS.1770-5, Annex 1; EBU Tech 3342, section 3.1)."""


def k_weighting(rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients of the K-weighting filter at any rate.

    The analogue prototypes behind BS.1770-5's table for 48 kHz, by the bilinear transform; at 48 kHz this is
    that table to 1e-10.

    Returns
    -------
    taps : (5,) float64
        Non-recursive part of both stages, convolved.
    poles : (4,) float64
        Recursive coefficients a1, a2 of the shelf, then of the high-pass.
    """
    (b_shelf, a_shelf), (b_high, a_high) = biquads(rate)
    return np.convolve(b_shelf, b_high), np.concatenate([a_shelf[1:], a_high[1:]])


def biquads(rate: int) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """(b, a) of the two stages, shelf then high-pass, a[0] = 1 (BS.1770-5, Annex 1, Tables 1 and 2)."""
    k = np.tan(np.pi * 1681.974450955533 / rate)
    q = 0.7071752369554196
    high = amplitude_of(3.999843853973347)
    band = high**0.4996667741545416
    d = 1.0 + k / q + k * k
    shelf = (
        np.array([high + band * k / q + k * k, 2.0 * (k * k - high), high - band * k / q + k * k]) / d,
        np.array([1.0, 2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d]),
    )
    k = np.tan(np.pi * 38.13547087602444 / rate)
    q = 0.5003270373238773
    d = 1.0 + k / q + k * k
    high_pass = (
        np.array([1.0, -2.0, 1.0]),
        np.array([1.0, 2.0 * (k * k - 1.0) / d, (1.0 - k / q + k * k) / d]),
    )
    return [shelf, high_pass]


class HopEnergies:
    """K-weighted energy of every 10 ms hop: the one thing all loudness is made of.

    Attributes
    ----------
    totals : (pairs, 3) float64
        Of every two channels: energies over all, and the sum of the products of their samples.
    """

    def __init__(self, rate: int, weights: Sequence[float]) -> None:
        channels = len(weights)
        self.rate = rate
        self._weights = weights
        self._taps, self._poles = k_weighting(rate)
        self._pairs = [(c, min(c + 1, channels - 1)) for c in range(0, channels, 2)]
        self._states = np.zeros((len(self._pairs), 8))
        self.totals = np.zeros((len(self._pairs), 3))
        self._work = np.empty((2, rate // HOPS_PER_SECOND + 2))
        self._parts: list[NDArray[np.float64]] = []
        self._length = 0

    def feed(self, block: Block) -> None:
        hops = len(block.edges) - 1
        weighted = np.zeros(hops)
        energies = np.empty((hops, 2))
        for (a, b), state, totals in zip(self._pairs, self._states, self.totals, strict=True):
            k_energies(
                block.buffer[a],
                block.buffer[b],
                PAST,
                block.edges,
                self._taps,
                self._poles,
                state,
                self._work,
                energies,
                totals,
            )
            weighted += self._weights[a] * energies[:, 0]
            if b != a:
                weighted += self._weights[b] * energies[:, 1]
        self._parts.append(weighted)
        self._length += block.length

    def weighted(self) -> NDArray[np.float64]:
        """Sums of squares of the K-weighted samples of whole hops, (hops,), channels weighted and added."""
        whole = self._length * HOPS_PER_SECOND // self.rate
        self._parts = [np.concatenate([*self._parts, np.zeros(0)])]
        return self._parts[0][:whole]


def windows(energy: NDArray[np.float64], rate: int, length: int) -> NDArray[np.float64]:
    """Mean power of every window of `length` hops, sliding by one hop; empty where there is no whole window.

    energy : (hops,) float64, sums of squares by hop, weighted by channel.
    """
    if len(energy) < length:
        return np.zeros(0)
    total = np.zeros(len(energy) + 1)
    np.cumsum(energy, out=total[1:])
    power = total[length:] - total[:-length]
    if rate % HOPS_PER_SECOND:
        edges = np.arange(len(energy) + 1) * rate // HOPS_PER_SECOND
        power /= edges[length:] - edges[:-length]
    else:
        power /= length * rate // HOPS_PER_SECOND
    return np.asarray(np.maximum(power, 0.0, out=power))


def loudness(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """LUFS of weighted mean powers; -inf for zero (BS.1770-5, Annex 1, equation 2)."""
    return np.asarray(OFFSET + power_decibels_each(power))


def _lufs(power: float) -> float:
    return float(OFFSET + 10.0 * np.log10(power))


def gated(power: NDArray[np.float64]) -> float | None:
    """Integrated loudness, LUFS, of gating blocks' powers; None where no block passes (BS.1770-5, eqs. 4 to 7)."""
    kept = power[passing(power)]
    return _lufs(float(np.mean(kept))) if len(kept) else None


def passing(power: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which gating blocks pass both gates (BS.1770-5, equations 4 to 7)."""
    level = loudness(power)
    heard = level > ABSOLUTE_GATE
    if not heard.any():
        return heard
    return heard & (level > _lufs(float(np.mean(power[heard]))) + RELATIVE_GATE)


def integrated_of_energy(energy: NDArray[np.float64], rate: int) -> float | None:
    """Integrated loudness, LUFS, from (hops,) weighted energies; None for silence or less than 400 ms."""
    return gated(windows(energy, rate, MOMENTARY)[::GATING_STEP])


def loudness_range(energy: NDArray[np.float64], rate: int) -> float | None:
    """Loudness range, LU, from (hops,) weighted energies (EBU Tech 3342); None for silence or less than 3 s."""
    short = windows(energy, rate, SHORT_TERM)[::GATING_STEP]
    heard = short[loudness(short) >= ABSOLUTE_GATE]
    if not len(heard):
        return None
    gate = _lufs(float(np.mean(heard))) + RANGE_GATE
    levels = np.sort(loudness(heard))
    levels = levels[levels >= gate]
    low, high = (levels[round((len(levels) - 1) * share)] for share in (0.10, 0.95))
    return float(high - low)


def integrated(frames: NDArray[np.float32], rate: int, weights: Sequence[float]) -> float:
    """Integrated loudness of samples in memory.

    Parameters
    ----------
    frames : (n, channels) float32
        Full scale is 1.0.
    rate : int
        Hz.
    weights : sequence of float
        One a channel (`Layout.weights`).

    Returns
    -------
    float
        LUFS; -inf where nothing passes the gates or it is shorter than 400 ms.
    """
    energies = HopEnergies(rate, weights)
    for block in blocks_of(frames, rate):
        energies.feed(block)
    found = integrated_of_energy(energies.weighted(), rate)
    return -np.inf if found is None else found


class LoudnessMeter:
    """Integrated loudness, its range and maxima, balance and loss in mono."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._stereo = format.stereo
        self._energies = HopEnergies(format.rate, format.weights)

    def feed(self, block: Block) -> None:
        self._energies.feed(block)

    def energy(self) -> NDArray[np.float64]:
        """(hops,) weighted energies, for pictures, albums and PSR."""
        return self._energies.weighted()

    def result(self) -> Reading:
        energy = self.energy()
        values: dict[str, float | int | None] = {
            "integrated_lufs": integrated_of_energy(energy, self._rate),
            "loudness_range_lu": loudness_range(energy, self._rate),
        }
        at_s: dict[str, float] = {}
        for key, length in (("momentary_max_lufs", MOMENTARY), ("short_term_max_lufs", SHORT_TERM)):
            power = windows(energy, self._rate, length)
            best = int(np.argmax(power)) if len(power) else 0
            values[key] = finite_loudness(power[best]) if len(power) else None
            if values[key] is not None:
                at_s[key] = best / HOPS_PER_SECOND
        values |= (
            _stereo_values(self._energies.totals[0]) if self._stereo else {"balance_lu": None, "mono_loss_lu": None}
        )
        return Reading(values, at_s)


def finite_loudness(power: float) -> float | None:
    """LUFS of one weighted mean power; None for silence."""
    return _lufs(power) if power > 0.0 else None


def _stereo_values(totals: NDArray[np.float64]) -> dict[str, float | None]:
    """Balance and loss in mono from total energies: the K-weighted fold-down is the fold-down K-weighted."""
    left, right, cross = totals
    balance = power_decibels(right / left) if left > 0.0 else None
    # Both loudspeakers play the fold-down: 2 ((L + R) / 2) squared.
    mono = (left + right + 2.0 * cross) / 2.0
    floor = 1e-9 * (left + right)  # a full cancellation is limited to 90 dB instead of being infinite
    loss = power_decibels((left + right) / max(mono, floor)) if left + right > 0.0 else None
    return {"balance_lu": balance, "mono_loss_lu": loss}
