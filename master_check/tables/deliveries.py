"""What can be delivered: containers with the word lengths they take, and what a file's name can be made of, as data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Container:
    """A kind of file that can be written.

    Attributes
    ----------
    key : str
        Its name in profiles.
    suffix : str
        Of file names, with the dot.
    bits : tuple of int
        Word lengths it takes.
    most_channels : int
    largest : int or None
        Bytes of sound it can hold; None where there is no limit.
    """

    key: str
    suffix: str
    bits: tuple[int, ...]
    most_channels: int
    largest: int | None = None


CONTAINERS: Final[Mapping[str, Container]] = {
    kind.key: kind
    for kind in (
        Container("WAV", ".wav", (16, 24, 32), 128),  # above 4 GiB a BW64 file of the same name
        Container("FLAC", ".flac", (16, 24), 8),
        Container("AIFF", ".aiff", (16, 24, 32), 128, 0xFFFF_FFFF - (1 << 20)),
    )
}

DELIVERED_BITS: Final = (16, 24, 32)

NAME_FIELDS: Final[Mapping[str, str]] = {
    "name": "the master's file name",
    "profile": "the profile's name",
    "title": "the title in the master's metadata",
    "artist": "the artist there",
    "isrc": "the ISRC there",
    "rate": "the sample rate in Hz, such as 44100",
    "bits": "the word length, such as 16",
}
"""What may stand in braces in the pattern of a file name."""
