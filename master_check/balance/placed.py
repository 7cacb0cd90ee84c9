"""Stems where a mix has them, and what they are in it: the one way from stems and a mix to levels."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from master_check.alignment.align import Alignment, PairError, align
from master_check.alignment.lines import Line
from master_check.alignment.views import Feed, Folded, Placed, at_rate
from master_check.balance.delays import LONGEST_S, Delays, delays
from master_check.balance.fit import Fit, Fitting
from master_check.balance.levels import Level, levels
from master_check.balance.statistics import PART_S, Part, chosen, energies, statistics
from master_check.sound.kept import Frames, Signal

LEAST_COHERENCE = 0.1
"""Of a mix with the sum of its stems, below which they belong to another song."""

SURE_COHERENCE = 0.5
"""Below this, single stems are tried too."""

LOUDEST = 3
"""So many of them."""

LEAST_DRIFT = 30e-6
"""Drift below this is none: stems and mix came out of one machine."""

NEAR = 0.25
NEAR_DELAY = 0.1
"""Samples from a whole number of them within which an offset, or a stem's delay, is that number."""


class Sum:
    """Several signals of one rate and number of channels at once."""

    def __init__(self, signals: Sequence[Signal]) -> None:
        self._signals = signals
        self.rate, self.channels = signals[0].rate, signals[0].channels
        self.frames = max(signal.frames for signal in signals)

    def read(self, start: int, stop: int) -> Frames:
        """As `Signal.read`."""
        found = np.zeros((stop - start, self.channels), np.float32)
        for signal in self._signals:
            found += signal.read(start, stop)
        return found


@dataclass(frozen=True)
class Against:
    """Stems held against a mix.

    Attributes
    ----------
    alignment : Alignment
        Of the mix over the sum of all stems.
    signals : tuple of Signal
        Every stem where the mix should have it, at the mix's rate and channels.
    own : tuple of Signal
        The same where the mix has it.
    mix : Signal
    parts : tuple of Part
        Passages of the mix that were looked at.
    delays : Delays
    fitting : Fitting
    fit : Fit
    levels : list of Level
        Of every stem.
    """

    alignment: Alignment
    signals: tuple[Signal, ...]
    own: tuple[Signal, ...]
    mix: Signal
    parts: tuple[Part, ...]
    delays: Delays
    fitting: Fitting
    fit: Fit
    levels: list[Level]


def against(stems: Sequence[Signal], mix: Signal) -> Against:
    """Find the stems in a mix.

    Parameters
    ----------
    stems : sequence of Signal
        Of any rate, mono or stereo, all beginning at the same time.
    mix : Signal
        Stereo or mono, of any rate, offset and level; a rough mix or a lossy encode will do.

    Raises
    ------
    PairError
        The mix is not made of these stems at all.
    """
    alike = [_channels(at_rate(stem, mix.rate), mix.channels) for stem in stems]
    alignment, whole = _aligned(alike, mix)
    same_rate = all(stem.rate == mix.rate for stem in stems)
    lines = _joined([_whole(line, same_rate) for line in whole.lines], LONGEST_S * mix.rate)
    placed = [Placed(stem, lines, whole.feeds, mix.frames) for stem in alike]
    size = round(PART_S * mix.rate)
    parts = chosen([energies(signal, size) for signal in (mix, *placed)], size)
    found = delays(placed, mix, parts)
    if same_rate:
        found = Delays(_near(found.common), _near(found.samples))
    alignment = _from(alignment, lines[0].offset + found.common)
    placed = [_later(signal, found.common) for signal in placed]
    own = [_later(signal, late) for signal, late in zip(placed, found.samples, strict=True)]
    fitting = Fitting(statistics(own, mix, parts))
    fit = fitting.fit()
    told = levels(fitting, fit, mix.rate)
    return Against(alignment, tuple(placed), tuple(own), mix, tuple(parts), found, fitting, fit, told)


def _aligned(stems: Sequence[Signal], mix: Signal) -> tuple[Alignment, Placed]:
    """Their sum over the mix. Where a loud stem is inverted or late, it may not be in it; a loud one alone is, then."""
    strangers, found = None, []
    try:
        found.append(align(Sum(stems), mix, LEAST_COHERENCE))
        if found[0][0].coherence >= SURE_COHERENCE:
            return found[0]
    except PairError as error:
        strangers = error
    size = round(PART_S * mix.rate)
    for stem in sorted(stems, key=lambda each: -float(energies(each, size).sum()))[:LOUDEST]:
        with suppress(PairError):
            told, placed = align(stem, mix, LEAST_COHERENCE)
            longest = max(placed.lines, key=lambda line: line.stop - line.start)
            line = replace(longest, start=0, stop=mix.frames)
            # What it tells of polarity and channels is its own.
            told = replace(told, inverted=False, swapped=False, inverted_channel=None, right_later_s=0.0, edits=())
            feeds = [Feed(channel) for channel in range(mix.channels)]
            found.append((told, Placed(stem, [line], feeds, mix.frames)))
    if strangers is not None and not found:
        raise strangers
    return max(found, key=lambda each: each[0].coherence)


def _channels(signal: Signal, channels: int) -> Signal:
    return signal if signal.channels == channels else Folded(signal, channels)


def _joined(lines: Sequence[Line], apart: float) -> list[Line]:
    """Without jumps that a late stem makes where it is the loudest: neighbours are put where the longer of them is."""
    found = [lines[0]]
    for line in lines[1:]:
        last = found[-1]
        if abs(line.offset - last.offset) >= apart or line.stretch != last.stretch:
            found.append(line)
            continue
        longer = max(last, line, key=lambda each: each.stop - each.start)
        found[-1] = replace(longer, start=last.start, stop=line.stop)
    return found


def _near(samples: Any) -> Any:
    """Whole samples where they nearly are."""
    whole = np.round(samples)
    return np.where(np.abs(samples - whole) < NEAR_DELAY, whole, samples)


def _from(alignment: Alignment, samples: float) -> Alignment:
    """The same from another sample on."""
    return replace(alignment, offset_samples=samples, offset_s=samples / alignment.rate)


def _whole(line: Line, same_rate: bool) -> Line:
    """Without drift that a late stem only seems to make; to the sample, as mixes are where nothing was converted."""
    if abs(line.stretch - 1.0) > LEAST_DRIFT:
        return line
    middle = (line.start + line.stop) / 2.0
    offset = middle - line.place(middle)
    near = round(offset)
    return replace(line, offset=float(near) if same_rate and abs(offset - near) < NEAR else offset, stretch=1.0)


def _later(placed: Placed, samples: float) -> Placed:
    if samples == 0.0:
        return placed
    lines = [replace(line, offset=line.offset + samples) for line in placed.lines]
    return placed.moved(lines)


def reduced(values: NDArray[np.float64]) -> float:
    """How far a bus gain moves, dB: its 5th below its 95th percentile."""
    low, high = np.quantile(values, [0.05, 0.95])
    return float(20.0 * np.log10(high / low))
