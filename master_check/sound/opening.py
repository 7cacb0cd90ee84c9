"""Opening a sound file: whether it is one that can be measured, what its format is and what its channels feed.

Files are opened for reading only. Whatever is wrong with one becomes an `AudioError`: one line for the engineer.
"""

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import soundfile

from master_check.sound import libsndfile
from master_check.sound.flac import StreamInfo
from master_check.sound.format import AudioError, AudioFormat
from master_check.sound.structure import LinearSamples, Structure, StructureError, examine
from master_check.tables import layouts
from master_check.tables.layouts import Layout

RATES: Final = (8_000, 384_000)

MOST_CHANNELS: Final = 128
"""As many tracks as a delivery of immersive music may have (common practice)."""

CONTAINERS: Final = ("WAV", "WAVEX", "RF64", "BW64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3", "AU")
"""What records are delivered and archived in. Of the rarer ones that libsndfile reads besides, some make it print to
standard output, and some are any bytes at all under the right file name."""

UNKNOWN: Final = 2**63 - 1
"""Frames of a file that does not know its length."""

_STARTS: Final = (
    b"RIFF", b"RIFX", b"RF64", b"BW64", b"riff", b"FORM", b"caff", b"fLaC", b"OggS", b".snd", b"dns.", b"ID3",
)  # fmt: skip

_FRAMES_A_BYTE: Final = 8
"""More than any encoding of a fixed rate packs into a byte (GSM 06.10 has 320 samples in 65 bytes)."""

_FREE_RATE: Final = ("ALAC", "MPEG", "OPUS", "VORBIS")
"""How encodings begin that pack silence into next to nothing; FLAC is told by its container."""

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

_LINEAR: Final = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
"""Encodings whose every sample takes the same number of bytes."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A file whose samples can be read.

    Attributes
    ----------
    sound : soundfile.SoundFile
        Standing at the first sample.
    format : AudioFormat
    frames : int
        How many there are to be read; `UNKNOWN` where nobody knows.
    stream_info : StreamInfo or None
        Of a FLAC.
    notes : tuple of str
        What is odd without keeping it from being measured.
    """

    sound: soundfile.SoundFile
    format: AudioFormat
    frames: int
    stream_info: StreamInfo | None
    notes: tuple[str, ...]


def open_audio(path: Path, layout: Layout | None) -> Opened:
    """Open a file, and find out what there is to read.

    Raises
    ------
    AudioError
        It is not there, not a file, not sound, empty, cut short, in several pieces, or of an absurd format.
    """
    structure, size = _examined(path)
    sound, linear = _decoder(path, structure)
    try:
        if not linear and sound.format not in CONTAINERS:
            raise AudioError(path, f"not a sound file that sendoff can read ({', '.join(CONTAINERS)})")
        format = _format(path, sound, linear, layout)
        frames, notes = _frames(path, size, sound, structure, linear)
        return Opened(sound, format, frames, structure.stream_info, (*structure.notes, *notes))
    except OSError as error:
        sound.close()
        raise AudioError(path, f"cannot be read ({libsndfile.reason(error)})") from None
    except BaseException:
        sound.close()
        raise


def _examined(path: Path) -> tuple[Structure, int]:
    """What the file's structure says, if it is a file and may be sound; and its size in bytes."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise AudioError(path, "is a folder, not a sound file")
        if not stat.S_ISREG(mode):
            raise AudioError(path, "is not a regular file")
        with path.open("rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size == 0:
                raise AudioError(path, "is empty")
            if not _begins_as_sound(file.read(12), path.suffix):
                raise AudioError(path, f"not a sound file that sendoff can read ({', '.join(CONTAINERS)})")
            return examine(file), size
    except StructureError as error:
        raise AudioError(path, str(error)) from None
    except FileNotFoundError:
        raise AudioError(path, "no such file") from None
    except PermissionError:
        raise AudioError(path, "no permission to read it") from None
    except (OSError, ValueError) as error:
        raise AudioError(path, f"cannot be opened ({libsndfile.reason(error)})") from None


def _begins_as_sound(start: bytes, suffix: str) -> bool:
    """Whether libsndfile is to see a file that begins so; MP3 may have anything before its first frame."""
    if start.startswith(b"FORM"):
        return start[8:12] in (b"AIFF", b"AIFC")
    return start.startswith(_STARTS) or start[:1] == b"\xff" or suffix.lower() == ".mp3"


def _decoder(path: Path, structure: Structure) -> tuple[soundfile.SoundFile, LinearSamples | None]:
    """The decoder, and the samples it reads where libsndfile does not know the file's header."""
    try:
        try:
            return libsndfile.open_sound(path), None
        except soundfile.SoundFileError:
            linear = structure.linear
            if linear is None:
                raise
            _refuse_absurd(path, linear.format.rate, linear.format.channels)
            return libsndfile.open_samples(path, linear.start, linear.order, linear.format), linear
    except (soundfile.SoundFileError, RuntimeError, TypeError) as error:
        reason = libsndfile.reason(error)
        raise AudioError(path, f"damaged, or not a sound file that sendoff can read ({reason})") from None
    except (OSError, ValueError) as error:
        raise AudioError(path, f"cannot be opened ({libsndfile.reason(error)})") from None


