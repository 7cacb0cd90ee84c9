"""What a FLAC says about itself: its STREAMINFO, where its last frame ends, the MD5 of its samples (RFC 9639)."""

import hashlib
import os
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

_STREAMINFO: Final = 42
"""Bytes of the marker, the first metadata block's header and the block (section 8.2)."""

_HEADER: Final = 16
"""Bytes of the longest frame header (section 9.1)."""

_WINDOWS: Final = (1 << 16, 1 << 18)
"""Bytes at the end looked through for the last frame; the more where the fewer hold none."""

_TRIED: Final = 3
"""Frames tried from the last on: sound may look like the header of one, hardly ever twice in a row."""

_PLACES: Final = 4
"""Frames looked at on the way through the file, to see that they count upwards."""


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """The first metadata block (section 8.2).

    Attributes
    ----------
    frames : int or None
        Samples a channel; None where the writer did not know.
    md5 : bytes or None
        Of the samples; None where the writer did not compute it.
    """

    rate: int
    channels: int
    bits: int
    frames: int | None
    md5: bytes | None


@dataclass(frozen=True, slots=True)
class _Frame:
    """A frame's header: where it stands in the file, its first sample, its samples a channel, what its format is."""

    at: int
    first: int
    length: int
    form: bytes


def stream_info(file: BinaryIO, start: int) -> StreamInfo | None:
    """The STREAMINFO of a FLAC whose marker stands at `start`; None where there is none."""
    file.seek(start)
    read = file.read(_STREAMINFO)
    if len(read) < _STREAMINFO or read[:4] != b"fLaC" or read[4] & 0x7F:
        return None
    packed = int.from_bytes(read[18:26], "big")
    frames, md5 = packed & 0xF_FFFF_FFFF, read[26:42]
    return StreamInfo(
        rate=packed >> 44,
        channels=(packed >> 41 & 7) + 1,
        bits=(packed >> 36 & 31) + 1,
        frames=frames or None,
        md5=md5 if any(md5) else None,
    )


def frames_there(file: BinaryIO, start: int, expected: int | None) -> int | None:
    """Samples a channel up to the end of the last frame in the file.

    Parameters
    ----------
    file : binary file
        Open for reading.
    start : int
        Where the FLAC's marker stands.
    expected : int or None
        How many there should be: what agrees with it is taken without checking the frame's own checksum.

    Returns
    -------
    int or None
        None where no frame is found, or none that can be trusted.
    """
    first = _first_frame(file, start)
    if first is None:
        return None
    size = os.fstat(file.fileno()).st_size
    for window in _WINDOWS:
        begin = max(first.at, size - window)
        file.seek(begin)
        tail = file.read(window)
        found = _frames(tail, begin, first)
        for frame in found[: -_TRIED - 1 : -1]:
            end = frame.first + frame.length
            if end == expected or _is_frame(tail[frame.at - begin :]):
                return end
        if found or begin == first.at:
            break
    return None


def counts_upwards(file: BinaryIO, start: int) -> bool:
    """Whether frames in a few places of the file are numbered upwards; they are not where two files were joined."""
    first = _first_frame(file, start)
    size = os.fstat(file.fileno()).st_size
    if first is None:
        return True
    seen = first
    for place in range(1, _PLACES):
        begin = first.at + (size - first.at) * place // _PLACES
        file.seek(begin)
        part = file.read(_WINDOWS[0])
        for frame, following in pairwise(_frames(part, begin, first)):
            if following.first == frame.first + frame.length:  # two in a row are no accident
                if frame.at > seen.at and frame.first <= seen.first:
                    return False
                seen = frame
                break
    return True


def _first_frame(file: BinaryIO, start: int) -> _Frame | None:
    """The first frame, behind the metadata blocks (section 8.1)."""
    at = start + 4
    for _ in range(1000):
        file.seek(at)
        head = file.read(4)
        if len(head) < 4:
            return None
        at += 4 + int.from_bytes(head[1:], "big")
        if head[0] & 0x80:
            break
    file.seek(at)
    return _parse(file.read(_HEADER), 0, at)


def _frames(part: bytes, begin: int, like: _Frame) -> list[_Frame]:
    """Frame headers in a part of the file, of the same format as another; one may be sound that looks like one."""
    sync = like.form[:2]
    found = []
    at = part.find(sync)
    while at >= 0:
        frame = _parse(part, at, begin + at, like)
        if frame is not None:
            found.append(frame)
        at = part.find(sync, at + 1)
    return found


