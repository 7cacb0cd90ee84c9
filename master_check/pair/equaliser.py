"""What is linear and steady in a master, told from the gain that moves.

Music that is loud in the bass while the gain is down makes a plain Wiener filter show a bass cut. So the gain that a
first filter tells is given to the premaster, and the filter found once more.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of
from master_check.pair.averages import Averages, averages
from master_check.pair.followed import STEP_S, follow
from master_check.pair.gain import gain_db
from master_check.pair.overlap import Overlap
from master_check.sound.kept import Frames, Signal

TURNS: Final = 2

SAMPLE_S: Final = 60.0
"""So much of a longer piece, spread over the whole, is enough."""

MOST_DB: Final = 40.0
"""No chain moves its gain farther from what it mostly is; two signals that do not belong together seem to."""

PARTS: Final = 12


@dataclass(frozen=True, slots=True)
class _Gained:
    """A signal turned up and down: a factor for the middle of every step, (steps,)."""

    signal: Signal
    factors: NDArray[np.float64]

    @property
    def rate(self) -> int:
        return self.signal.rate

    @property
    def channels(self) -> int:
        return self.signal.channels

    @property
    def frames(self) -> int:
        return self.signal.frames

    def read(self, start: int, stop: int) -> Frames:
        at = np.arange(start, stop) / round(STEP_S * self.rate) - 0.5
        gain = np.interp(at, np.arange(len(self.factors)), self.factors).astype(np.float32)
        return np.asarray(self.signal.read(start, stop) * gain[:, None])


def equaliser(overlap: Overlap, averaged: Averages) -> NDArray[np.float32]:
    """The filter alike for all channels, (taps,), zero-phase at its middle.

    Parameters
    ----------
    overlap : Overlap
    averaged : Averages
        Of all of it.
    """
    taps = averaged.filter()
    sample = overlap.spread(SAMPLE_S, PARTS)
    for _ in range(TURNS):
        gain = gain_db(follow(sample, taps, averaged.means).energy)
        heard = np.flatnonzero(~np.isnan(gain))
        if not len(heard):
            break
        moved = np.clip(gain[heard] - np.median(gain[heard]), -MOST_DB, MOST_DB)
        factors = amplitude_of(np.interp(np.arange(len(gain)), heard, moved))
        taps = averages(Overlap(_Gained(sample.premaster, factors), sample.master, sample.spans)).filter()
    return taps
