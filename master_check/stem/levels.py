"""The level of a stem while it plays, and the gain that brings it to alignment level.

What counts as playing are the gating blocks of ITU-R BS.1770-5 that pass both gates: of a stem that plays for a few
bars they leave the rests out. The level is the RMS of those blocks over all channels but LFE, on the scale that EBU
R 68 and AES17 use, where a sine has the level of its peak: its line-up tone of -18 dBFS reads -18.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import power_decibels
from master_check.judgement.profile import Profile
from master_check.meters.level_kernels import channel_sums
from master_check.meters.loudness import GATING_STEP, MOMENTARY, passing, windows
from master_check.sound.blocks import HOPS_PER_SECOND, PAST, Block
from master_check.sound.format import AudioFormat
from master_check.tables.quantities import Value

ALIGNMENT_DBFS: Final = -18.0
"""EBU R 68, where a profile has no target for the level while playing."""

HIGHEST_PEAK_DBFS: Final = -6.0
"""What a stem's peak is brought to at most, where a profile has no maximum for it (common practice)."""

SINE: Final = 0.5
"""Mean power of a sine whose peak is full scale."""


class PlayingLevel:
    """Sums of squares of every 10 ms, over all channels but LFE."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._heard = [place for place, label in enumerate(format.labels) if label != "LFE"]
        self._totals = np.zeros((len(format.labels), 2))
        self._hops: list[NDArray[np.float64]] = []

    def feed(self, block: Block) -> None:
        squares = np.empty(len(block.edges) - 1, np.float32)
        added = np.zeros(len(squares))
        for channel in self._heard:
            channel_sums(block.buffer[channel], PAST, block.edges, self._totals[channel], squares)
            added += squares
        self._hops.append(added)

    def values(self, energy: NDArray[np.float64]) -> dict[str, Value]:
        """Level while playing and share of time playing.

        energy : (hops,) float64, K-weighted, of the same samples (`Series.energy`).
        """
        plays = playing(energy, self._rate)
        level = None
        if plays.any() and self._heard:
            blocks = windows(self._sums(len(energy)), self._rate, MOMENTARY)[::GATING_STEP]
            level = power_decibels(float(blocks[_passing(energy, self._rate)].mean()) / SINE)
        share = 100.0 * float(plays.mean()) if len(plays) else 0.0
        return {"playing_level_dbfs": level, "playing_percent": share}

    def passing(self, energy: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which gating blocks pass both gates, (blocks,)."""
        return _passing(energy, self._rate)

    def hops(self, count: int) -> NDArray[np.float64]:
        """Mean power of the first hops of 10 ms, (count,); a sine of full scale has 1."""
        edges = np.arange(count + 1) * self._rate // HOPS_PER_SECOND
        return self._sums(count) / (np.diff(edges) * SINE)

    def _sums(self, count: int) -> NDArray[np.float64]:
        self._hops = [np.concatenate([*self._hops, np.zeros(0)])]
        return self._hops[0][:count] / max(len(self._heard), 1)


def playing(energy: NDArray[np.float64], rate: int) -> NDArray[np.bool_]:
    """Which hops of 10 ms lie in a gating block that passes, (hops,).

    energy : (hops,) float64, K-weighted (`Series.energy`).
    """
    steps = np.zeros(len(energy) + 1)
    starts = np.flatnonzero(_passing(energy, rate)) * GATING_STEP
    np.add.at(steps, starts, 1.0)
    np.add.at(steps, starts + MOMENTARY, -1.0)
    return np.asarray(np.cumsum(steps)[:-1] > 0.0)


def _passing(energy: NDArray[np.float64], rate: int) -> NDArray[np.bool_]:
    return passing(windows(energy, rate, MOMENTARY)[::GATING_STEP])


def alignment_dbfs(profile: Profile) -> float:
    """The level that stems are brought to: the profile's target for the level while playing, else EBU R 68's."""
    targets = (rule.target for rule in profile.rules if rule.measure == "playing_level_dbfs")
    return next((target for target in targets if target is not None), ALIGNMENT_DBFS)


def highest_peak_dbfs(profile: Profile) -> float:
    """What no peak is brought above: the profile's lowest maximum for sample peaks that is more than a note."""
    rules = [r for r in profile.rules if r.measure == "sample_peak_dbfs" and r.level != "note" and r.when is None]
    return min((rule.max for rule in rules if rule.max is not None), default=HIGHEST_PEAK_DBFS)


def trim(level: Value, peak: Value, profile: Profile) -> dict[str, Value]:
    """The gain to alignment level, held back by the peak; nothing where there is no level.

    Parameters
    ----------
    level, peak : float or None
        Level while playing and sample peak, dBFS.
    profile : Profile
        Whose alignment level and highest peak are to be kept.
    """
    if level is None or peak is None:
        return dict.fromkeys(("trim_db", "trim_withheld_db", "trimmed_peak_dbfs"))
    wanted = alignment_dbfs(profile) - float(level)
    gain = min(wanted, highest_peak_dbfs(profile) - float(peak))
    return {"trim_db": gain, "trim_withheld_db": wanted - gain, "trimmed_peak_dbfs": float(peak) + gain}