def _parse(part: bytes, at: int, place: int, like: _Frame | None = None) -> _Frame | None:
    """A frame header (section 9.1); None where there is none, or one of another rate or word length than `like`."""
    head = part[at : at + _HEADER]
    if len(head) < 6 or head[0] != 0xFF or head[1] & 0xFE != 0xF8:
        return None
    form = bytes((head[0], head[1], head[2] & 0x0F, head[3] & 0x0F))
    if (like and form != like.form) or head[3] >> 4 > 10 or head[3] & 1:
        return None
    ones = next((n for n in range(8) if not head[4] >> (7 - n) & 1), 8)
    if ones in (1, 8):
        return None
    number = head[4] & (0x7F >> ones)
    end = 5 + max(ones - 1, 0)
    for byte in head[5:end]:
        if byte & 0xC0 != 0x80:
            return None
        number = number << 6 | byte & 0x3F
    sizes = {6: 1, 7: 2}.get(head[2] >> 4, 0)
    length = int.from_bytes(head[end : end + sizes], "big") + 1 if sizes else _block_size(head[2] >> 4)
    end += sizes + {12: 1, 13: 2, 14: 2}.get(head[2] & 15, 0)
    if end >= len(head) or not length or _crc8(head[:end]) != head[end]:
        return None
    block = like.length if like else length  # frames of one size are counted, of several their samples are
    return _Frame(place, number if head[1] & 1 else number * block, length, form)


def _block_size(code: int) -> int:
    """Samples a channel of a frame, by the code in its header (section 9.1.1)."""
    if code == 1:
        return 192
    if 2 <= code <= 5:
        return 144 << code
    return 1 << code if code >= 8 else 0


def _table(polynomial: int, bits: int) -> list[int]:
    top, mask = 1 << bits - 1, (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte << bits - 8
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value & top else 0)) & mask
        table.append(value)
    return table


_CRC8: Final = _table(0x07, 8)
_CRC16: Final = _table(0x8005, 16)


def _crc8(data: bytes) -> int:
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return value


def _is_frame(data: bytes) -> bool:
    """Whether a frame fills these bytes, but for a tag of 128 bytes behind it: its last two are its checksum."""
    if len(data) > 128 and data[-128:-125] == b"TAG":
        data = data[:-128]
    value = 0
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ _CRC16[value >> 8 ^ byte]
    return value == 0


_AT_ONCE: Final = 1 << 14
"""Samples hashed at a time: so few stay in the processor's cache."""


class SampleChecksum:
    """MD5 of samples as a FLAC's encoder took it: interleaved, little-endian, in whole bytes (section 8.2)."""

    def __init__(self, info: StreamInfo) -> None:
        self._expected = info.md5
        self._bytes = -(-info.bits // 8)
        self._scale = np.float32(2.0 ** (info.bits - 1))
        self._digest = hashlib.md5(usedforsecurity=False)

    def feed(self, samples: NDArray[np.float32] | NDArray[np.int32]) -> None:
        """The next samples, interleaved floats; full scale is 1.0."""
        flat = samples.reshape(-1)
        for at in range(0, len(flat), _AT_ONCE):
            words = (flat[at : at + _AT_ONCE] * self._scale).astype("<i4")
            if self._bytes == 3:
                self._digest.update(_packed(words))
            else:
                self._digest.update(words.astype(f"<i{self._bytes}").data)

    def agrees(self) -> bool:
        return self._digest.digest() == self._expected


def _packed(words: NDArray[np.int32]) -> bytes:
    """The lower three bytes of every word, one after the other: four words at a time make three whole ones."""
    rest = words[len(words) // 4 * 4 :]
    a, b, c, d = (words[: len(words) - len(rest)].view("<u4").reshape(-1, 4) & np.uint32(0xFFFFFF)).T
    out = np.empty((len(a), 3), "<u4")
    out[:, 0] = a | b << 24
    out[:, 1] = b >> 8 | c << 16
    out[:, 2] = c >> 16 | d << 8
    return out.tobytes() + b"".join(int(word).to_bytes(4, "little", signed=True)[:3] for word in rest)
