"""Levels: sample peak, RMS, crest, DC offset, correlation, sides to middle.

RMS is over all samples of all channels but LFE, so that a full-scale sine reads -3.01 dBFS (AES17 reads it as 0;
common practice in mixing is this one). Correlation is sum(L R) / sqrt(sum(L L) sum(R R)).
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels, power_decibels, power_of
from master_check.meters import Reading
from master_check.meters.level_kernels import channel_sums, stereo_sums
from master_check.sound.blocks import HOPS_PER_SECOND, PAST, Block
from master_check.sound.format import AudioFormat

WORST: Final = 3 * HOPS_PER_SECOND
"""Hops in the window that the lowest correlation is taken over."""

AT_ONCE: Final = 2**15
"""Such windows looked at together: an hour of them takes no more memory than five minutes."""

AUDIBLE: Final = power_of(-60.0)
"""Power (full scale 1) that both channels of that window must exceed: noise floors correlate with nothing."""


class LevelMeter:
    """Peak, RMS, crest, DC, and how left and right go together."""

    def __init__(self, format: AudioFormat) -> None:
        self._format = format
        self._stereo = format.stereo
        # Of every channel: samples and their squares added up.
        self._totals = np.zeros((format.channels, 2))
        # Of stereo: left times right added up; hop by hop, left and right squared and their product.
        self._cross = 0.0
        self._hops: list[NDArray[np.float32]] = []
        self._tops: list[NDArray[np.float32]] = []
        self._work = np.empty((2, format.rate // HOPS_PER_SECOND + 1), np.float32)
        self._frames = 0
        self._peaks = np.zeros(format.channels)
        self._peak_at = np.zeros(format.channels)

    def feed(self, block: Block) -> None:
        hops = len(block.edges) - 1
        squares = np.empty((self._format.channels, hops), np.float32)
        for channel in range(self._format.channels):
            channel_sums(block.buffer[channel], PAST, block.edges, self._totals[channel], squares[channel])
            best = int(np.argmax(block.tops[channel]))
            if block.tops[channel, best] > self._peaks[channel]:
                self._peaks[channel] = block.tops[channel, best]
                first, last = block.edges[best], block.edges[best + 1]
                hop = np.abs(block.frames[channel, first:last])
                self._peak_at[channel] = block.start + first + int(np.argmax(hop))
        tops = block.tops.copy()
        if self._stereo:
            cross = np.empty(hops, np.float32)
            sides = np.empty((2, hops), np.float32)
            self._cross = stereo_sums(
                block.buffer[0], block.buffer[1], PAST, block.edges, self._work, self._work.view(np.int32),
                self._cross, cross, sides.view(np.int32),
            )  # fmt: skip
            self._hops.append(np.stack([*squares, cross]))
            tops = np.concatenate([tops, sides])
        self._tops.append(tops)
        self._frames += block.length

    def tops(self) -> NDArray[np.float32]:
        """Largest magnitude of every hop: a row a channel, then, of stereo, middle and sides."""
        self._tops = [np.concatenate(self._tops, axis=1)]
        return self._tops[0]

    def result(self) -> Reading:
        mean, square = self._totals.T / self._frames
        heard = [label != "LFE" for label in self._format.labels]
        peak = float(self._peaks.max())
        power = float(square[heard].mean()) if any(heard) else 0.0
        dc = np.abs(mean)
        values: dict[str, float | int | None] = {
            "sample_peak_dbfs": decibels(peak),
            "headroom_db": _negated(decibels(peak)),
            "rms_dbfs": power_decibels(power),
            "crest_db": power_decibels(peak * peak / power) if power > 0.0 else None,
            "dc_offset_dbfs": decibels(float(dc.max())),
        }
        rate = self._format.rate
        at_s = {"sample_peak_dbfs": float(self._peak_at[int(np.argmax(self._peaks))]) / rate} if peak > 0.0 else {}
        channels = tuple(
            {
                "sample_peak_dbfs": decibels(float(self._peaks[c])),
                "rms_dbfs": power_decibels(float(square[c])),
                "dc_offset_dbfs": decibels(float(dc[c])),
            }
            for c in range(self._format.channels)
        )
        stereo, stereo_at = self._stereo_values() if self._stereo else ({}, {})
        nothing = dict.fromkeys(("correlation", "correlation_min", "side_to_mid_db"), None)
        return Reading(nothing | values | stereo, at_s | stereo_at, channels)

    def _stereo_values(self) -> tuple[dict[str, float | None], dict[str, float]]:
        total_left, total_right, total_cross = *self._totals[:, 1], self._cross
        values: dict[str, float | None] = {
            "correlation": None,
            "correlation_min": None,
            "side_to_mid_db": None,
        }
        if total_left > 0.0 and total_right > 0.0:
            values["correlation"] = float(total_cross / np.sqrt(total_left * total_right))
        middle = total_left + total_right + 2.0 * total_cross
        side = total_left + total_right - 2.0 * total_cross
        smallest = 1e-12 * (total_left + total_right)  # rounding of the sums: below it there is no side, or no middle
        if middle > smallest and side > smallest:
            values["side_to_mid_db"] = power_decibels(float(side / middle))
        found = _worst_correlation(np.concatenate(self._hops, axis=1), self._format.rate)
        if found is None:
            return values, {}
        values["correlation_min"], at = found
        return values, {"correlation_min": at}


def _worst_correlation(hops: NDArray[np.float32], rate: int) -> tuple[float, float] | None:
    """Lowest correlation of any 3 s and where they begin; None where no window is loud enough.

    hops : (3, hops) float32, left and right squared and their product.
    """
    worst = None
    for first in range(0, hops.shape[1] - WORST + 1, AT_ONCE):
        total = np.cumsum(hops[:, first : first + AT_ONCE + WORST - 1], axis=1, dtype=np.float64)
        total = np.concatenate([np.zeros((3, 1)), total], axis=1)
        a, b, c = total[:, WORST:] - total[:, :-WORST]
        loud = np.minimum(a, b) > AUDIBLE * rate * WORST / HOPS_PER_SECOND
        values = np.where(loud, c / np.sqrt(np.where(loud, a * b, 1.0)), np.inf)
        at = int(np.argmin(values))
        if loud[at] and (worst is None or values[at] < worst[0]):
            worst = max(-1.0, min(1.0, float(values[at]))), (first + at) / HOPS_PER_SECOND
    return worst


def _negated(value: float | None) -> float | None:
    return None if value is None else 0.0 - value
