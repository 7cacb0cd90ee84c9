"""The frames of an MP3: how many there are, of what format, and what its length header says (ISO/IEC 11172-3 and
13818-3; the length header is no standard, and written by nearly every encoder). Only the frames' headers are read."""

import os
import re
from dataclasses import dataclass
from functools import cache
from typing import BinaryIO, Final

_WINDOW: Final = 1 << 18
_HEADER: Final = re.compile(rb"\xff[\xe2-\xe7\xf2-\xff][\x10-\xef]", re.DOTALL)
"""What may be the first three bytes of a frame."""

_IN_A_ROW: Final = 3
"""Frames of one format in a row that are no accident."""

# Bit rates in kbit/s by layer, for MPEG-1 and for the lower sample rates of MPEG-2 (and 2.5); index 0 is any rate.
_MPEG1: Final = {
    1: (0, 32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    2: (0, 32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    3: (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
}
_LOWER: Final = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_MPEG2: Final = {1: (0, 32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256), 2: _LOWER, 3: _LOWER}
_RATES: Final = (44_100, 48_000, 32_000)


@dataclass(frozen=True, slots=True)
class Form:
    """What all frames of one stream share. `samples` are those of a frame and channel."""

    version: float
    layer: int
    rate: int
    channels: int

    def __str__(self) -> str:
        return f"{self.rate} Hz {'mono' if self.channels == 1 else 'stereo'}"

    @property
    def samples(self) -> int:
        if self.layer == 1:
            return 384
        return 1152 if self.layer == 2 or self.version == 1 else 576


@dataclass(slots=True)
class Stream:
    """The frames of a file, from the first to the last or to where another format begins.

    Attributes
    ----------
    form : Form
    frames : int
        Frames that are whole, without the one that holds the length header.
    promised : int or None
        How many the length header says there are.
    joints : int
        Places in the middle where another file's tag or length header stands.
    gaps : int
        Places in the middle where bytes are no frame.
    other : Form or None
        Format of the frames that follow the last one counted.
    is_cut : bool
        The last frame is not there whole, and nothing stands behind it.
    """

    form: Form
    frames: int = 0
    promised: int | None = None
    joints: int = 0
    gaps: int = 0
    other: Form | None = None
    is_cut: bool = False


class _Bytes:
    """A file's bytes anywhere, read in pieces."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.size = os.fstat(file.fileno()).st_size
        self._at, self._piece = 0, b""

    def read(self, at: int, length: int) -> bytes:
        begin = at - self._at
        if begin < 0 or begin + length > len(self._piece):
            self._file.seek(at)
            self._at, self._piece, begin = at, self._file.read(max(_WINDOW, length)), 0
        return self._piece[begin : begin + length]


def walk(file: BinaryIO, start: int) -> Stream | None:
    """The frames from `start` on, behind the tags before the sound; None where there are none.

    Raises
    ------
    OSError
        It cannot be read.
    """
    data = _Bytes(file)
    at = _next_frame(data, start)
    if at is None:
        return None
    found = _frame(data.read(at, 4))
    assert found is not None
    stream = Stream(found[0])
    promised = _length_header(data, at, stream.form)
    if promised is not None:
        stream.promised = promised or None
        at += found[1]
    while at < data.size:
        at = _run(data, at, stream)
        following = _behind(data, at, stream)
        if following is None:
            break
        at = following
    return stream


def _run(data: _Bytes, at: int, stream: Stream) -> int:
    """Count frames one behind the other; where they end."""
    form, read, frame = stream.form, data.read, _frame
    while True:
        found = frame(read(at, 4))
        if found is None or found[0] is not form:
            return at
        if at + found[1] > data.size:
            stream.is_cut = True
            return data.size
        stream.frames += 1
        at += found[1]


def _behind(data: _Bytes, at: int, stream: Stream) -> int | None:
    """Where frames go on behind what is no frame of this stream; None where they do not."""
    begin, tag = at, True
    while (length := _tag(data, at)) > 0:
        at += length
    following = _next_frame(data, at) if at < data.size else None
    if following is None:
        return None
    tag = at > begin
    found = _frame(data.read(following, 4))
    assert found is not None
    if found[0] is not stream.form:
        stream.other = found[0]
        return None
    if _length_header(data, following, stream.form) is not None:
        tag = True
        following += found[1]
    stream.joints += tag
    stream.gaps += not tag
    return following


def _next_frame(data: _Bytes, at: int) -> int | None:
    """Where the next frames begin, some in a row of one format; None where there are none."""
    while at < data.size:
        part = data.read(at, _WINDOW)
        for match in _HEADER.finditer(part):
            if _in_a_row(data, at + match.start()):
                return at + match.start()
        at += max(len(part) - 2, 1)
    return None


def _in_a_row(data: _Bytes, at: int) -> bool:
    first = _frame(data.read(at, 4))
    found = first
    for _ in range(_IN_A_ROW - 1):
        if first is None or found is None or found[0] is not first[0]:
            return False
        at += found[1]
        if at >= data.size:
            return at == data.size
        found = _frame(data.read(at, 4))
    return first is not None and found is not None and found[0] is first[0]


def _frame(head: bytes) -> tuple[Form, int] | None:
    """Format and length in bytes of the frame that begins with these four bytes; None where none does."""
    if len(head) < 4 or head[0] != 0xFF:
        return None
    return _parsed(head[1], head[2], head[3] >> 6 == 3)


_form = cache(Form)
"""Each format once, so that looking whether two are the same costs nothing."""


@cache
def _parsed(second: int, third: int, mono: bool) -> tuple[Form, int] | None:
    version, layer = second >> 3 & 3, 4 - (second >> 1 & 3)
    bits, rate = third >> 4, third >> 2 & 3
    if second >> 5 != 7 or version == 1 or layer == 4 or bits in (0, 15) or rate == 3:
        return None
    hertz = _RATES[rate] >> {3: 0, 2: 1, 0: 2}[version]
    form = _form({3: 1, 2: 2, 0: 2.5}[version], layer, hertz, 1 if mono else 2)
    kbits = (_MPEG1 if version == 3 else _MPEG2)[layer][bits]
    slot = 4 if layer == 1 else 1
    return form, (form.samples * kbits * 125 // (hertz * slot) + (third >> 1 & 1)) * slot


def _length_header(data: _Bytes, at: int, form: Form) -> int | None:
    """Frames that the length header in a frame's data counts; 0 where it counts none, None where there is none."""
    if form.layer != 3:
        return None
    side = {(True, 1): 17, (True, 2): 32, (False, 1): 9, (False, 2): 17}[form.version == 1, form.channels]
    read = data.read(at + 4 + side, 12)
    if read[:4] not in (b"Xing", b"Info"):
        return None
    return int.from_bytes(read[8:12], "big") if read[7:8] and read[7] & 1 else 0


def _tag(data: _Bytes, at: int) -> int:
    """Length of the tag that begins here; 0 where none does."""
    read = data.read(at, 32)
    if read[:3] == b"ID3" and len(read) >= 10:
        return id3_length(read)
    if read[:3] == b"TAG":
        return 128
    if read[:8] == b"APETAGEX" and len(read) == 32:
        return int.from_bytes(read[12:16], "little") + (32 if read[23] & 0x20 else 0)
    return 0


def id3_length(head: bytes) -> int:
    """Bytes of an ID3v2 tag by its first ten; 0 where none begins (ID3v2.4, section 3.1)."""
    if head[:3] != b"ID3" or len(head) < 10 or any(byte & 0x80 for byte in head[6:10]):
        return 0
    size = head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9]
    return size + (20 if head[5] & 0x10 else 10)
