"""The linear part of a master: a filter fitted so that the filtered premaster lies on it as closely as it can.

Frequency response: cubic splines over a frequency axis whose knots are 5 Hz apart at the bottom and a twenty-fourth of
the frequency further up. That follows what equalisers do, minimum or linear phase, and cannot follow single partials
of the music; its impulse response is as long as its frequency needs, and no longer. Both channels of the premaster may
go into either side of the master, so that equalising or widening middle and sides is linear as well.

Sums over the signal are taken in the frequency domain, a passage of some seconds at a time. Passages overlap by an
`EDGE_S` on either side that is thrown away, since there the filter wraps around.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy.fft
import scipy.linalg
import scipy.sparse
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from master_check.pair.overlap import Block
from master_check.pair.saturation_kernels import add_cross_spectrum
from master_check.sound.kept import Signal

Coefficients = NDArray[np.complex128]
"""(inputs, splines): how much of every spline the response from every input has."""

Passages = NDArray[np.float32]
"""(passages, samples): the parts of a signal that are looked at, one a row."""

EDGE_S: Final = 0.1
PASSAGE_S: Final = 2.5

KNOT_HZ: Final = 5.0
KNOTS_AN_OCTAVE: Final = 24.0 * np.log(2.0)

CONTENT: Final = 1e-9
"""Power, relative to the strongest splines, below which a band of the premaster says nothing about the filter."""

DISTINCT: Final = 1e-5
"""Power, relative to all inputs in that band, below which inputs are not told apart: a panned voice is one input."""

ROUNDS: Final = 2
"""Of conjugate gradients in a refit."""

ENOUGH: Final = 1e-10
"""A refit ends when what is left to gain is this small beside the power of what is fitted (-100 dB)."""


def edge_length(rate: int) -> int:
    """Samples on either side of a passage that are thrown away."""
    return round(EDGE_S * rate)


def passage_length(frames: int, rate: int) -> int:
    """Samples in a passage without its edges, such that it is quickly transformed with them."""
    whole = round(PASSAGE_S * rate) if frames > PASSAGE_S * rate else frames
    edges = 2 * edge_length(rate)
    return int(scipy.fft.next_fast_len((whole + edges + 1) // 2 * 2, real=True)) - edges


@dataclass(frozen=True)
class Cut:
    """The passages that are looked at: where they lie, each `length` samples long, with `edge` more on either side."""

    passages: tuple[Block, ...]
    length: int
    edge: int

    def take_wide(self, signal: Signal, means: NDArray[np.float64]) -> NDArray[np.float32]:
        """The passages with their edges, less the channels' means; zeros where they reach past the end of a span.

        Returns
        -------
        (channels, passages, samples) float32
        """
        size = self.length + 2 * self.edge
        found = np.zeros((signal.channels, len(self.passages), size), np.float32)
        for n, passage in enumerate(self.passages):
            start, stop = passage.start - self.edge, min(passage.start + self.length + self.edge, passage.end)
            found[:, n, : stop - start] = (signal.read(start, stop) - means.astype(np.float32)).T
        return found

    def inner(self, wide: Passages) -> Passages:
        """Passages without their edges."""
        return np.ascontiguousarray(wide[..., self.edge : self.edge + self.length])


class MatchedFilter:
    """All there is to know about the inputs; filters are then fitted to any number of targets.

    Parameters
    ----------
    inputs : (inputs, passages, samples) float32
        The channels of the premaster where the master has the same sound, with edges. Not all of them silent.
    cut : Cut
        The passages that are looked at.
    rate : int
        Sample rate, Hz.
    """

    def __init__(self, inputs: NDArray[np.float32], cut: Cut, rate: int) -> None:
        self._cut = cut
        self._size = cut.length + 2 * cut.edge
        self._spectra = [scipy.fft.rfft(each, axis=1, workers=2) for each in inputs]
        bins = np.arange(self._size // 2 + 1) * (rate / self._size)
        knots = np.pad(_knots(rate / 2.0), 3, mode="edge")
        # The last bin belongs to the last spline.
        self._splines = BSpline.design_matrix(np.minimum(bins, knots[-1] * (1.0 - 1e-12)), knots, 3).tocsr()
        self._factor = self._factorised()

    def _factorised(self) -> Any:
        """The normal equations of the fit in which all samples count the same, ready to be solved."""
        blocks = [[self._products(a, b) for b in self._spectra] for a in self._spectra]
        normal = np.block(blocks)
        strength = np.diag(normal).real.reshape(len(blocks), -1)
        least = CONTENT * strength.max() + DISTINCT * strength.sum(axis=0)
        normal[np.diag_indices_from(normal)] += np.tile(least, len(blocks))
        return scipy.linalg.cho_factor(normal)

    def _products(self, a: NDArray[Any], b: NDArray[Any]) -> NDArray[np.complex128]:
        found = self._splines.T @ scipy.sparse.diags(_cross_spectrum(a, b)) @ self._splines
        return np.asarray(found.toarray())

    def fit(self, target: Passages) -> Coefficients:
        """The filter that brings the inputs nearest to a target, its passages with their edges, all samples alike."""
        return self._solve(self._correlate(target))

    def refit(
        self,
        start: Coefficients,
        matched: Passages,
        target: Passages,
        weight: Passages,
        gain: Passages,
        gain_like: Callable[[Passages], Passages],
    ) -> tuple[Coefficients, Passages]:
        """Improve a filter towards the least of the sum of weight x (target - gain x filtered inputs)^2.

        The gain was fitted to what the filter left over, and so stands for some of the filter's faults. A change of
        the filter is therefore judged without what the gain would do in its stead, `gain_like` (the idea of variable
        projection; L. Kaufman, BIT 15, 1975): in turns alone, filter and gain would creep towards each other. A few
        rounds of conjugate gradients, preconditioned with the normal equations of `fit`.

        Parameters
        ----------
        start : (inputs, splines) complex128
        matched, target, weight, gain : (passages, samples) float32
            The inputs through `start`, and what the sum is made of.
        gain_like : callable
            Of passages (a change of gain x filtered inputs), the part that a change of the gain could make.

        Returns
        -------
        (inputs, splines) complex128, (passages, samples) float32
            The filter, and the inputs through it.
        """
        found, pull = start, weight * gain
        rest = self._gradient(pull * (target - gain * matched))
        step = towards = self._solve(rest)
        size = np.vdot(rest, towards).real
        enough = ENOUGH * np.vdot(start, self._gradient(pull * gain * matched)).real
        for _ in range(ROUNDS):
            if size <= enough:
                break
            filtered = self.apply(step)
            moved = gain * filtered
            back = self._gradient(pull * (moved - gain_like(moved)))
            curvature = np.vdot(step, back).real
            if curvature <= 0.0:  # all of the change is one that the gain would make
                break
            length = size / curvature
            found = found + length * step
            matched = matched + np.float32(length) * filtered
            rest = rest - length * back
            towards = self._solve(rest)
            last, size = size, np.vdot(rest, towards).real
            step = towards + size / last * step
        return found, matched

    def apply(self, coefficients: Coefficients) -> Passages:
        """The inputs through a filter, without the edges."""
        total: Any = 0.0
        for spectrum, each in zip(self._spectra, coefficients, strict=True):
            total = total + spectrum * (self._splines @ each).astype(np.complex64)
        rows = scipy.fft.irfft(total, n=self._size, axis=1, workers=2, overwrite_x=True)
        return self._cut.inner(rows)

    def response(self, coefficients: Coefficients, hz: NDArray[np.float64], rate: int) -> NDArray[np.complex128]:
        """The frequency response of a filter from every input, (inputs, frequencies)."""
        knots = np.pad(_knots(rate / 2.0), 3, mode="edge")
        return np.asarray(BSpline(knots, coefficients.T, 3)(hz).T)

    def _gradient(self, passages: Passages) -> Coefficients:
        rows = np.zeros((len(passages), self._size), np.float32)
        rows[:, self._cut.edge : self._cut.edge + self._cut.length] = passages
        return self._correlate(rows)

    def _correlate(self, rows: Passages) -> Coefficients:
        spectrum = scipy.fft.rfft(rows, axis=1, workers=2)
        return np.stack([self._splines.T @ _cross_spectrum(each, spectrum) for each in self._spectra])

    def _solve(self, right: Coefficients) -> Coefficients:
        return np.asarray(scipy.linalg.cho_solve(self._factor, right.ravel())).reshape(right.shape)


def _cross_spectrum(a: NDArray[np.complex64], b: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """Sum over the rows of a's conjugate times b."""
    total = np.zeros(a.shape[1], np.complex128)
    add_cross_spectrum(a, b, total)
    return total


def _knots(highest: float) -> NDArray[np.float64]:
    found = [0.0]
    while found[-1] < highest:
        found.append(found[-1] + max(KNOT_HZ, found[-1] * np.log(2.0) / KNOTS_AN_OCTAVE))
    return np.array(found) * (highest / found[-1])
