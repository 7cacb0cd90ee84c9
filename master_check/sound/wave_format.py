"""The `fmt ` chunk of a WAV, RF64 or BW64: which samples, and what each channel feeds.

Sources: Microsoft, "Multiple Channel Audio Data and WAVE Files"; ITU-R BS.2088 for BW64.
"""

import struct
from dataclasses import dataclass
from typing import Final

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL: Final = bytes.fromhex("000000001000800000aa00389b71")
"""What follows the format's number in the GUID of an extensible format."""

_ENCODINGS: Final = {
    (_PCM, 1): "PCM_U8",
    (_PCM, 2): "PCM_16",
    (_PCM, 3): "PCM_24",
    (_PCM, 4): "PCM_32",
    (_FLOAT, 4): "FLOAT",
    (_FLOAT, 8): "DOUBLE",
}

# Bits of the channel mask from the lowest on, as labels.
_MASK: Final = (
    "L", "R", "C", "LFE", "Lrs", "Rrs", "Lc", "Rc", "Cs", "Lss", "Rss", "T", "Ltf", "Ctf", "Rtf", "Ltr", "Ctr", "Rtr",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WaveFormat:
    """Linear samples in a WAV.

    Attributes
    ----------
    encoding : str
        libsndfile's name, such as `PCM_24`.
    channels, rate : int
    extensible : bool
        Its header has room for a channel mask.
    labels : tuple of str
        A loudspeaker a channel from the channel mask; empty where there is none, or it does not fit.
    """

    encoding: str
    channels: int
    rate: int
    extensible: bool
    labels: tuple[str, ...]


def parse(fmt: bytes, big_endian: bool = False) -> WaveFormat | None:
    """The format in a `fmt ` chunk's content; None where it is no linear one, or damaged."""
    order = ">" if big_endian else "<"
    if len(fmt) < 16:
        return None
    tag, channels, rate, _, align, _ = struct.unpack_from(f"{order}HHIIHH", fmt)
    mask, extensible = 0, tag == _EXTENSIBLE
    if extensible and len(fmt) >= 40 and fmt[26:40] == _GUID_TAIL:
        mask, tag = struct.unpack_from(f"{order}IH", fmt, 20)
    encoding = _ENCODINGS.get((tag, align // channels)) if channels and align % channels == 0 else None
    if encoding is None:
        return None
    labels = tuple(label for bit, label in enumerate(_MASK) if mask >> bit & 1)
    return WaveFormat(encoding, channels, rate, extensible, labels if len(labels) == channels else ())


def plain_header(channels: int, rate: int, bits: int) -> bytes:
    """A `fmt ` chunk's content for integers of so many bits in one or two channels."""
    align = channels * bits // 8
    return struct.pack("<HHIIHH", _PCM, channels, rate, rate * align, align, bits)


def extensible_header(labels: tuple[str, ...], rate: int, bits: int) -> bytes:
    """The same with a channel mask; 0, which says nothing, where the loudspeakers are not in the mask's order."""
    align = len(labels) * bits // 8
    fixed = struct.pack("<HHIIHH", _EXTENSIBLE, len(labels), rate, rate * align, align, bits)
    return fixed + struct.pack("<HHIH", 22, bits, _mask(labels), _PCM) + _GUID_TAIL


def _mask(labels: tuple[str, ...]) -> int:
    # One pair of surrounds is written as the pair at the sides (5.1 as 0x60F).
    sides = {"Ls": "Lss", "Rs": "Rss"}
    named = [sides.get(label, label) for label in labels]
    if any(name not in _MASK for name in named):
        return 0
    bits = [_MASK.index(name) for name in named]
    return sum(1 << bit for bit in bits) if bits == sorted(set(bits)) else 0
