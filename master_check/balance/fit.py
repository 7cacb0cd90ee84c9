"""How a mix came from its stems: a level each, one gain that moves in time and one equaliser for all of them.

    mix = bus gain(t) x bus equaliser(f) x sum of level x stem  +  what is left

Fitted in turns to products of spectra (`statistics`), each of the three by least squares. A part of the spectrum, a
fifth of a second long, counts the less the more is left of it (weights as of a Cauchy distribution): what a limiter, an
encoder or another stem did there says nothing about levels.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.balance.statistics import Statistics

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

TURNS: Final = 25
RIDGE: Final = 1e-6
FLOOR: Final = 1e-9
"""Power, relative to a band's mean, below which nothing is left to be told (-90 dB)."""

LEAST_LEFT: Final = 1e-3
"""What is left, against the band's mean power, below which all places count alike."""


@dataclass(frozen=True)
class Fit:
    """A mix taken apart.

    Attributes
    ----------
    levels : (channels, stems) float64
        Factor of every stem; negative: inverted.
    gain : (chunks,) float64
        What the bus did over time, its median 1.
    equaliser : (bands,) complex128
        What it did to every band.
    weights : (channels, chunks, bands) float64
    left : (channels, chunks, bands) float64
        Power that is left.
    """

    levels: Floats
    gain: Floats
    equaliser: Complex
    weights: Floats
    left: Floats


