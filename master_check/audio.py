"""Opening a sound file, knowing its format and layout, handing out its samples in blocks.

Files are opened for reading only. Whatever is wrong with one becomes an `AudioError`: one line for the engineer.
"""

import os
import re
import stat
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import count, cycle
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Final, NoReturn, cast

import numpy as np
import soundfile
from numpy.typing import NDArray

from master_check import layouts
from master_check.audio_kernels import LOUDEST, lay_out
from master_check.layouts import Layout

HOPS_PER_SECOND: Final = 100
"""Energies and peaks are kept every 10 ms: fine enough for every window of EBU Tech 3341."""

PAST: Final = 4224
"""Samples before a block that stay readable in its buffer; meters that look back or ahead rely on them."""

BLOCK: Final = 300_000
"""Samples of all channels in a block, about: few enough for the processor's cache, and enough that what is done once
a block, with the interpreter locked, keeps no other thread waiting."""

RATES: Final = (8_000, 384_000)

CONTAINERS: Final = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3", "AU")
"""What records are delivered and archived in. Of the rarer ones that libsndfile reads besides, some make it print to
standard output, and some are any bytes at all under the right file name."""

_STARTS: Final = (b"RIFF", b"RIFX", b"RF64", b"riff", b"FORM", b"caff", b"fLaC", b"OggS", b".snd", b"dns.", b"ID3")

_FRAMES_A_BYTE: Final = 8
"""More than any encoding of a fixed rate packs into a byte (GSM 06.10 has 320 samples in 65 bytes)."""

_FREE_RATE: Final = ("ALAC", "MPEG", "OPUS", "VORBIS")
"""How encodings begin that pack silence into next to nothing; FLAC is told by its container."""

_OGG_PAGE: Final = 65_307
"""Bytes of the largest Ogg page (RFC 3533, section 6)."""

_PLAINER: Final = {
    "SF_INFO struct incomplete": "its header has no usable sample rate, channels or length",
    "possibly a pipe": "no sound is found in it",
}
"""What libsndfile says that would mislead, and what it means there."""

_W64_HEAD: Final = 24
"""Bytes of a W64 chunk's name and size, which its size counts too."""

_PROMISE: Final = re.compile(
    r"^ *(data|SSND|Data [Ss]ize|[Rr]iff(?: size)?) *: (\d+)(?: \(should be (\d+)\))?$", re.MULTILINE
)
"""A size in libsndfile's log of a header, and what it can be at most where that is less."""

_UNKNOWN: Final = 2**63 - 1
"""Frames of a FLAC written into a pipe, which does not know its length (RFC 9639, section 8.2)."""

_BITS: Final = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": 32,
    "DOUBLE": 64,
    "ALAC_16": 16,
    "ALAC_20": 20,
    "ALAC_24": 24,
    "ALAC_32": 32,
}

# What libsndfile's SFC_GET_CHANNEL_MAP_INFO calls loudspeakers (sndfile.h, enum SF_CHANNEL_MAP_*), as labels.
_CHANNEL_MAP: Final = {
    1: "M",
    2: "L",
    3: "R",
    4: "C",
    5: "L",
    6: "R",
    7: "C",
    8: "Cs",
    9: "Lrs",
    10: "Rrs",
    11: "LFE",
    12: "Lc",
    13: "Rc",
    14: "Lss",
    15: "Rss",
    16: "T",
    17: "Ltf",
    18: "Rtf",
    19: "Ctf",
    20: "Ltr",
    21: "Rtr",
    22: "Ctr",
}
_GET_CHANNEL_MAP: Final = 0x1100


Samples = NDArray[np.float32] | NDArray[np.int32]


class AudioError(Exception):
    """A file that cannot be measured: which one, what is wrong, what to do, in one line."""

    def __init__(self, path: str | Path, problem: str) -> None:
        super().__init__(f"{path}: {problem}")
        self.path = str(path)
        self.problem = problem


