"""What mastering changed: level-matched difference, spectrum, width by band, mono compatibility, gain over time.

Everything is read from an aligned pair: (frames, channels) of the same length and rate.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ

Frames = NDArray[Any]

STEP_S: Final = 0.01
WINDOW_S: Final = 0.05
"""Gain is followed in windows of 50 ms every 10 ms: short enough for a limiter's work, long enough for bass."""

PLAYING_DB: Final = -40.0
"""Windows quieter than this against the premaster's loudest say nothing about gain."""

UNREDUCED: Final = 0.9
"""The gain of windows in which the chain does not work: this quantile of all, as reduction only lowers gain."""

WORST_PLACES: Final = 5
WORST_APART_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Band:
    """One third-octave band (IEC 61260-1).

    Attributes
    ----------
    hz : float
        Nominal mid-band frequency.
    level_change_db : float or None
        Master over premaster, both brought to the same total level; None where the premaster has nothing there.
    width_change_db : float or None
        Change of sides to middle; None where there are no sides, or no middle.
    """

    hz: float
    level_change_db: float | None
    width_change_db: float | None


@dataclass(frozen=True, slots=True)
class Place:
    at_s: float
    gain_reduction_db: float


@dataclass(frozen=True, slots=True)
class Change:
    """What differs between an aligned premaster and its master.

    Attributes
    ----------
    difference_db : float
        What is left of the master when the premaster is taken away at the level that leaves least, against the master.
    mono_loss_change_db : float or None
        How much more (positive) is lost in mono than before; stereo only. RMS, not K-weighted.
    bands : tuple of Band
    gain_reduction_max_db, gain_reduction_p95_db : float or None
        How far the gain fell below that of the moments in which the chain did not work. Expansion does not count.
    worst : tuple of Place
        Where it fell farthest, at least 3 s apart, times in the master.
    step_s : float
    gain_reduction_db : (steps,) float64
        Over time, from the start of the master; NaN where nothing plays.
    """

    difference_db: float
    mono_loss_change_db: float | None
    bands: tuple[Band, ...]
    gain_reduction_max_db: float | None
    gain_reduction_p95_db: float | None
    worst: tuple[Place, ...]
    step_s: float
    gain_reduction_db: NDArray[np.float64]


def change(premaster: Frames, master: Frames, rate: int, start_s: float) -> Change:
    """What differs.

    Parameters
    ----------
    premaster, master : (n, channels) float64
        Aligned (`align.align`).
    rate : int
        Hz.
    start_s : float
        Where in the master they begin.
    """
    gain = float(np.sum(premaster * master) / np.sum(premaster**2))
    left = float(np.sum((master - gain * premaster) ** 2) / np.sum(master**2))
    curve = _gain_reduction(premaster, master, rate)
    heard = curve[~np.isnan(curve)]
    return Change(
        10.0 * float(np.log10(max(left, 1e-15))),
        _mono_loss(master) - _mono_loss(premaster) if master.shape[1] == 2 else None,
        _bands(premaster, master, rate),
        float(heard.max()) if len(heard) else None,
        float(np.quantile(heard, 0.95)) if len(heard) else None,
        _worst(curve, start_s),
        STEP_S,
        np.concatenate([np.full(round(start_s / STEP_S), np.nan), curve]),
    )


def _mono_loss(frames: Frames) -> float:
    """dB by which the RMS of (L + R) / 2 on both loudspeakers lies under that of stereo."""
    stereo, mono = float(np.sum(frames**2)), float(np.sum(frames.sum(axis=1) ** 2)) / 2.0
    return 10.0 * float(np.log10(stereo / max(mono, 1e-9 * stereo)))


