"""MP3, Ogg Vorbis and Opus, encoded and decoded by libsndfile, with values above full scale kept.

libsndfile takes no bit rate but a compression level from 0 to 1, which means another thing in each encoding.
"""

import re
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile

from master_check.rehearsal.errors import RehearsalError
from master_check.rehearsal.feed import Feed
from master_check.sound.libsndfile import reason

_FORMATS: Final = {"mp3": ("MP3", "MPEG_LAYER_III"), "vorbis": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS")}

_VORBIS_KBPS: Final = (64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 500)
"""Nominal bit rate of stereo at 44.1 kHz at quality 0, 0.1 ... 1 (libvorbis's own table; from memory)."""

_MAKERS: Final = (
    (re.compile(rb"LAME(\d[\d.]*)"), "LAME"),
    (re.compile(rb"libVorbis I (\d+)"), "libVorbis"),
    (re.compile(rb"libopus (\d[\w.\-]*)"), "libopus"),
)
"""How encoders sign what they write."""

_HEAD: Final = 16_384
"""Bytes in which the signature is found."""


def encode(feed: Feed, kind: str, kbps: float, path: Path) -> str:
    """Write an encode; who made it, with its version.

    Raises
    ------
    RehearsalError
        It cannot be written.
    """
    container, encoding = _FORMATS[kind]
    constant: dict[str, Any] = {"bitrate_mode": "CONSTANT"} if kind == "mp3" else {}
    try:
        with soundfile.SoundFile(
            path, "w", feed.rate, feed.channels, encoding, format=container,
            compression_level=_level(kind, kbps, feed.channels), **constant,
        ) as file:  # fmt: skip
            for chunk in feed.chunks():
                file.write(chunk)
        with path.open("rb") as written:
            return _signature(written.read(_HEAD))
    except (RuntimeError, OSError) as error:
        raise RehearsalError(f"the encode cannot be written to {path.parent} ({reason(error)})") from None


def _level(kind: str, kbps: float, channels: int) -> float:
    if kind == "mp3":  # 320 kbit/s down to 32 (measured)
        level = (320.0 - kbps) / 288.0
    elif kind == "opus":  # 6 kbit/s, and 250 more for each channel (libsndfile's ogg_opus.c)
        level = 1.0 - (kbps - 6.0) / (250.0 * channels)
    else:
        stereo = kbps * 2.0 / channels
        level = 1.0 - float(np.interp(stereo, _VORBIS_KBPS, np.linspace(0.0, 1.0, len(_VORBIS_KBPS))))
    return min(max(level, 0.0), 1.0)


def _signature(head: bytes) -> str:
    made = f"libsndfile {soundfile.__libsndfile_version__}"
    for pattern, name in _MAKERS:
        if found := pattern.search(head):
            return f"{name} {found[1].decode('ascii').rstrip('.')} in {made}"
    return made