@dataclass(frozen=True, slots=True)
class AudioFormat:
    """What a file says about itself.

    Attributes
    ----------
    container, encoding : str
        libsndfile's names, such as `WAV` and `PCM_24`.
    rate : int
        Sample rate in Hz.
    layout : Layout
        One loudspeaker a channel.
    bit_depth : int or None
        Word length in bits; None for lossy encodings.
    floating : bool
        Samples are floating-point numbers, so values above full scale are kept.
    """

    container: str
    encoding: str
    rate: int
    layout: Layout
    bit_depth: int | None = None
    floating: bool = False

    @property
    def channels(self) -> int:
        return len(self.layout.labels)


@dataclass(slots=True)
class Block:
    """Consecutive frames of a file, whole 10 ms hops but for the last; the arrays are reused for the next block.

    Attributes
    ----------
    buffer : (channels, PAST + capacity) float32, C-contiguous
        A row a channel. Columns PAST to PAST + length are this block, the PAST columns before it the samples
        before it (zeros before the start of the file). Full scale is 1.0; every value is finite.
    length : int
        Frames in this block.
    start : int
        Number of its first frame in the file.
    edges : (hops + 1,) int64
        Where its 10 ms hops begin, counted from the block's first frame; the last entry is `length`.
    tops : (channels, hops) float32
        Largest magnitude of every hop.
    zeros : (channels, hops) int32
        Samples of every hop that are exactly zero.
    words : (length, channels) int32 or None
        The samples as they are stored, of files with words of 32 bits, which float32 cannot hold.
    """

    buffer: NDArray[np.float32]
    length: int
    start: int
    edges: NDArray[np.int64]
    tops: NDArray[np.float32]
    zeros: NDArray[np.int32]
    words: NDArray[np.int32] | None = None

    @property
    def frames(self) -> NDArray[np.float32]:
        """This block's samples, (channels, length): a view into `buffer`."""
        return self.buffer[:, PAST : PAST + self.length]


def hop_edges(rate: int, first_hop: int, hops: int) -> NDArray[np.int64]:
    """Sample numbers at which `hops` consecutive 10 ms hops begin, and where the last ends."""
    return np.arange(first_hop, first_hop + hops + 1, dtype=np.int64) * rate // HOPS_PER_SECOND


