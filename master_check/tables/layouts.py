"""Loudspeaker layouts and what each loudspeaker weighs in loudness, as data.

The weight follows from where the loudspeaker stands (ITU-R BS.1770-5, Annex 1 and Annex 3): 1.41 where its
azimuth is 60 to 120 degrees to either side and its elevation below 30 degrees, 1.0 elsewhere, and the
low-frequency channel is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

# Label: azimuth and elevation in degrees (ITU-R BS.2051-3, Table 1 positions; left is positive). LFE stands nowhere.
LOUDSPEAKERS: Final[dict[str, tuple[float, float] | None]] = {
    "M": (0, 0),
    "L": (30, 0),
    "R": (-30, 0),
    "C": (0, 0),
    "LFE": None,
    "Ls": (110, 0),
    "Rs": (-110, 0),
    "Lss": (90, 0),
    "Rss": (-90, 0),
    "Lrs": (135, 0),
    "Rrs": (-135, 0),
    "Cs": (180, 0),
    "Lc": (15, 0),
    "Rc": (-15, 0),
    "Ltf": (45, 30),
    "Rtf": (-45, 30),
    "Ltr": (135, 30),
    "Rtr": (-135, 30),
    "Ctf": (0, 30),
    "Ctr": (180, 30),
    "T": (0, 90),
    "Lw": (60, 0),
    "Rw": (-60, 0),
    "Ltm": (90, 30),
    "Rtm": (-90, 30),
    "Cbf": (0, -30),
    "Lbf": (45, -30),
    "Rbf": (-45, -30),
    "LFE2": None,
}

# The order is the one of WAVEFORMATEXTENSIBLE, which FLAC shares.
NAMED: Final[dict[str, tuple[str, ...]]] = {
    "mono": ("M",),
    "stereo": ("L", "R"),
    "3.0": ("L", "R", "C"),
    "4.0": ("L", "R", "Ls", "Rs"),
    "5.0": ("L", "R", "C", "Ls", "Rs"),
    "5.1": ("L", "R", "C", "LFE", "Ls", "Rs"),
    "7.1": ("L", "R", "C", "LFE", "Lrs", "Rrs", "Lss", "Rss"),
    "5.1.4": ("L", "R", "C", "LFE", "Ls", "Rs", "Ltf", "Rtf", "Ltr", "Rtr"),
    "7.1.4": ("L", "R", "C", "LFE", "Lrs", "Rrs", "Lss", "Rss", "Ltf", "Rtf", "Ltr", "Rtr"),
}

# ITU-R BS.2051-3, sections 5.1 to 5.10, in its order; by the loudspeakers' labels there.
BS2051: Final[dict[str, tuple[str, ...]]] = {
    "0+2+0": ("M+030", "M-030"),
    "0+5+0": ("M+030", "M-030", "M+000", "LFE1", "M+110", "M-110"),
    "2+5+0": ("M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030"),
    "4+5+0": ("M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030", "U+110", "U-110"),
    "4+5+1": ("M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030", "U+110", "U-110", "B+000"),
    "0+7+0": ("M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135"),
    "4+7+0": (
        *("M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135"),
        *("U+045", "U-045", "U+135", "U-135"),
    ),
    "9+10+3": (
        *("M+060", "M-060", "M+000", "LFE1", "M+135", "M-135", "M+030", "M-030", "M+180", "LFE2", "M+090", "M-090"),
        *("U+045", "U-045", "U+000", "T+000", "U+135", "U-135", "U+090", "U-090", "U+180", "B+000", "B+045", "B-045"),
    ),
}

_BS2051_LABELS: Final = {
    "M+030": "L", "M-030": "R", "M+000": "C", "LFE1": "LFE", "LFE2": "LFE2", "M+060": "Lw", "M-060": "Rw",
    "M+090": "Lss", "M-090": "Rss", "M+110": "Ls", "M-110": "Rs", "M+135": "Lrs", "M-135": "Rrs", "M+180": "Cs",
    "U+000": "Ctf", "U+030": "Ltf", "U-030": "Rtf", "U+045": "Ltf", "U-045": "Rtf", "U+090": "Ltm", "U-090": "Rtm",
    "U+110": "Ltr", "U-110": "Rtr", "U+135": "Ltr", "U-135": "Rtr", "U+180": "Ctr", "T+000": "T",
    "B+000": "Cbf", "B+045": "Lbf", "B-045": "Rbf",
}  # fmt: skip
"""What the loudspeakers of BS.2051 are called elsewhere here."""

# Vorbis I specification, section 4.3.9; Opus shares it (RFC 7845, section 5.1.1.2).
OGG_ORDER: Final[dict[int, tuple[str, ...]]] = {
    3: ("L", "C", "R"),
    4: ("L", "R", "Ls", "Rs"),
    5: ("L", "C", "R", "Ls", "Rs"),
    6: ("L", "C", "R", "Ls", "Rs", "LFE"),
    8: ("L", "C", "R", "Lss", "Rss", "Lrs", "Rrs", "LFE"),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """Which loudspeaker each channel of a file feeds.

    Attributes
    ----------
    name : str
        A name of `NAMED` where the labels are one, else the labels joined by commas.
    labels : tuple of str
        One label a channel, keys of `LOUDSPEAKERS`.
    """

    name: str
    labels: tuple[str, ...]

    @property
    def weights(self) -> tuple[float, ...]:
        """Loudness weight of each channel (ITU-R BS.1770-5, Annex 3, Table 4)."""
        return tuple(weight(label) for label in self.labels)


def weight(label: str) -> float:
    """Loudness weight of one loudspeaker: 0.0, 1.0 or 1.41 (ITU-R BS.1770-5, Annex 3)."""
    position = LOUDSPEAKERS[label]
    if position is None:
        return 0.0
    azimuth, elevation = position
    return 1.41 if 60 <= abs(azimuth) <= 120 and elevation < 30 else 1.0


def of_labels(labels: Sequence[str]) -> Layout:
    """The layout of these loudspeakers, named if they have a name."""
    found = tuple(labels)
    name = next((name for name, known in NAMED.items() if known == found), ",".join(found))
    return Layout(name, found)


def of_count(channels: int, ogg: bool = False) -> Layout | None:
    """The usual layout of so many channels where a file names none; None where there is no usual one."""
    if ogg and channels in OGG_ORDER:
        return of_labels(OGG_ORDER[channels])
    return next((Layout(name, labels) for name, labels in NAMED.items() if len(labels) == channels), None)


def of_bs2051(name: str) -> Layout:
    """A layout of BS.2051 by its name, such as `4+5+0`: what a rendering to it has for channels. Raises KeyError."""
    labels = tuple(_BS2051_LABELS[label] for label in BS2051[name])
    return Layout("stereo" if name == "0+2+0" else name, labels)


def parse(text: str) -> Layout:
    """A layout from what the engineer typed: a name (`5.1`) or labels in file order (`L,R,C,LFE,Ls,Rs`).

    Raises
    ------
    ValueError
        Neither a known name nor known labels, or a label twice; the message names what is known.
    """
    if text.lower() in NAMED:
        return Layout(text.lower(), NAMED[text.lower()])
    canonical = {label.lower(): label for label in LOUDSPEAKERS}
    wanted = [part.strip() for part in text.split(",")]
    unknown = [part for part in wanted if part.lower() not in canonical]
    if unknown:
        names = ", ".join(NAMED)
        labels = ", ".join(LOUDSPEAKERS)
        raise ValueError(f"no layout or loudspeaker is called {unknown[0]!r}; layouts: {names}; labels: {labels}")
    found = [canonical[part.lower()] for part in wanted]
    if len(set(found)) < len(found):
        raise ValueError(f"layout {text!r} names a loudspeaker twice")
    return of_labels(found)
