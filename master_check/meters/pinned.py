"""How much a side's peaks press against a ceiling, from one file alone.

Music that nothing held down rarely comes near its own highest peak: of all the moments it plays, hardly any lie in the
last decibel below it. A ceiling, soft or hard, folds the upper decibels together, and that share grows with every
decibel of drive. The figure is that share of peaks, taken every 10 ms while the side plays (within 40 dB of its highest
peak), less what music leaves there by itself, in percent of the rest. Gain moves nothing.

It is the weaker of the two estimates: a file cannot tell a soft ceiling from music made soft. On real music it is 0
unprocessed, and shows a soft curve (tanh) from about 10 % of harmonic distortion at the peaks on, a hard one from 1 to
3 dB of clipping on. A steady tone or drone is always at its own peak and reads high; one stray peak far above all
others hides what happened below it. No standard defines such a figure.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of

NEAR_DB: Final = 1.0
PLAYING_DB: Final = 40.0

LEFT_BY_MUSIC: Final = 0.01
"""Share in the last decibel that unprocessed music stays under (measured: 0.04 to 0.7 % on all four sides)."""

LEAST: Final = 100
"""Moments (a second of them) below which there is no telling."""


def pinned_percent(tops: NDArray[np.float32]) -> float | None:
    """How much peaks press against a ceiling.

    Parameters
    ----------
    tops : (hops,) float32
        Largest magnitude of a side in every 10 ms.

    Returns
    -------
    float or None
        0 to 100; None for silence, or where fewer than `LEAST` moments are within 40 dB of the highest peak.
    """
    highest = float(tops.max(initial=0.0))
    playing = int(np.count_nonzero(tops > highest * amplitude_of(-PLAYING_DB)))
    if highest == 0.0 or playing < LEAST:
        return None
    near = int(np.count_nonzero(tops > highest * amplitude_of(-NEAR_DB)))
    return 100.0 * max(0.0, near / playing - LEFT_BY_MUSIC) / (1.0 - LEFT_BY_MUSIC)
