"""Decibels of amplitudes and powers, and back: the one place for it."""

from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray


def decibels(amplitude: float) -> float | None:
    """20 log10 of a linear amplitude; None for zero."""
    return float(20.0 * np.log10(amplitude)) if amplitude > 0.0 else None


def power_decibels(power: float) -> float | None:
    """10 log10 of a power; None for zero or less."""
    return float(10.0 * np.log10(power)) if power > 0.0 else None


def decibels_each(amplitudes: ArrayLike) -> NDArray[Any]:
    """20 log10 of every amplitude of an array; -inf for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(amplitudes))


def power_decibels_each(powers: ArrayLike) -> NDArray[Any]:
    """10 log10 of every power of an array; -inf for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(powers))


@overload
def amplitude_of(db: float) -> float: ...
@overload
def amplitude_of(db: NDArray[Any]) -> NDArray[Any]: ...
def amplitude_of(db: Any) -> Any:
    """The linear amplitude of a level in dB: -6.02 gives 0.5."""
    return 10.0 ** (db / 20.0)


@overload
def power_of(db: float) -> float: ...
@overload
def power_of(db: NDArray[Any]) -> NDArray[Any]: ...
def power_of(db: Any) -> Any:
    """The power of a level in dB: -3.01 gives 0.5."""
    return 10.0 ** (db / 10.0)
