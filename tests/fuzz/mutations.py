"""Cases for the fuzz test: real files of every container, and what can go wrong with their bytes.

Every case follows from a seed and a number, so that a failure can be had again: `sound_case(seed, number)`.
"""

import io
import random
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray

# Container, encodings, channels, sample rate: everything libsndfile can both write and read back, and BW64. What a
# record is delivered in comes three times, so that it gets most of the cases.
_COMMON: Final = (
    ("WAV", ("PCM_16", "PCM_24", "PCM_32", "PCM_U8", "FLOAT", "DOUBLE"), 2, 48_000),
    ("WAVEX", ("PCM_16", "PCM_24", "FLOAT"), 6, 48_000),
    ("RF64", ("PCM_16", "PCM_24", "FLOAT"), 2, 96_000),
    ("BW64", ("PCM_16", "PCM_24", "FLOAT"), 6, 48_000),
    ("W64", ("PCM_24", "FLOAT"), 2, 44_100),
    ("AIFF", ("PCM_16", "PCM_24", "FLOAT", "PCM_S8"), 2, 44_100),
    ("CAF", ("PCM_16", "PCM_24", "FLOAT", "ALAC_16", "ALAC_24"), 2, 48_000),
    ("FLAC", ("PCM_16", "PCM_24"), 2, 44_100),
    ("OGG", ("VORBIS", "OPUS"), 2, 48_000),
    ("MP3", ("MPEG_LAYER_III",), 2, 44_100),
    ("AU", ("PCM_16", "PCM_24", "FLOAT"), 2, 44_100),
)
_RARE: Final = (
    ("WAV", ("ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM"), 2, 44_100),
    ("WAV", ("GSM610", "G721_32", "NMS_ADPCM_16", "NMS_ADPCM_24", "NMS_ADPCM_32"), 1, 8_000),
    ("AIFF", ("ULAW", "ALAW", "IMA_ADPCM", "DOUBLE"), 2, 44_100),
    ("AIFF", ("GSM610", "DWVW_16", "DWVW_24"), 1, 44_100),
    ("AU", ("ULAW", "DOUBLE"), 2, 44_100),
    ("AU", ("G721_32", "G723_24", "G723_40"), 1, 8_000),
    ("CAF", ("ULAW", "DOUBLE", "ALAC_20", "ALAC_32"), 2, 44_100),
    ("W64", ("IMA_ADPCM", "MS_ADPCM", "DOUBLE"), 2, 44_100),
    ("W64", ("GSM610",), 1, 8_000),
    ("AVR", ("PCM_16", "PCM_U8"), 2, 44_100),
    ("HTK", ("PCM_16",), 1, 44_100),
    ("SVX", ("PCM_S8", "PCM_16"), 1, 44_100),
    ("MAT4", ("PCM_16", "DOUBLE"), 2, 44_100),
    ("MAT5", ("PCM_16", "DOUBLE"), 2, 44_100),
    ("MPC2K", ("PCM_16",), 2, 44_100),
    ("PAF", ("PCM_16", "PCM_24"), 2, 44_100),
    ("PVF", ("PCM_16", "PCM_32"), 2, 44_100),
    ("SDS", ("PCM_16", "PCM_24"), 1, 44_100),
    ("IRCAM", ("PCM_16", "FLOAT"), 2, 44_100),
    ("VOC", ("PCM_16", "PCM_U8"), 2, 44_100),
    ("NIST", ("PCM_16", "PCM_24"), 2, 44_100),
    ("WVE", ("ALAW",), 1, 8_000),
    ("XI", ("DPCM_8", "DPCM_16"), 1, 44_100),
)


@dataclass(frozen=True, slots=True)
class Seed:
    """A sound file nothing is wrong with."""

    container: str
    encoding: str
    channels: int
    rate: int

    @property
    def name(self) -> str:
        return f"{self.container}-{self.encoding}".lower()

    def data(self) -> bytes:
        """The file's bytes; half a second of sound."""
        return _written(self.container, self.encoding, self.channels, self.rate)


@dataclass(frozen=True, slots=True)
class Case:
    """A file to be fed, and how it came about."""

    data: bytes
    story: str


def seeds(rare: bool = True) -> list[Seed]:
    """One a container and encoding."""
    rows = (*_COMMON, *(_RARE if rare else ()))
    return [Seed(box, encoding, channels, rate) for box, all, channels, rate in rows for encoding in all]


def music(rate: int, channels: int, seconds: float = 0.5) -> NDArray[np.float64]:
    """Decaying partials and a little noise, different in every channel: nothing a decoder would find too easy."""
    rng = np.random.default_rng(rate * 31 + channels)
    t = np.arange(round(seconds * rate)) / rate
    columns = []
    for c in range(channels):
        tone = sum(np.sin(2 * np.pi * 110.0 * (c + 1) * k * t + k) / k for k in range(1, 9))
        columns.append(0.15 * tone * np.exp(-2.0 * t) + 0.01 * rng.standard_normal(len(t)))
    return np.stack(columns, axis=1)


