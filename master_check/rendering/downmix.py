"""Which loudspeakers play a channel of a common bed in another layout, as data (ITU-R BS.2127-0, section 8).

For the loudspeakers in the middle and to the left; those to the right are their mirror image. A figure behind a
loudspeaker is its share of the power, 1 where there is none. Layouts behind `from` and `to` limit a rule to beds made
for them, and to rendering to them. The first rule counts all of whose loudspeakers are there.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

_TABLE: Final = {
    "M+000": ("M+000", "M+030 1/2, M-030 1/2"),
    "M+060": ("M+060", "M+030 2/3, M+110 1/3", "M+030 1/2, M+090 1/2", "M+030"),
    "M+090": ("M+090", "M+030 1/3, M+110 2/3 from 9+10+3", "M+030 1/2, M+110 1/2", "M+030 1/2"),
    "M+110": ("M+110", "M+135", "M+030 1/2"),
    "M+135": ("M+135", "M+110", "M+030 1/2"),
    "M+180": ("M+180", "M+135 1/2, M-135 1/2", "M+110 1/2, M-110 1/2", "M+030 1/4, M-030 1/4"),
    "U+000": ("U+000", "U+030 1/2, U-030 1/2", "U+045 1/2, U-045 1/2", "M+000", "M+030 1/2, M-030 1/2"),
    "U+030": ("U+030", "U+045", "M+030"),
    "U+045": ("U+045", "U+030", "M+030"),
    "U+090": (
        *("U+090", "U+045 2/3, UH+180 1/3 from 9+10+3", "U+030 1/2, U+110 1/2", "U+045 1/2, U+135 1/2", "M+090"),
        *("U+030 1/2, M+110 1/2", "M+030 1/2, M+110 1/2", "M+030 1/2"),
    ),
    "U+110": ("U+110", "U+135", "U+045 1/2, UH+180 1/2", "M+110", "M+135", "M+030 1/2"),
    "U+135": (
        *("U+135", "U+110", "U+045 1/3, UH+180 2/3 from 9+10+3", "U+045 1/2, UH+180 1/2", "M+135", "M+110"),
        "M+030 1/2",
    ),
    "U+180": (
        *("U+180", "UH+180", "U+135 1/2, U-135 1/2", "U+110 1/2, U-110 1/2", "M+135 1/2, M-135 1/2"),
        *("M+110 1/2, M-110 1/2", "M+030 1/4, M-030 1/4"),
    ),
    "UH+180": (
        *("UH+180", "U+180", "U+135 1/2, U-135 1/2", "U+110 1/2, U-110 1/2", "M+135 1/2, M-135 1/2"),
        *("M+110 1/2, M-110 1/2", "M+030 1/4, M-030 1/4"),
    ),
    "T+000": (
        "T+000",
        "U+045 1/4, U-045 1/4, U+135 1/4, U-135 1/4",
        "U+030 1/4, U-030 1/4, U+110 1/4, U-110 1/4",
        "U+045 1/3, U-045 1/3, UH+180 1/3",
        "U+045 1/4, U-045 1/4, M+135 1/4, M-135 1/4",
        "U+030 1/4, U-030 1/4, M+110 1/4, M-110 1/4",
        "M+030 1/4, M-030 1/4, M+135 1/4, M-135 1/4",
        "M+030 1/4, M-030 1/4, M+110 1/4, M-110 1/4",
        "M+030 1/4, M-030 1/4",
    ),
    "B+000": ("B+000", "M+000", "M+030 1/2, M-030 1/2"),
    "B+045": ("B+045", "M+030"),
    "LFE1": ("LFE1 from 9+10+3 3+7+0 to 9+10+3 3+7+0", "LFE1 1/2 from 9+10+3 3+7+0", "LFE1"),
    "LFE2": ("LFE2 from 9+10+3 3+7+0 to 9+10+3 3+7+0", "LFE1 1/2 from 9+10+3 3+7+0"),
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One way to play a loudspeaker's channel by others.

    Attributes
    ----------
    label : str
        The loudspeaker that the channel is for.
    gains : tuple of (str, float)
        Those that play it, and their linear gains.
    made_for, layouts : tuple of str
        Layouts of beds and of renderings that the rule is for; empty for all.
    """

    label: str
    gains: tuple[tuple[str, float], ...]
    made_for: tuple[str, ...]
    layouts: tuple[str, ...]

    def fits(self, label: str, made_for: str, layout: str, labels: tuple[str, ...]) -> bool:
        """Whether it is for a channel of a bed, in a layout of these loudspeakers."""
        return (
            label == self.label
            and (not self.made_for or made_for in self.made_for)
            and (not self.layouts or layout in self.layouts)
            and all(other in labels for other, _ in self.gains)
        )


def _rules() -> Iterator[Rule]:
    for label, rows in _TABLE.items():
        for row in rows:
            rest, _, layouts = row.partition(" to ")
            shares, _, made_for = rest.partition(" from ")
            gains = tuple(_gain(share) for share in shares.split(", "))
            yield Rule(label, gains, tuple(made_for.split()), tuple(layouts.split()))
            if _mirrored(label) != label:
                mirrored = tuple((_mirrored(other), gain) for other, gain in gains)
                yield Rule(_mirrored(label), mirrored, tuple(made_for.split()), tuple(layouts.split()))


def _gain(share: str) -> tuple[str, float]:
    label, _, power = share.partition(" ")
    return label, float(Fraction(power or 1)) ** 0.5


def _mirrored(label: str) -> str:
    if label.endswith(("000", "180")):
        return label
    return label.replace("+", "-") if "+" in label else label.replace("-", "+")


RULES: Final = tuple(_rules())
