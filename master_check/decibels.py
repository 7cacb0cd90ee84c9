"""Decibels of amplitudes and powers, and back."""

import numpy as np


def decibels(amplitude: float) -> float | None:
    """20 log10 of a linear amplitude; None for zero."""
    return float(20.0 * np.log10(amplitude)) if amplitude > 0.0 else None


def power_decibels(power: float) -> float | None:
    """10 log10 of a power; None for zero or less."""
    return float(10.0 * np.log10(power)) if power > 0.0 else None
