"""Two open files that are heard against each other: laid over each other, and as loud as the quieter one."""

from dataclasses import dataclass

import numpy as np

from master_check.alignment.align import Alignment, align
from master_check.alignment.lines import Line
from master_check.alignment.views import Placed
from master_check.measurement.measurement import Series
from master_check.meters.loudness import integrated_of_energy
from master_check.page.opened import Opened
from master_check.sound.blocks import HOPS_PER_SECOND


@dataclass(frozen=True, slots=True)
class Pair:
    """A first file, such as a premaster, laid over a second, such as its master.

    Attributes
    ----------
    first, second : int
        Numbers of the opened files.
    alignment : Alignment
    placed : Placed
        The first one's samples on the second one's time, at its rate and in its polarity.
    first_lufs, second_lufs : float
        Integrated loudness of the sound they have in common.
    """

    first: int
    second: int
    alignment: Alignment
    placed: Placed
    first_lufs: float
    second_lufs: float

    @property
    def first_gain_db(self) -> float:
        """0 or less: matching turns the louder one down, and never anything up."""
        return min(0.0, self.second_lufs - self.first_lufs)

    @property
    def second_gain_db(self) -> float:
        return min(0.0, self.first_lufs - self.second_lufs)


def paired(first: Opened, second: Opened) -> Pair:
    """Lay two files over each other and match their loudness.

    Raises
    ------
    PairError
        They do not belong together.
    ValueError
        One has no loudness where they have the same sound.
    """
    assert first.kept and second.kept and first.measurement and second.measurement
    alignment, placed = align(first.kept, second.kept)
    lufs = []
    for series, own in ((first.measurement.series, True), (second.measurement.series, False)):
        found = _common_loudness(series, placed.lines, placed.rate, own)
        if found is None:
            raise ValueError("what they have in common is silent, or too short for a loudness")
        lufs.append(found)
    return Pair(first.number, second.number, alignment, placed, *lufs)


def _common_loudness(series: Series, lines: tuple[Line, ...], rate: int, first: bool) -> float | None:
    """Of the hops in which the other file has the same sound; `lines` count in the second file's samples."""
    common = np.zeros(len(series.energy), np.bool_)
    for line in lines:
        ends = (line.start, line.stop)
        start, stop = (line.place(end) if first else float(end) for end in ends)
        hops = [max(0, round(at / rate * HOPS_PER_SECOND)) for at in (start, stop)]
        common[hops[0] : hops[1]] = True
    return integrated_of_energy(series.energy[common], series.rate)
