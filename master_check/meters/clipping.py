"""Clipping: samples pressed against full scale, tops cut flat below it, and tops that a filter has rounded since.

No standard defines any of them; the first two are common practice, the third is in `hidden_clipping`. Full scale is
the largest code of 16 bits (-0.0003 dBFS), or of the file's own word length where that is shorter, so that a 16-bit
master padded to 24 bits is still seen to clip. Three samples in a row make a run: one alone is a limiter that does its
work.
"""

from typing import Final

import numpy as np

from master_check.meters import MOST_PLACES, Reading, places
from master_check.meters.clipping_kernels import flat_tops, full_scale_runs
from master_check.meters.hidden_clipping import HiddenClipping
from master_check.sound.blocks import PAST, Block
from master_check.sound.format import AudioFormat

SHORTEST: Final = 3
"""Samples that make a run."""

SAME: Final = 1e-4
"""Fraction of its ceiling (0.001 dB) within which samples count as equal: room for dither after the clipping."""


def full_scale(format: AudioFormat) -> float:
    """The sample value from which on a file is at full scale."""
    return 1.0 - 2.0 ** (1 - min(16, format.bit_depth or 16))


class ClippingMeter:
    """Clipped runs, flat tops and hidden clips of every channel."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._full = full_scale(format)
        self._step = 1.5 * 2.0 ** (1 - format.bit_depth) if format.bit_depth and not format.floating else 0.0
        # What the kernels keep a channel (and, of flat tops, a sign).
        self._runs = np.zeros((format.channels, 6), np.int64)
        self._levels = np.zeros((format.channels, 2, 2))
        self._flats = np.zeros((format.channels, 2, 3), np.int64)
        self._run_places = np.zeros((format.channels, MOST_PLACES), np.int64)
        self._flat_places = np.zeros((format.channels, 2, MOST_PLACES), np.int64)
        self._hidden = HiddenClipping(format)

    def feed(self, block: Block) -> None:
        for c, row in enumerate(block.buffer):
            tops = block.tops[c]
            if self._runs[c, 0] or tops.max() >= self._full:
                full_scale_runs(
                    row, PAST, block.start, block.edges, tops, self._full, SHORTEST, self._runs[c], self._run_places[c]
                )
            for s, sign in enumerate((1.0, -1.0)):
                flat_tops(
                    row, PAST, block.start, block.edges, tops, sign, SAME, self._step, SHORTEST,
                    self._levels[c, s], self._flats[c, s], self._flat_places[c, s],
                )  # fmt: skip
        self._hidden.feed(block)

    def result(self) -> Reading:
        runs = self._runs
        below = self._levels[:, :, 0] < self._full
        flats = np.where(below, self._flats[:, :, 1], 0)
        at_s = {}
        if runs[:, 2].any():
            first = float(runs[runs[:, 2] > 0, 5].min()) / self._rate
            at_s = dict.fromkeys(("clipped_runs", "clipped_samples"), first)
        if flats.any():
            at_s["flat_top_runs"] = float(self._flats[:, :, 2][flats > 0].min()) / self._rate
        hidden = self._hidden.result(runs[:, 2] + flats.sum(axis=1))
        rounded_at = [own.first for own in hidden if own.first >= 0]
        if rounded_at:
            at_s["hidden_clipped_runs"] = min(rounded_at) / self._rate
        channels = tuple(
            {
                "clipped_runs": int(own[2]),
                "clipped_samples": int(own[3]),
                "clipped_longest_samples": int(own[4]),
                "flat_top_runs": int(flat.sum()),
                "hidden_clipped_runs": rounded.runs,
            }
            for own, flat, rounded in zip(runs, flats, hidden, strict=True)
        )
        return Reading(
            {
                "clipped_runs": int(runs[:, 2].sum()),
                "clipped_samples": int(runs[:, 3].sum()),
                "clipped_longest_samples": int(runs[:, 4].max()),
                "flat_top_runs": int(flats.sum()),
                "hidden_clipped_runs": sum(own.runs for own in hidden),
            },
            at_s,
            channels,
            {
                "clipped_runs": places(zip(self._run_places, runs[:, 2], strict=True), self._rate),
                "flat_top_runs": places(
                    zip(self._flat_places.reshape(-1, MOST_PLACES), flats.ravel(), strict=True), self._rate
                ),
            },
        )
