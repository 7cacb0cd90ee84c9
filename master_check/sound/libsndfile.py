"""All that goes beyond soundfile's public face, in one place.

soundfile reads a block, then seeks to where it is already: that takes time, makes MP3 decoders stumble, and fails at
the end of a FLAC that does not know its length. And it tells neither what loudspeakers channels feed, nor lets samples
be read from a given place in a file whose header libsndfile does not know.
"""

import os
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile

from master_check.sound.blocks import Samples
from master_check.sound.wave_format import WaveFormat

_SET_RAW_START_OFFSET: Final = 0x1090
_GET_CHANNEL_MAP_INFO: Final = 0x1100

# What SFC_GET_CHANNEL_MAP_INFO calls loudspeakers (sndfile.h, enum SF_CHANNEL_MAP_*), as labels.
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

_PLAINER: Final = {
    "SF_INFO struct incomplete": "its header has no usable sample rate, channels or length",
    "possibly a pipe": "no sound is found in it",
}
"""What libsndfile says that would mislead, and what it means there."""


class DecodingError(Exception):
    """The decoder gave up.

    Attributes
    ----------
    read : int
        Frames that it gave before.
    """

    def __init__(self, reason: str, read: int) -> None:
        super().__init__(reason)
        self.read = read


def open_sound(path: Path) -> soundfile.SoundFile:
    """A sound file, as its header says.

    Raises
    ------
    soundfile.SoundFileError, RuntimeError, TypeError
        libsndfile does not read it.
    """
    return soundfile.SoundFile(_name(path))


def open_samples(path: Path, start: int, order: str, format: WaveFormat) -> soundfile.SoundFile:
    """Linear samples from byte `start` of a file on, whatever its header is; the file's end is taken for theirs.

    Raises
    ------
    soundfile.SoundFileError, RuntimeError, TypeError
        libsndfile does not read them.
    """
    sound = soundfile.SoundFile(
        _name(path),
        samplerate=format.rate,
        channels=format.channels,
        subtype=format.encoding,
        endian=order.upper(),
        format="RAW",
    )
    offset = soundfile._ffi.new("sf_count_t *", start)
    soundfile._snd.sf_command(sound._file, _SET_RAW_START_OFFSET, offset, soundfile._ffi.sizeof("sf_count_t"))
    sound.seek(0)
    return sound


def _name(path: Path) -> Any:
    name = f"./{path}" if str(path) == "-" else str(path)  # "-" alone is standard input to libsndfile
    return os.fsencode(name) if os.name == "posix" else name


def read_into(sound: soundfile.SoundFile, into: Samples) -> int:
    """Fill an array, (frames, channels), C-contiguous, with the next samples; how many frames there were.

    Raises
    ------
    DecodingError
        The decoder found something wrong.
    """
    kind = "int" if into.dtype == np.int32 else "float"
    function = soundfile._snd.sf_readf_int if kind == "int" else soundfile._snd.sf_readf_float
    read = int(function(sound._file, soundfile._ffi.cast(f"{kind} *", into.ctypes.data), len(into)))
    code = soundfile._snd.sf_error(sound._file)
    if code:
        raise DecodingError(reason(soundfile.LibsndfileError(code)), read)
    return read


def labels(sound: soundfile.SoundFile) -> tuple[str, ...]:
    """What loudspeaker each channel feeds, as the file says; empty where it does not, or not so that it can be used."""
    if not 1 < sound.channels <= 64:  # a single channel is mono, though its mask says front centre
        return ()
    found = soundfile._ffi.new("int[]", sound.channels)
    size = soundfile._ffi.sizeof("int") * sound.channels
    if not soundfile._snd.sf_command(sound._file, _GET_CHANNEL_MAP_INFO, found, size):
        return ()
    named = tuple(_CHANNEL_MAP.get(int(number), "") for number in found)
    return named if all(named) else ()


def reason(error: BaseException) -> str:
    """libsndfile's or the system's words, short and on one line."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    if isinstance(error, soundfile.LibsndfileError):
        text = error.error_string
    for words, plainer in _PLAINER.items():
        text = plainer if words in text else text
    return " ".join(text.split()).removeprefix("Error : ").rstrip(".")
