"""Opening a sound file, knowing its format and layout, handing out its samples in blocks.

Files are opened for reading only. Whatever is wrong with one becomes an `AudioError`: one line for the engineer.
"""

import os
import re
import stat
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import cycle
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Final, NoReturn

import numpy as np
import soundfile
from numpy.typing import NDArray

from master_check.decibels import decibels
from master_check.sound.blocks import Block, Blocks, Samples
from master_check.sound.format import AudioError, AudioFormat
from master_check.tables import layouts
from master_check.tables.layouts import Layout
from master_check.text import clock

RATES: Final = (8_000, 384_000)

MOST_CHANNELS: Final = 128
"""As many tracks as a delivery of immersive music may have (common practice)."""

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
        self.name = str(path)
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
            what = f"is {decibels(level):.0f} dB above full scale" if np.isfinite(level) else "is not a number"
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
        if not 1 <= sound.channels <= MOST_CHANNELS:
            problem = f"has {sound.channels} channels; 1 to {MOST_CHANNELS} can be measured; wrong header?"
            raise AudioError(self.path, problem)
        if layout is not None and len(layout.labels) != sound.channels:
            raise AudioError(
                self.path, f"has {sound.channels} channels, the layout {layout.name} has {len(layout.labels)}"
            )
        layout = layout or _mask_layout(sound) or layouts.of_count(sound.channels, ogg=sound.format == "OGG")
        if layout is None:
            self.notes.append(
                f"no layout is known for {sound.channels} channels, so no loudness can be given; name it with --layout"
            )
        return AudioFormat(
            container=sound.format,
            encoding=sound.subtype,
            rate=sound.samplerate,
            channels=sound.channels,
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
