"""What can be rehearsed: encodings, sample rates and word lengths, with what each of them takes, as data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

Group = Literal["encode", "rate", "word_length"]
Dither = Literal["tpdf", "none"]
DITHERS: Final[tuple[Dither, ...]] = ("tpdf", "none")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of encode or conversion.

    Attributes
    ----------
    key : str
        Its name in profiles and in JSON.
    title : str
        Its name for people.
    group : str
        A lossy encode, a conversion to another sample rate, or one to shorter words.
    kbps : tuple of int
        The bit rates it takes, in kbit/s; with `any_between`, the lowest and the highest. Empty for what has none.
    any_between : bool
        Every bit rate between the two is taken.
    rates : tuple of int
        The sample rates it takes, in Hz; others are converted first, as places do. Empty: all.
    channels : tuple of int
        The numbers of channels it takes. Empty: all.
    frame : int
        Samples in a frame.
    local : bool
        A passage that begins with a frame, half a second before what is looked at, comes out by itself as it does in
        the whole, to 0.1 dB (measured with libsndfile 1.2.2). Encoders that save up bits, or that look at more of the
        past, differ by up to 2.5 dB.
    """

    key: str
    title: str
    group: Group
    kbps: tuple[int, ...] = ()
    any_between: bool = False
    rates: tuple[int, ...] = ()
    channels: tuple[int, ...] = ()
    frame: int = 1
    local: bool = False

    def takes_kbps(self, kbps: float) -> bool:
        return self.kbps[0] <= kbps <= self.kbps[-1] if self.any_between else kbps in self.kbps

    @property
    def kbps_words(self) -> str:
        """The bit rates it takes: `64 to 500`, or each of them."""
        return f"{self.kbps[0]} to {self.kbps[-1]}" if self.any_between else ", ".join(map(str, self.kbps))


_USUAL: Final = (44_100, 48_000, 32_000)
_MP3: Final = (64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_AC3: Final = (96, 112, 128, 160, 192, 224, 256, 320, 384, 448, 512, 576, 640)

KINDS: Final[Mapping[str, Kind]] = {
    kind.key: kind
    for kind in (
        # ISO/IEC 11172-3, Layer III. Below 64 kbit/s its frames have no room for the encoder's delay.
        Kind("mp3", "MP3", "encode", _MP3, False, _USUAL, (1, 2), 1152, local=True),
        Kind("vorbis", "Ogg Vorbis", "encode", (64, 500), True, _USUAL, (1, 2), 2048, local=True),
        Kind("opus", "Opus", "encode", (16, 500), True, (48_000,), (1, 2), 960),  # RFC 6716
        Kind("aac", "AAC", "encode", (32, 512), True, _USUAL, (1, 2, 6), 1024),  # ISO/IEC 14496-3
        Kind("ac3", "AC-3", "encode", _AC3, False, (48_000, 44_100, 32_000), (1, 2, 6), 1536),  # ETSI TS 102 366
        Kind("eac3", "E-AC-3", "encode", _AC3, False, (48_000, 44_100, 32_000), (1, 2, 6), 1536),
        Kind("rate", "Sample rate", "rate"),
        Kind("word_length", "Word length", "word_length"),
    )
}

LOWEST_HZ: Final = 8_000
HIGHEST_HZ: Final = 384_000
"""Sample rates that can be converted to."""

BITS: Final = (16, 20, 24)
"""Word lengths that can be converted to."""