def _bands(premaster: Frames, master: Frames, rate: int) -> tuple[Band, ...]:
    before, after = _powers(premaster, rate), _powers(master, rate)
    total = after[0].sum() / before[0].sum()
    heard = (before[0] > 1e-9 * before[0].max()) & (after[0] > 1e-9 * after[0].max()) & (EDGES_HZ[1:] < 0.5 * rate)
    level = 10.0 * np.log10(np.where(heard, after[0] / np.maximum(before[0], 1e-30) / total, 1.0))
    bands = []
    for b, hz in enumerate(BANDS_HZ):
        width = None
        if master.shape[1] == 2 and heard[b]:
            ratios = [side[b] / mid[b] for _, mid, side in (before, after) if mid[b] > 0.0 and side[b] > 1e-9 * mid[b]]
            width = 10.0 * float(np.log10(ratios[1] / ratios[0])) if len(ratios) == 2 else None
        bands.append(Band(hz, float(level[b]) if heard[b] else None, width))
    return tuple(bands)


def _powers(frames: Frames, rate: int) -> tuple[Frames, Frames, Frames]:
    """Third-octave powers of all channels together, of the middle and of the sides."""
    rows = [*frames.T, frames.mean(axis=1), (frames[:, 0] - frames[:, -1]) / 2.0]
    size = min(len(frames), 1 << int(np.ceil(np.log2(rate / 3.0))))
    frequencies, density = scipy.signal.welch(np.stack(rows), rate, nperseg=size)
    total = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(density, axis=1)], axis=1)
    edges = np.clip(EDGES_HZ / (frequencies[1] - frequencies[0]) + 0.5, 0, total.shape[1] - 1)
    at = np.stack([np.interp(edges, np.arange(total.shape[1]), row) for row in total])
    powers = np.diff(at, axis=1)
    return powers[: frames.shape[1]].sum(axis=0), powers[-2], powers[-1]


def _gain_reduction(premaster: Frames, master: Frames, rate: int) -> NDArray[np.float64]:
    """dB by which the gain lies under that of unreduced moments, every 10 ms; NaN where nothing plays."""
    matched = _equalised(premaster, master, rate)
    hop = round(STEP_S * rate)
    wide = round(WINDOW_S / STEP_S)
    count = len(master) // hop

    def windows(frames: Frames) -> Frames:
        energy = (frames[: count * hop] ** 2).sum(axis=1).reshape(count, hop).sum(axis=1)
        return np.convolve(energy, np.ones(wide), "same")

    before, after = windows(matched), windows(master)
    playing = before > before.max() * 10.0 ** (PLAYING_DB / 10.0)
    gain = np.full(count, np.nan)
    gain[playing] = 10.0 * np.log10(np.maximum(after[playing], 1e-30) / before[playing])
    unreduced = np.nanquantile(gain, UNREDUCED)
    return np.asarray(np.maximum(0.0, unreduced - gain))


def _equalised(premaster: Frames, master: Frames, rate: int) -> Frames:
    """The premaster through what is linear and steady in the master: the Wiener filter between the two."""
    size = 4096
    first, second = premaster.reshape(len(premaster), -1).T, master.T
    _, cross = scipy.signal.csd(first, second, rate, nperseg=size)
    _, power = scipy.signal.welch(first, rate, nperseg=size)
    response = cross.sum(axis=0) / np.maximum(power.sum(axis=0), 1e-12 * power.sum(axis=0).max())
    taps = np.roll(np.fft.irfft(response), size // 2) * np.hanning(size)
    return np.asarray(scipy.signal.oaconvolve(premaster, taps[:, None], axes=0)[size // 2 : size // 2 + len(premaster)])


def _worst(curve: NDArray[np.float64], start_s: float) -> tuple[Place, ...]:
    left = np.nan_to_num(curve)
    apart = round(WORST_APART_S / STEP_S)
    places: list[Place] = []
    while len(places) < WORST_PLACES and left.max(initial=0.0) > 0.5:
        at = int(np.argmax(left))
        places.append(Place(start_s + at * STEP_S, float(left[at])))
        left[max(0, at - apart) : at + apart] = 0.0
    return tuple(places)
