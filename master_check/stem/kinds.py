"""Whether a stem is a voice or a drum, by what it and its group are called."""

import re
from typing import Final, Literal

Kind = Literal["voice", "drum"]

VOICES: Final = frozenset(
    {"vocal", "vocals", "voc", "vocs", "vox", "voice", "voices", "choir", "choirs", "singer", "singers", "bv", "bvs"}
    | {"bgv", "bgvs", "adlib", "adlibs", "rap", "speech"}
)

DRUMS: Final = frozenset(
    {
        "drum",
        "drums",
        "kick",
        "kicks",
        "bd",
        "snare",
        "snares",
        "sd",
        "snr",
        "tom",
        "toms",
        "kit",
        "overhead",
        "overheads",
    }
    | {"oh", "ohs", "hat", "hats", "hihat", "hihats", "hh", "cymbal", "cymbals"}
)
"""Not percussion at large: bells and blocks ring because they are meant to."""

TUNED: Final = frozenset(["steel"])


def kind_of(name: str, group: str | None = None) -> Kind | None:
    """What a stem is: by its own name, else by its group's; None where neither says.

    Examples
    --------
    >>> kind_of("LeadVox_01.wav"), kind_of("music/kick in.wav", "music"), kind_of("Backing 2.wav", "vocals")
    ('voice', 'drum', 'voice')
    >>> kind_of("bass.wav", "music") is None
    True
    """
    for text in (name.rsplit("/", 1)[-1], group or ""):
        spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
        words = set(re.findall(r"[a-z]+", spaced.lower()))
        if words & VOICES or "vocal" in text.lower():
            return "voice"
        if words & DRUMS and not words & TUNED:
            return "drum"
    return None
