"""How one signal lies over another: offset to a fraction of a sample, polarity, gain, sample rate, drift, edits.

A premaster and its master here, but any two will do that hold the same music. Both are read through at a low rate, and
their passages found in each other (`search`, `joints`); passages of the full rate then tell the rest (`refine`).
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from master_check.alignment.channels import CLEAR
from master_check.alignment.edits import Edit, edits
from master_check.alignment.joints import joined
from master_check.alignment.lines import Line, Points, fitted
from master_check.alignment.overview import LOW_RATE, Overview, overview
from master_check.alignment.refine import Refined, refine
from master_check.alignment.search import stretches
from master_check.alignment.views import Folded, Placed, at_rate
from master_check.decibels import power_decibels
from master_check.sound.kept import Signal

BELONG: Final = 0.4
"""Coherence from which two signals are a pair. Equalised, compressed and clipped music reads above 0.8, other music, or
another part of the same song, below 0.1."""

SHORTEST_S: Final = 1.0


class PairError(Exception):
    """Two signals that cannot be laid over each other: why, in one line."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a master lies over its premaster, or any signal over another.

    Attributes
    ----------
    offset_s : float
        How much later the same sound is in the master than in the premaster; negative: earlier. With drift, that of
        the premaster's first sample; after edits, that of the longest piece left whole.
    offset_samples : float
        The same in samples of the master.
    inverted : bool
        The master's polarity is the opposite.
    gain_db : float
        Level of the master over the premaster where they overlap.
    coherence : float
        0 to 1: how much of the master follows linearly from the premaster, mean over 50 Hz to 10 kHz.
    overlap_s : float
        Sound they have in common.
    rate : int
        Hz, that of the master; the premaster was converted where it had another.
    premaster_rate : int
        Hz.
    drift_ppm : float
        How much longer the master takes for the same sound, in millionths; 0 where that cannot be told from none.
    swapped : bool
        Left and right have changed places.
    inverted_channel : str or None
        "left" or "right" where only that channel of the master has the opposite polarity.
    right_later_s : float
        How much more the master's right channel is delayed than its left.
    folded : bool
        The master is mono, the premaster is not.
    edits : tuple of Edit
        What was cut out, put in or moved, in the master's order.
    """

    offset_s: float
    offset_samples: float
    inverted: bool
    gain_db: float
    coherence: float
    overlap_s: float
    rate: int
    premaster_rate: int
    drift_ppm: float = 0.0
    swapped: bool = False
    inverted_channel: Literal["left", "right"] | None = None
    right_later_s: float = 0.0
    folded: bool = False
    edits: tuple[Edit, ...] = ()


def align(first: Signal, second: Signal, least_coherence: float = BELONG) -> tuple[Alignment, Placed]:
    """Find how the second signal, such as a master, lies over the first, such as its premaster.

    Parameters
    ----------
    first, second : Signal
        Of any sample rates and numbers of channels.
    least_coherence : float
        Below it the two are no pair. 0 where one may be no more than a part of the other, as an instrumental is.

    Returns
    -------
    alignment : Alignment
    placed : Placed
        The first signal where the second has the same sound, at its rate, channel for channel and in its polarity;
        the level as it was. Its `lines` say which samples of the second have a counterpart.

    Raises
    ------
    PairError
        Silence, too short, or no pair.
    """
    with ThreadPoolExecutor(2) as pool:
        views = list(pool.map(overview, (first, second)))
    for name, signal, view in zip(("premaster", "master"), (first, second), views, strict=True):
        if signal.frames < SHORTEST_S * signal.rate:
            raise PairError(f"the {name} is shorter than {SHORTEST_S:g} s")
        if not view.energy.any():
            raise PairError(f"the {name} is digital silence")
    mono = first.channels == 2 and second.channels == 1
    source = at_rate(Folded(first, 1) if mono else first, second.rate)
    lines = _lines(views, second.rate)
    if not lines:
        raise _strangers("nothing in common was found")
    found = refine(source, second, views, lines)
    if found.height < CLEAR or not found.lines:
        raise _strangers("nothing in common was found")
    if found.coherence < least_coherence:
        raise _strangers(f"coherence {found.coherence:.2f}, where a pair has {least_coherence:g} or more")
    placed = Placed(Folded(source, 2) if found.folded else source, found.lines, found.feeds, second.frames)
    return _told(found, views, first, second, mono), placed


def _strangers(why: str) -> PairError:
    return PairError(f"the two do not belong together ({why}): another song, take or mix?")


def _lines(views: Sequence[Overview], rate: int) -> list[Line]:
    """Where the two lie alike, to a millisecond, in samples of a rate."""
    first, second = (view.rows for view in views)
    found = stretches(first, second)
    if not found:
        return []
    number = np.repeat(np.arange(len(found)), [len(each.first) for each in found])
    points = Points(number, *(np.concatenate([getattr(each, of) for each in found]) for of in ("first", "second")))
    stretch, offsets = fitted(points, len(found))
    rough = [Line(0, 0, offset or 0.0, stretch) for offset in offsets]
    by = rate / LOW_RATE
    return [
        Line(round(by * line.start), round(by * line.stop), by * line.offset, line.stretch)
        for line in joined(found, rough, first, second)
        if line.stop > line.start
    ]


def _told(found: Refined, views: Sequence[Overview], first: Signal, second: Signal, mono: bool) -> Alignment:
    rate = second.rate
    longest = max(found.lines, key=lambda line: line.stop - line.start)
    signs = {feed.sign for feed in found.feeds}
    odd: Literal["left", "right"] = "left" if found.feeds[0].sign < 0.0 else "right"
    return Alignment(
        offset_s=longest.offset / rate,
        offset_samples=longest.offset,
        inverted=signs == {-1.0},
        gain_db=_gain_db(found.lines, views, first, second),
        coherence=found.coherence,
        overlap_s=sum(line.stop - line.start for line in found.lines) / rate,
        rate=rate,
        premaster_rate=first.rate,
        drift_ppm=1e6 * (longest.stretch - 1.0),
        swapped=found.feeds[0].channel == 1,
        inverted_channel=odd if len(signs) == 2 else None,
        right_later_s=found.feeds[-1].later / rate,
        folded=mono or found.folded,
        edits=edits(found.lines, rate),
    )


def _gain_db(lines: Sequence[Line], views: Sequence[Overview], first: Signal, second: Signal) -> float:
    """Mean square of the second over that of the first, where they overlap."""
    rate = second.rate
    before = sum(views[0].power_between(line.place(line.start) / rate, line.place(line.stop) / rate) for line in lines)
    after = sum(views[1].power_between(line.start / rate, line.stop / rate) for line in lines)
    # Sums of squares: the more, the more samples and channels there are.
    counted = (first.rate * first.channels) / (second.rate * second.channels) / lines[0].stretch
    return power_decibels(max(after * counted / max(before, 1e-30), 1e-30)) or 0.0
