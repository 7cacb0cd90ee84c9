"""The null test: a delivery minus the master that it was made of."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
from scipy.signal import firwin, oaconvolve, resample_poly

from master_check.decibels import power_decibels
from master_check.delivery.order import Order
from master_check.delivery.prepared import decoded
from master_check.delivery.words import noise_power
from master_check.sound.rates import Samples, windows

BAND: Final = 0.85
"""Share of half the lower rate up to which converted samples are compared: above, converters' filters differ."""

_ZEROS: Final = 100
"""Zero crossings on either side of the second converter's filter."""

_LOWPASS: Final = 511
"""Taps of the filter that keeps the comparison to that band."""

_PIECE_S: Final = 5.0

_FLOOR: Final = 10.0**-12.2
"""Mean square that two converters may differ by, for a master at full scale."""

_MARGIN: Final = 4.0
"""By which the noise of a short file may be above its expectation."""


@dataclass(frozen=True, slots=True)
class Null:
    """What is left when the master is taken from a delivery.

    Attributes
    ----------
    identical : bool
        Nothing: sample for sample the same.
    null_db : float or None
        RMS of what is left, dB below full scale; None where nothing is, or the file is too short to compare.
    as_expected : bool
        It is no more than dither, rounding and the converters' difference account for.
    """

    identical: bool
    null_db: float | None
    as_expected: bool


def null_test(made: Order, written: Path, trim_db: float, dither: bool) -> Null:
    """Take the master from what was written, and see what is left.

    At another rate the master is converted a second time for that, with SciPy's polyphase converter, and both are
    compared up to `BAND`.

    Raises
    ------
    AudioError
        One of the two cannot be read.
    """
    loses = made.loses_bits(trim_db)
    gain = 10.0 ** (-trim_db / 20.0)
    master, layout = made.master.path, made.master.format.layout
    with decoded(master, layout) as original, decoded(written, layout) as made_of_it:
        if made.ratio == 1:
            squares, count = _difference(original, _behind(made_of_it, made.head), gain)
        else:
            squares, count = _converted_difference(made, original, _behind(made_of_it, made.head), gain)
    if not squares:
        return Null(made.ratio == 1, None, True)
    expected = noise_power(made.bits, dither) if loses else 0.0
    power = squares / count
    return Null(False, power_decibels(power), power <= _MARGIN * expected + (_FLOOR if made.ratio != 1 else 0.0))


class _Reader:
    """Pieces of any length, read as many frames at a time as are asked for; zeros behind the end."""

    def __init__(self, pieces: Iterator[Samples]) -> None:
        self._pieces = pieces
        self._held: list[Samples] = []
        self.ended = False

    def read(self, frames: int) -> Samples | None:
        """The next frames; None once there are none."""
        while not self.ended and sum(map(len, self._held)) < frames:
            piece = next(self._pieces, None)
            self.ended = piece is None
            if piece is not None:
                self._held.append(piece)
        whole = np.concatenate(self._held) if self._held else np.zeros((0, 1))
        self._held = [whole[frames:]]
        return whole[:frames] if len(whole) else None


def _behind(pieces: Iterator[Samples], head: int) -> Iterator[Samples]:
    """Without the first so many frames."""
    for piece in pieces:
        if head < len(piece):
            yield piece[head:]
        head = max(0, head - len(piece))


def _difference(a: Iterator[Samples], b: Iterator[Samples], gain: float) -> tuple[float, int]:
    """Sum of squares and count of a times gain minus b, as far as a goes."""
    squares, count, other = 0.0, 0, _Reader(b)
    for piece in a:
        read = other.read(len(piece))
        there = np.zeros_like(piece)
        if read is not None:
            there[: len(read)] = read
        squares += float(np.square(piece * gain - there).sum())
        count += piece.size
    return squares, count


def _converted_difference(made: Order, a: Iterator[Samples], b: Iterator[Samples], gain: float) -> tuple[float, int]:
    """The same, a converted to b's rate; both up to `BAND`."""
    into, out = made.ratio.denominator, made.ratio.numerator
    filter, reach = _filters(made.ratio)
    length = into * max(1, round(_PIECE_S * made.master.format.rate / into))
    lowpass, first = _lowpass(made.ratio)[:, None], reach // into * out
    squares, count, other = 0.0, 0, _Reader(b)
    for window, frames in windows(a, made.master.format.channels, length, reach):
        reference = resample_poly(window, out, into, axis=0, window=filter)[first : first + -(-frames * out // into)]
        there = other.read(len(reference))
        left = reference * gain - (0.0 if there is None else there)
        if len(left) > _LOWPASS:
            kept = oaconvolve(left, lowpass, mode="valid", axes=0)
            squares += float(np.square(kept).sum())
            count += kept.size
    return squares, max(count, 1)


@cache
def _filters(ratio: Fraction) -> tuple[Samples, int]:
    """The second converter's filter, and how far it reaches, in frames of the master."""
    widest = max(ratio.numerator, ratio.denominator)
    filter = firwin(2 * _ZEROS * widest + 1, 0.955 / widest, window=("kaiser", 14.0))
    reach = ratio.denominator * -(-(_ZEROS * max(1, ratio.denominator // ratio.numerator + 1) + 2) // ratio.denominator)
    return np.asarray(filter), reach


@cache
def _lowpass(ratio: Fraction) -> Samples:
    return np.asarray(firwin(_LOWPASS, BAND * min(1.0, 1.0 / float(ratio)), window=("kaiser", 12.0)))