class Fitting:
    """The products of one mix and its stems, ready to be fitted."""

    def __init__(self, products: Statistics) -> None:
        self.stems = products.stems
        self.cross = products.cross.astype(np.complex128)
        self.mix = products.mix.astype(np.float64)
        self.part, self.at = products.part, products.at
        self.scale = self.mix.mean(axis=1, keepdims=True) + 1e-30

    @property
    def count(self) -> int:
        """Stems."""
        return int(self.cross.shape[-1])

    def fit(self, bus_moves: bool = True, bus_equalises: bool = True) -> Fit:
        """Levels, bus gain and bus equaliser."""
        channels, chunks, bands = self.mix.shape
        gain, equaliser = np.ones(chunks), np.ones(bands, np.complex128)
        weights = np.broadcast_to(1.0 / self.scale, self.mix.shape) * (self.mix > FLOOR * self.scale)
        levels = np.zeros((channels, self.count))
        left = self.mix
        for turn in range(TURNS):
            levels = self.levels(gain, equaliser, weights)
            model, cross = self._model(levels)
            if bus_equalises and turn >= 2:
                equaliser = self._equaliser(model, cross, gain, weights)
            if bus_moves and turn >= 1:
                gain = self._gain(model, cross, equaliser, weights)
            left = self._left(model, cross, gain, equaliser)
            weights = self._weights(left)
        return Fit(levels, gain, equaliser, weights, left)

    def levels(
        self, gain: Floats, equaliser: Complex, weights: Floats, chunks: NDArray[np.bool_] | None = None
    ) -> Floats:
        """Of every channel and stem, (channels, stems), from all chunks or some."""
        if chunks is not None:
            weights = weights * chunks[:, None]
        own = weights * np.square(gain)[None, :, None] * np.square(np.abs(equaliser))
        pull = weights * gain[None, :, None] * equaliser.conj()
        normal, right = [], []
        for each, stems, cross, drawn in zip(own, self.stems, self.cross, pull, strict=True):
            largest = float(each.max(initial=0.0)) or 1.0  # in single precision, only the range could be too small
            row = (each / largest).astype(np.float32).ravel()
            normal.append(largest * (row @ stems.reshape(len(row), -1)).reshape(self.count, self.count))
            right.append(np.einsum("tb,tbi->i", drawn, cross).real)
        return _solved(np.array(normal, np.float64), np.array(right))

    def within(self, fit: Fit, chunks: NDArray[np.bool_]) -> tuple["Fitting", Fit]:
        """Some chunks alone, their levels found anew under the same bus gain and equaliser."""
        part = object.__new__(Fitting)
        part.stems, part.cross, part.mix = self.stems[:, chunks], self.cross[:, chunks], self.mix[:, chunks]
        part.part, part.at = self.part[chunks], self.at[chunks]
        part.scale = part.mix.mean(axis=1, keepdims=True) + 1e-30
        gain, left = fit.gain[chunks], fit.left[:, chunks]
        # All chunks count alike here: where a stem was ridden, those with most left over tell it.
        weights = np.where(
            part.mix > FLOOR * part.scale,
            1.0 / np.maximum(np.median(fit.left, axis=1, keepdims=True), LEAST_LEFT * part.scale),
            0.0,
        )
        levels = part.levels(gain, fit.equaliser, weights)
        left = part._left(*part._model(levels), gain, fit.equaliser)
        return part, Fit(levels, gain, fit.equaliser, weights, left)

    def by_band(self, fit: Fit) -> Iterator[Floats]:
        """Levels from every band alone, (channels, stems) each."""
        for band in range(self.mix.shape[2]):
            weights = np.zeros_like(fit.weights)
            weights[..., band] = fit.weights[..., band]
            yield self.levels(fit.gain, fit.equaliser, weights)

    def alone(self, fit: Fit, stem: int) -> tuple[Complex, Floats, Floats]:
        """A stem held against the mix without all others, every cell: its cross product with that, its own power as it
        is in the mix, and the power of what is left with the stem in it."""
        levels, bus = fit.levels[:, None, None, :], fit.gain[None, :, None] * fit.equaliser
        model = np.einsum("ctbj,cj->ctb", self.stems[..., stem, :], fit.levels)
        rest = self.cross[..., stem] - bus * model
        power = self.stems[..., stem, stem].astype(np.float64)
        size = bus * levels[..., stem]
        cross = size.conj() * (rest + size * power)
        own = np.square(np.abs(size)) * power
        return cross, own, fit.left + own + 2.0 * (size.conj() * rest).real

    def shares(self, fit: Fit) -> Floats:
        """Of every stem in the power of all stems, (stems, channels, chunks, bands)."""
        power = np.einsum("ci,ctbii->ictb", np.square(fit.levels), self.stems)
        return np.asarray(power / (power.sum(axis=0) + 1e-30))

    def _model(self, levels: Floats) -> tuple[Floats, Complex]:
        model = np.stack(
            [(stems @ own.astype(np.float32)) @ own for own, stems in zip(levels, self.stems, strict=True)]
        )
        return np.maximum(model, 0.0), np.einsum("ci,ctbi->ctb", levels, self.cross)

    def _equaliser(self, model: Floats, cross: Complex, gain: Floats, weights: Floats) -> Complex:
        up = np.einsum("ctb,ctb,t->b", weights, cross, gain)
        down = np.einsum("ctb,ctb,t->b", weights, model, np.square(gain))
        found = np.where(down > 0.0, up / np.maximum(down, 1e-30), 1.0)
        found = np.where(np.abs(found) > 1e-3, found, 1.0)
        loud = model.sum(axis=(0, 1))
        middle = np.exp(np.average(np.log(np.abs(found)), weights=np.sqrt(loud) + 1e-30))
        return np.asarray(found / middle)

    def _gain(self, model: Floats, cross: Complex, equaliser: Complex, weights: Floats) -> Floats:
        up = np.einsum("ctb,ctb->t", weights, (equaliser.conj() * cross).real)
        down = np.einsum("ctb,ctb,b->t", weights, model, np.square(np.abs(equaliser)))
        known = down > 1e-6 * down.max(initial=1e-30)
        found = np.where(known, up / np.maximum(down, 1e-30), 1.0)
        found = np.clip(found, 0.1, 10.0)
        return np.asarray(found / np.median(found[known])) if known.any() else found

    def _left(self, model: Floats, cross: Complex, gain: Floats, equaliser: Complex) -> Floats:
        bus = gain[None, :, None] * equaliser
        left = self.mix - 2.0 * (bus.conj() * cross).real + np.square(np.abs(bus)) * model
        return np.asarray(np.maximum(left, FLOOR * self.scale))

    def _weights(self, left: Floats) -> Floats:
        heard = self.mix > FLOOR * self.scale
        usual = np.stack(
            [
                [
                    np.median(left[c, heard[c, :, b], b]) if heard[c, :, b].any() else np.inf
                    for b in range(left.shape[2])
                ]
                for c in range(left.shape[0])
            ]
        )[:, None, :]
        # Where nothing is left in most places, the few in which a stem's level moved must count as well.
        return np.where(heard, 1.0 / (np.maximum(usual, LEAST_LEFT * self.scale) + left), 0.0)


def _solved(normal: Floats, right: Floats) -> Floats:
    diagonal = np.einsum("cii->ci", normal)
    ridge = RIDGE * (diagonal + 1e-3 * diagonal.max(axis=1, keepdims=True) + 1e-30)
    normal = normal + np.einsum("ci,ij->cij", ridge, np.eye(normal.shape[1]))
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])