def _format(path: Path, sound: soundfile.SoundFile, linear: LinearSamples | None, layout: Layout | None) -> AudioFormat:
    _refuse_absurd(path, sound.samplerate, sound.channels)
    if layout is not None and len(layout.labels) != sound.channels:
        raise AudioError(path, f"has {sound.channels} channels, but the layout {layout.name} has {len(layout.labels)}")
    labels = linear.format.labels if linear else libsndfile.labels(sound)
    layout = layout or _layout(labels) or layouts.of_count(sound.channels, ogg=sound.format == "OGG")
    return AudioFormat(
        container=linear.container if linear else sound.format,
        encoding=sound.subtype,
        rate=sound.samplerate,
        channels=sound.channels,
        layout=layout,
        bit_depth=_BITS.get(sound.subtype),
        floating=sound.subtype in ("FLOAT", "DOUBLE"),
    )


def _refuse_absurd(path: Path, rate: int, channels: int) -> None:
    if not RATES[0] <= rate <= RATES[1]:
        raise AudioError(
            path, f"has a sample rate of {rate} Hz, outside {RATES[0]} to {RATES[1]} Hz; is the header damaged?"
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise AudioError(path, f"has {channels} channels, outside 1 to {MOST_CHANNELS}; is the header damaged?")


def _layout(labels: tuple[str, ...]) -> Layout | None:
    """The layout of a file's own labels; None where it has none or unusable ones."""
    if len(labels) < 2 or len(set(labels)) < len(labels):  # a single channel is mono, though its mask says front centre
        return None
    # With one pair of surrounds, mask bits "back" and "side" mean the same two loudspeakers (5.1 by 0x3F or 0x60F).
    if not {"Lrs", "Lss"} <= set(labels):
        rename = {"Lrs": "Ls", "Rrs": "Rs", "Lss": "Ls", "Rss": "Rs"}
        labels = tuple(rename.get(label, label) for label in labels)
    return layouts.of_labels(labels)


def _frames(
    path: Path, size: int, sound: soundfile.SoundFile, structure: Structure, linear: LinearSamples | None
) -> tuple[int, tuple[str, ...]]:
    """How many frames there are, as far as decoder and structure agree; and what is to be said of it."""
    decoder = UNKNOWN if linear else int(sound.frames)
    frames = decoder if structure.frames is None else structure.frames
    if structure.sound_bytes is not None and sound.subtype in _LINEAR:
        frames = structure.sound_bytes // (sound.channels * _BITS[sound.subtype] // 8)
    fixed = sound.format != "FLAC" and not sound.subtype.startswith(_FREE_RATE)
    if fixed and frames > _FRAMES_A_BYTE * size:  # some decoders go on and on behind the end
        raise AudioError(
            path, f"cut short: {frames} frames expected, but the file has only {size} bytes; export or copy it again"
        )
    if frames > decoder + structure.frames_spare:
        problem = f"only {decoder} of its {frames} frames can be read: {structure.doubt}; export it again"
        raise AudioError(path, problem)
    promised = frames if structure.promised is None else structure.promised
    if promised > frames:
        raise AudioError(path, f"cut short: {promised} frames expected, {frames} found; export or copy it again")
    if promised < frames:
        return frames, (f"the header counts {promised} frames, but there are {frames}: all of them were measured",)
    return frames, ()