class Blocks:
    """Lays interleaved samples out as `Block`s: the one way by which samples reach the meters."""

    def __init__(self, rate: int, channels: int, hops: int | None = None) -> None:
        self.rate = rate
        hops = hops or max(1, BLOCK * HOPS_PER_SECOND // (rate * channels))
        self.hops = hops
        capacity = -(-rate * hops // HOPS_PER_SECOND)
        self._buffer = np.zeros((channels, PAST + capacity), np.float32)
        self._tops = np.zeros((channels, hops), np.float32)
        self._zeros = np.zeros((channels, hops), np.int32)
        self._hop = 0
        self._length = 0

    def sizes(self) -> Iterator[int]:
        """Frames that one block after the other takes, unless the file ends before."""
        for hop in count(0, self.hops):
            edges = hop_edges(self.rate, hop, self.hops)
            yield int(edges[-1] - edges[0])

    def lay(self, interleaved: Samples) -> Block:
        """The next block from (frames, channels) samples.

        Raises
        ------
        ValueError
            A sample is NaN, infinite or beyond `LOUDEST`; `args` are its frame number in the file and magnitude.
        """
        length = len(interleaved)
        edges = hop_edges(self.rate, self._hop, self.hops)
        start = int(edges[0])
        edges = np.append(edges[:-1][edges[:-1] < start + length], start + length) - start
        self._buffer[:, :PAST] = self._buffer[:, self._length : self._length + PAST].copy()
        scale = np.float32(2.0**-31 if interleaved.dtype == np.int32 else 1.0)
        bits, tops = self._buffer.view(np.int32), self._tops.view(np.int32)
        largest = lay_out(interleaved.reshape(-1), self._buffer, bits, PAST, scale, edges, tops, self._zeros)
        if largest > LOUDEST.view(np.int32):
            levels = np.abs(self._buffer[:, PAST : PAST + length]).max(axis=0)
            at = int(np.argmin(levels <= LOUDEST))  # NaN is not
            raise ValueError(start + at, float(levels[at]))
        hops = len(edges) - 1
        self._hop += self.hops
        self._length = length
        words = cast(NDArray[np.int32], interleaved) if interleaved.dtype == np.int32 else None
        return Block(self._buffer, length, start, edges, self._tops[:, :hops], self._zeros[:, :hops], words)


def blocks_of(frames: NDArray[np.float32], rate: int, hops: int | None = None) -> Iterator[Block]:
    """Samples in memory, (n, channels) float32, as the blocks that meters take."""
    blocks = Blocks(rate, frames.shape[1], hops)
    at = 0
    for size in blocks.sizes():
        if at >= len(frames):
            break
        yield blocks.lay(np.ascontiguousarray(frames[at : at + size], np.float32))
        at += size


class AudioFile:
    """A sound file open for reading.

    Parameters
    ----------
    path : str or path
        Anything libsndfile reads.
    layout : Layout, optional
        What the engineer says the channels are, in place of what the file says.

    Raises
    ------
    AudioError
        It is not there, not a file, not sound, empty, cut short, or of an absurd format.

    Attributes
    ----------
    notes : list of str
        What was odd about the file without keeping it from being read; complete once the blocks are through.
    """

    def __init__(self, path: str | Path, layout: Layout | None = None) -> None:
        self.path = Path(path)
        self.notes: list[str] = []
        self._most = _UNKNOWN
        self._sound = _open(self.path)
        self._using = Lock()  # a thread that reads ahead must not have the file closed under it
        try:
            self.format = self._read_format(layout)
            self._check_length()
        except OSError as error:
            self._sound.close()
            raise AudioError(self.path, f"cannot be read ({_reason(error)})") from None
        except BaseException:
            self._sound.close()
            raise

    def __enter__(self) -> "AudioFile":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._using:
            self._sound.close()

    @property
    def frames(self) -> int:
        """Frames the file promises; as many as can be counted where it cannot know."""
        return min(int(self._sound.frames), self._most)

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last, `hops` hops of 10 ms at a time; about `BLOCK` samples if not said.

        With `ahead`, each is decoded by another thread while the one before is worked on.

        Raises
        ------
        AudioError
            The file ends early, cannot be decoded, or holds a sample that is no number.
        """
        blocks = Blocks(self.format.rate, self.format.channels, hops)
        pieces = self._pieces(blocks, 2 if ahead else 1)
        for piece in _one_ahead(pieces) if ahead else pieces:
            yield self._laid(blocks, piece)

    def _pieces(self, blocks: Blocks, turns: int) -> Iterator[Samples]:
        """The samples of one block after the other, in so many arrays in turn."""
        shape = (next(blocks.sizes()) + 1, self.format.channels)
        whole = self._sound.subtype == "PCM_32"
        arrays = [np.empty(shape, np.int32) if whole else np.empty(shape, np.float32) for _ in range(turns)]
        read = 0
        for size, array in zip(blocks.sizes(), cycle(arrays), strict=False):
            # Never past the promised end: there a decoder would take a tag behind the sound for damage.
            size = min(size, self.frames - read)
            piece = self._read(array[:size], read)
            read += len(piece)
            if len(piece):
                yield piece
            if not size or len(piece) < size:
                break
        self._check_end(read)

    def _laid(self, blocks: Blocks, piece: Samples) -> Block:
        try:
            return blocks.lay(piece)
        except ValueError as error:
            frame, level = error.args
            where = f"a sample at {clock(frame / self.format.rate)} (frame {frame})"
            what = f"is {20.0 * np.log10(level):.0f} dB above full scale" if np.isfinite(level) else "is not a number"
            raise AudioError(self.path, f"{where} {what}; export it again") from None

    def _check_end(self, read: int) -> None:
        end = clock(read / self.format.rate)
        if not read:
            raise AudioError(self.path, "holds no samples")
        if self.frames == _UNKNOWN or read >= self.frames:
            return
        missing = (self.frames - read) / self.format.rate
        # MP3 keeps its length as a hint only, and its decoder skips frames it cannot use.
        if self.format.container not in ("MP3", "MPEG") or missing > max(0.01 * self.frames / self.format.rate, 0.1):
            raise AudioError(
                self.path,
                f"cut short: {self.frames} frames promised, sound ends at {end}; export or copy it again",
            )
        if missing > 0.1:
            self.notes.append(
                f"{missing:.3f} s shorter than promised: frames that cannot be decoded, or a wrong length tag"
            )

    def read_all(self) -> NDArray[np.float32]:
        """All samples at once, (frames, channels) float32: for comparing, planning and pictures, not for metering."""
        parts = [block.frames.T.copy() for block in self.blocks()]
        return np.concatenate(parts)

    def _read(self, into: Samples, at: int) -> Samples:
        """Samples straight from libsndfile: soundfile would seek after every read, which takes time, makes MP3 decoders
        stumble and fails at the end of a FLAC that does not know its length."""
        kind = "int" if into.dtype == np.int32 else "float"
        function = soundfile._snd.sf_readf_int if kind == "int" else soundfile._snd.sf_readf_float
        with self._using:
            read = int(function(self._sound._file, soundfile._ffi.cast(f"{kind} *", into.ctypes.data), len(into)))
            code = soundfile._snd.sf_error(self._sound._file)
        if code:
            where = clock((at + read) / self.format.rate)
            reason = _reason(soundfile.LibsndfileError(code))
            raise AudioError(self.path, f"damaged after {where} ({reason}); export or copy it again")
        return into[:read]

    def _read_format(self, layout: Layout | None) -> AudioFormat:
        sound = self._sound
        if sound.format not in CONTAINERS:
            raise AudioError(self.path, f"not a sound file this tool can read ({', '.join(CONTAINERS)})")
        if not RATES[0] <= sound.samplerate <= RATES[1]:
            raise AudioError(
                self.path,
                f"a sample rate of {sound.samplerate} Hz is outside {RATES[0]} to {RATES[1]} Hz; wrong header?",
            )
        if not 1 <= sound.channels <= len(layouts.LOUDSPEAKERS):
            most = len(layouts.LOUDSPEAKERS)
            raise AudioError(self.path, f"has {sound.channels} channels; 1 to {most} can be measured; wrong header?")
        if layout is not None and len(layout.labels) != sound.channels:
            raise AudioError(
                self.path, f"has {sound.channels} channels, the layout {layout.name} has {len(layout.labels)}"
            )
        layout = layout or _mask_layout(sound) or layouts.of_count(sound.channels, ogg=sound.format == "OGG")
        if layout is None:
            raise AudioError(
                self.path,
                f"has {sound.channels} channels and no layout is known for them; say which with --layout",
            )
        return AudioFormat(
            container=sound.format,
            encoding=sound.subtype,
            rate=sound.samplerate,
            layout=layout,
            bit_depth=_BITS.get(sound.subtype),
            floating=sound.subtype in ("FLOAT", "DOUBLE"),
        )

    def _check_length(self) -> None:
        """libsndfile mends a length that is larger than the file without a word, so its log is read for it."""
        log = self._sound.extra_info
        log = log[log.find("\nLength :") :]  # the file's name comes first, and could be anything
        size = re.match(r"\nLength : (\d+)", log)
        for match in _PROMISE.finditer(log):
            promised, there = int(match[2]), int(match[3] or (size[1] if size else match[2]))
            spare = 8 if "iff" in match[1] else 0  # sizes of whole files may count padding that is not there
            # A program that writes into a pipe cannot know the size and says all ones: no promise broken.
            if there + spare < promised and not 0xFFFFFF00 <= promised <= 0xFFFFFFFF:
                self._cut_short(f"{promised} bytes promised, {there} there")
        valid = re.search(r"(?m)^ *Valid frames\s*: (\d+)", log)  # of a CAF of packets
        if valid and int(valid[1]) > self.frames:
            self._cut_short(f"{valid[1]} frames promised, {self.frames} there")
        there = self.path.stat().st_size
        fixed = self._sound.format != "FLAC" and not self._sound.subtype.startswith(_FREE_RATE)
        if fixed and self.frames > _FRAMES_A_BYTE * there:  # some decoders go on and on behind the end
            self._cut_short(f"{self.frames} frames promised, {there} bytes there")
        if self._sound.format == "W64":
            self._most = self._w64_frames(log)
        if self._sound.format == "OGG" and not _ogg_ends(self.path):
            self._cut_short("the Ogg stream's end is missing")

    def _w64_frames(self, log: str) -> int:
        """libsndfile takes chunks behind a W64's data for sound, so the data's own size tells where it ends."""
        data, align = (re.search(rf"(?m)^ *{name} *: (\d+)$", log) for name in ("data", "Block Align"))
        if not data or not align or not int(align[1]) or self._sound.subtype not in _BITS:
            return _UNKNOWN
        return (int(data[1]) - _W64_HEAD) // int(align[1]) if int(data[1]) > _W64_HEAD else _UNKNOWN

    def _cut_short(self, how: str) -> NoReturn:
        raise AudioError(self.path, f"cut short: {how}; export or copy it again")


def _one_ahead(pieces: Iterator[Samples]) -> Iterator[Samples]:
    """The same pieces, each made by another thread while the one before is worked on."""
    with ThreadPoolExecutor(1) as thread:
        coming = thread.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = thread.submit(next, pieces, None)
            yield piece


def _open(path: Path) -> soundfile.SoundFile:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise AudioError(path, "is a folder, not a sound file")
        if not stat.S_ISREG(mode):
            raise AudioError(path, "is not a regular file")
        if path.stat().st_size == 0:
            raise AudioError(path, "is empty")
        with path.open("rb") as file:
            if not _begins_as_sound(file.read(12), path.suffix):
                raise AudioError(path, f"not a sound file this tool can read ({', '.join(CONTAINERS)})")
        name = f"./{path}" if str(path) == "-" else str(path)  # "-" alone is standard input to libsndfile
        return soundfile.SoundFile(os.fsencode(name) if os.name == "posix" else name)
    except FileNotFoundError:
        raise AudioError(path, "no such file") from None
    except PermissionError:
        raise AudioError(path, "no permission to read it") from None
    except (OSError, ValueError) as error:
        raise AudioError(path, f"cannot be opened ({_reason(error)})") from None
    except (soundfile.SoundFileError, RuntimeError, TypeError) as error:
        raise AudioError(path, f"damaged, or not a sound file this tool can read ({_reason(error)})") from None


def _begins_as_sound(start: bytes, suffix: str) -> bool:
    """Whether libsndfile is to see a file that begins so; MP3 may have anything before its first frame."""
    if start.startswith(b"FORM"):
        return start[8:12] in (b"AIFF", b"AIFC")
    return start.startswith(_STARTS) or start[:1] == b"\xff" or suffix.lower() == ".mp3"


def _ogg_ends(path: Path) -> bool:
    """Whether an Ogg file's last page is there whole and says that it is the last (RFC 3533, section 6)."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _OGG_PAGE))
        tail = file.read(_OGG_PAGE)
    page = tail[tail.rfind(b"OggS") :]
    segments = page[27 : 27 + page[26]] if len(page) > 27 else b""
    return bool(segments) and bool(page[5] & 4) and len(page) >= 27 + len(segments) + sum(segments)


def _reason(error: BaseException) -> str:
    """An outside library's or the system's words, short and on one line."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    if isinstance(error, soundfile.LibsndfileError):
        text = error.error_string
    for words, plainer in _PLAINER.items():
        text = plainer if words in text else text
    return " ".join(text.split()).rstrip(".")


def _mask_layout(sound: soundfile.SoundFile) -> Layout | None:
    """The layout from the file's channel mask; None where it has none or an unusable one."""
    if not 1 < sound.channels <= 64:  # a single channel is mono, though its mask says front centre
        return None
    found = soundfile._ffi.new("int[]", sound.channels)
    size = soundfile._ffi.sizeof("int") * sound.channels
    if not soundfile._snd.sf_command(sound._file, _GET_CHANNEL_MAP, found, size):
        return None
    labels: Sequence[str | None] = [_CHANNEL_MAP.get(int(number)) for number in found]
    if None in labels or len(set(labels)) < len(labels):
        return None
    names = [str(label) for label in labels]
    # With one pair of surrounds, mask bits "back" and "side" mean the same two loudspeakers (5.1 by 0x3F or 0x60F).
    if not {"Lrs", "Lss"} <= set(names):
        rename = {"Lrs": "Ls", "Rrs": "Rs", "Lss": "Ls", "Rss": "Rs"}
        names = [rename.get(name, name) for name in names]
    return layouts.of_labels(names)


def clock(seconds: float) -> str:
    """A time in a file: m:ss.mmm, or h:mm:ss.mmm from an hour on."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 1000:02d}.{rest % 1000:03d}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"