@cache
def _written(container: str, encoding: str, channels: int, rate: int) -> bytes:
    file = io.BytesIO()
    written = "RF64" if container == "BW64" else container  # the same but for the name
    soundfile.write(file, music(rate, channels), rate, format=written, subtype=encoding)
    return container.encode() + file.getvalue()[4:] if container == "BW64" else file.getvalue()


Mutation = Callable[[random.Random, bytearray], None]

NUMBERS: Final = (
    0, 1, 2, 3, 7, 8, 16, 24, 32, 64, 127, 128, 255, 256, 257, 1023, 1024, 32767, 32768, 65535, 65536, 2**24 - 1,
    2**31 - 1, 2**31, 2**31 + 1, 2**32 - 2, 2**32 - 1, 2**32, 2**62, 2**63 - 1, 2**63, 2**64 - 1,
)  # fmt: skip
"""Where integers of some width end, and what a program could mean by them."""

CHUNKS: Final = (
    b"RIFF", b"RF64", b"BW64", b"ds64", b"fmt ", b"fact", b"data", b"LIST", b"PEAK", b"FORM", b"COMM", b"SSND",
    b"FVER", b"desc", b"chan", b"pakt", b"kuki", b"free", b"OggS", b"fLaC", b"riff", b".snd",
)  # fmt: skip

FLOATS: Final = (
    float("nan"), float("inf"), float("-inf"), 1e-45, 1e-40, -1e-38, 3e38, -3.4e38, 1e20, 1e10, 100.0, -0.0,
)  # fmt: skip


def _place(rng: random.Random, data: bytearray) -> int:
    """Somewhere in the file; two times of three near its start, where headers are."""
    end = len(data) if rng.random() < 1 / 3 else min(len(data), rng.choice((16, 64, 256, 4096)))
    return rng.randrange(end) if end else 0


def flip_bits(rng: random.Random, data: bytearray) -> None:
    for _ in range(rng.choice((1, 1, 2, 4, 16, 64))):
        if data:
            data[_place(rng, data)] ^= 1 << rng.randrange(8)


def random_bytes(rng: random.Random, data: bytearray) -> None:
    at = _place(rng, data)
    new = rng.randbytes(rng.choice((1, 2, 4, 8, 64, 1024)))
    data[at : at + len(new)] = new


def write_number(rng: random.Random, data: bytearray) -> None:
    """A number from where integers end, over a header field or across two."""
    size = rng.choice((1, 2, 2, 4, 4, 4, 8))
    value = rng.choice(NUMBERS) & (2 ** (8 * size) - 1)
    at = _place(rng, data)
    at -= at % rng.choice((1, 2, 4))
    data[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))


def write_floats(rng: random.Random, data: bytearray) -> None:
    for _ in range(rng.choice((1, 3, 100))):
        form = rng.choice(("<f", ">f", "<d", ">d"))
        new = struct.pack(form, rng.choice(FLOATS))
        at = rng.randrange(len(data) + 1) // 4 * 4
        data[at : at + len(new)] = new


def write_text(rng: random.Random, data: bytearray) -> None:
    """Printable digits and minus signs: some headers are text."""
    new = rng.choice((b"-1", b"0", b"99999999999999999999", b"1e999", b"%s%n", b"\x1b[31m", b"A" * 300))
    at = _place(rng, data)
    data[at : at + len(new)] = new


