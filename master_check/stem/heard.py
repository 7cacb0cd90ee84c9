"""What was kept of a stem after the one pass, from which its figures are worked out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from master_check.stem.spectra import Columns


@dataclass(frozen=True, slots=True)
class Heard:
    """A stem over time and frequency.

    Attributes
    ----------
    rate : int
        Hz.
    energy : (hops,) float64
        K-weighted, channel-weighted sums of squares of every 10 ms (`Series.energy`).
    hops : (hops,) float64
        Mean power of every 10 ms over all channels but LFE; a sine of full scale has 1.
    steps : (steps, columns) float32
        Power in every column, of every gating block: 400 ms, every 100 ms.
    columns : Columns
    passing : (steps,) bool
        Which gating blocks pass both gates of BS.1770: the stem plays.
    """

    rate: int
    energy: NDArray[np.float64]
    hops: NDArray[np.float64]
    steps: NDArray[np.float32]
    columns: Columns
    passing: NDArray[np.bool_]

    @property
    def level(self) -> float:
        """Mean power while playing; 0 where it never plays."""
        return float(self.steps[self.passing].sum(axis=1).mean()) if self.passing.any() else 0.0
