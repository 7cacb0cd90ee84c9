"""The sides of a signal: left and right, mid and side, or mono."""

from collections.abc import Mapping
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

Side = Literal["mono", "left", "right", "mid", "side"]
Domain = Literal["left_right", "mid_side"]

PAIRS: Final[Mapping[Domain, tuple[Side, Side]]] = {"left_right": ("left", "right"), "mid_side": ("mid", "side")}
SIDES: Final[tuple[Side, ...]] = ("left", "right", "mid", "side")


def sides_of(channels: int) -> tuple[Side, ...]:
    """The sides that a signal of so many channels has; of more than two, those of the first two."""
    return ("mono",) if channels == 1 else SIDES


def taken(frames: NDArray[Any], side: Side) -> NDArray[Any]:
    """One side of frames whose last axis is the channel."""
    match side:
        case "mid":
            return np.asarray((frames[..., 0] + frames[..., 1]) / 2)
        case "side":
            return np.asarray((frames[..., 0] - frames[..., 1]) / 2)
    return np.asarray(frames[..., 1 if side == "right" else 0])