def resize_chunk(rng: random.Random, data: bytearray) -> None:
    """A new size for one of the chunks, in the bytes after its name."""
    found = [at for name in CHUNKS if (at := data.find(name)) >= 0]
    if not found:
        return write_number(rng, data)
    at = rng.choice(found) + rng.choice((4, 4, 4, 8, 16))
    size = rng.choice((4, 4, 8))
    now = int.from_bytes(data[at : at + size], "little")
    value = rng.choice((*NUMBERS, now + 1, now - 1, now * 2, now // 2, len(data))) & (2 ** (8 * size) - 1)
    data[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))
    return None


def repeat_chunk(rng: random.Random, data: bytearray) -> None:
    """A chunk again, behind all others: two of what there may be one of."""
    found = [at for name in CHUNKS if (at := data.find(name)) >= 0]
    if not found:
        return repeat_span(rng, data)
    at = rng.choice(found)
    size = int.from_bytes(data[at + 4 : at + 8], rng.choice(("little", "big")))
    data += data[at : at + 8 + min(size, 100_000)]
    return None


def truncate(rng: random.Random, data: bytearray) -> None:
    places = (rng.randrange(len(data) + 1), rng.randrange(min(len(data), 128) + 1), max(len(data) - 1, 0))
    del data[rng.choice(places) :]


def grow(rng: random.Random, data: bytearray) -> None:
    size = rng.choice((1, 3, 512, 65_536))
    data += rng.choice((bytes(size), rng.randbytes(size), bytes(data[:size]), b"\xff" * size))


def drop_span(rng: random.Random, data: bytearray) -> None:
    at = _place(rng, data)
    del data[at : at + rng.choice((1, 2, 4, 16, 512))]


def insert_span(rng: random.Random, data: bytearray) -> None:
    at = _place(rng, data)
    data[at:at] = rng.randbytes(rng.choice((1, 2, 4, 16, 512)))


def repeat_span(rng: random.Random, data: bytearray) -> None:
    at, size = _place(rng, data), rng.choice((4, 8, 24, 64, 4096))
    data[at:at] = data[at : at + size] * rng.choice((1, 2, 50))


def fill_span(rng: random.Random, data: bytearray) -> None:
    at, size = _place(rng, data), rng.choice((4, 16, 256, 8192))
    end = min(at + size, len(data))
    data[at:end] = bytes([rng.choice((0, 0xFF, 0x7F, 0x80))]) * (end - at)


def splice(rng: random.Random, data: bytearray) -> None:
    """The start of this file, the rest of one of another kind."""
    other = rng.choice(seeds()).data()
    at = _place(rng, data)
    data[at:] = other[rng.randrange(len(other)) :]


MUTATIONS: Final[Sequence[Mutation]] = (
    flip_bits, flip_bits, random_bytes, write_number, write_number, write_number, resize_chunk, resize_chunk,
    repeat_chunk, write_floats, write_text, truncate, truncate, grow, drop_span, insert_span, repeat_span, fill_span,
    splice,
)  # fmt: skip


def sound_case(seed: int, number: int) -> Case:
    """A file with one to three things wrong with it."""
    rng = random.Random(f"sound {seed} {number}")
    start = rng.choice(seeds(rare=rng.random() < 0.3))
    data = bytearray(start.data())
    chosen = [rng.choice(MUTATIONS) for _ in range(rng.choice((1, 1, 1, 2, 3)))]
    for mutation in chosen:
        mutation(rng, data)
    return Case(bytes(data), f"{start.name}: {', '.join(mutation.__name__ for mutation in chosen)}")


PROFILE: Final = """\
[profile]
name = "plant"
title = "A pressing plant"
source = "their sheet of 2024"
playback_lufs = -14.0
max_gain_reduction_db = 4.0

[[rule]]
measure = "integrated_lufs"
target = -14.0
tolerance = 1.0
level = "should"
why = "played back at -14 LUFS"

[[rule]]
measure = "true_peak_dbtp"
max = -1.0
when = { measure = "channels", min = 2 }

[[rule]]
measure = "container"
one_of = ["WAV", "FLAC"]
do = "export again"

[[rule]]
measure = "sample_rate_hz"
one_of = [44100, 48000, 96000.0]

[[album_rule]]
measure = "album_integrated_lufs"
min = -16.0
max = -8
level = "note"
"""

VALUES: Final = (
    "nan", "inf", "-inf", "1e999", "-1e-999", "9" * 400, "9" * 5000, "0x" + "f" * 9000, "-0.0", "0", "true", "[]", "{}",
    '""', "[[[[]]]]", "1979-05-27", "07:32:00", '"\\u001b[31m"', '"\\u202e"', '"\\ud800"', '"\\u0000"', "'\x1b'",
    '"""a\nb"""', '"' + "long" * 5000 + '"', "{ measure = 1 }", '[1, "a", true, nan]', "[" * 3000, "{ a = " * 3000,
    ".".join("a" * 2000) + " = 1", "# nothing", '"<script>alert(1)</script>"', '"streaming"', '"plant"', '"../plant"',
    '"/dev/zero"', '"/etc/passwd"', '"."', '"~"', '"a/b.toml"', '"' + "x" * 300 + '.toml"', "0b11", "1_000", "--1",
)  # fmt: skip
"""What may stand after a key, or was meant to."""

LINES: Final = (
    "[profile]", "[[rule]]", "[[album_rule]]", "[[rule.when]]", "[rule]", 'extends = "streaming"', 'extends = "plant"',
    "min = 1.0", "max = -1.0", "min = inf", "x" * 4000, "= 1", "a.b.c.d = 1", "\x00", "\ufeff", "\x85",
    '"quoted key" = 1', '"\\u001b[2J" = 1', "[" + "a." * 3000 + "a]", "[[a]]\n" * 500, "measure = 5", "level = 'maybe'",
)  # fmt: skip


def profile_case(seed: int, number: int) -> Case:
    """A profile with a few things wrong with it."""
    rng = random.Random(f"profile {seed} {number}")
    lines = PROFILE.split("\n")
    story = []
    for _ in range(rng.choice((1, 1, 1, 2, 3, 10))):
        at = rng.randrange(len(lines))
        kind = rng.choice(("value", "value", "value", "line", "drop", "repeat", "swap"))
        story.append(f"{kind} at line {at + 1}")
        if kind == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + rng.choice(VALUES)
        elif kind == "drop":
            del lines[at]
            lines = lines or [""]
        elif kind == "repeat":
            lines[at:at] = [lines[at]] * rng.choice((1, 2, 1000))
        elif kind == "swap":
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            lines.insert(at, rng.choice(LINES))
    data = bytearray("\n".join(lines).encode("utf-8", "surrogatepass"))
    if rng.random() < 0.25:
        mutation = rng.choice((flip_bits, random_bytes, truncate, grow, drop_span, insert_span, fill_span))
        mutation(rng, data)
        story.append(mutation.__name__)
    return Case(bytes(data), ", ".join(story))
