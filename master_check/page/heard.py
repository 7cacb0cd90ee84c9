"""What a pair of loudspeakers or headphones gets of a file: mono and stereo as they are, more channels folded down."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.sound.format import AudioFormat
from master_check.sound.kept import Signal
from master_check.tables.layouts import LOUDSPEAKERS

SHARE: Final = 0.5**0.5
"""-3 dB: what centre and surrounds get in each side (ITU-R BS.775-4, Annex 4, Table 2)."""


class Heard:
    """A signal in one channel or two.

    Parameters
    ----------
    signal : Signal
    format : AudioFormat
        Says which loudspeakers the channels are for; where nobody knows, the first two are heard.
    """

    def __init__(self, signal: Signal, format: AudioFormat) -> None:
        self.rate, self.frames = signal.rate, signal.frames
        self._signal = signal
        self._matrix = _fold_down(format.layout.labels) if format.layout and signal.channels > 2 else None
        self.channels = min(signal.channels, 2)

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """As `Signal.read`."""
        frames = self._signal.read(start, stop)
        return frames[:, : self.channels] if self._matrix is None else frames @ self._matrix


def _fold_down(labels: tuple[str, ...]) -> NDArray[np.float32]:
    """(channels, 2): front left and right whole, all else at -3 dB on its side, LFE left out (ITU-R BS.775-4)."""
    matrix = np.zeros((len(labels), 2), np.float32)
    for row, label in zip(matrix, labels, strict=True):
        place = LOUDSPEAKERS[label]
        if place is None:
            continue
        azimuth = place[0]
        share = 1.0 if label in ("L", "R") else SHARE
        middle = azimuth in (0, 180)
        row[0] = share if azimuth > 0 or middle else 0.0
        row[1] = share if azimuth < 0 or middle else 0.0
        if azimuth == 180:  # a lone surround is half of a pair
            row *= SHARE
    return matrix
