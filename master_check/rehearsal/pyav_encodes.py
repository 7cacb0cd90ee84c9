"""AAC, AC-3 and E-AC-3, encoded and decoded by libavcodec through PyAV, with values above full scale kept.

They go into MP4, whose edit list says how late the sound comes, so that the decoder takes the delay out.
"""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from master_check.rehearsal.errors import RehearsalError
from master_check.rehearsal.feed import Feed, Stream, format_of
from master_check.sound.kept import Frames

if TYPE_CHECKING:
    import av

INSTALL: Final = "pip install 'sendoff[encodes]'"

_LAYOUTS: Final = {1: "mono", 2: "stereo", 6: "5.1"}
"""libavutil's names; its channel order is that of WAV."""

_ENCODINGS: Final = {"aac": "AAC", "ac3": "AC3", "eac3": "EAC3"}


def _library() -> Any:
    try:
        import av
    except ImportError:
        raise RehearsalError(f"needs PyAV: {INSTALL}") from None
    return av


def encode(feed: Feed, kind: str, kbps: float, frame: int, path: Path) -> str:
    """Write an encode; who made it, with its version.

    Raises
    ------
    RehearsalError
        PyAV is missing, or the encode cannot be written.
    """
    av = _library()
    layout = _LAYOUTS[feed.channels]
    try:
        with av.open(str(path), "w", format="mp4") as file:
            stream = file.add_stream(kind, rate=feed.rate, layout=layout)
            stream.bit_rate = round(1000.0 * kbps)
            at = 0
            for chunk in feed.chunks(more=2 * frame):  # or the encoder's delay would cut the end off
                given = av.AudioFrame.from_ndarray(np.ascontiguousarray(chunk.T), format="fltp", layout=layout)
                given.sample_rate, given.pts, given.time_base = feed.rate, at, Fraction(1, feed.rate)
                file.mux(stream.encode(given))
                at += len(chunk)
            file.mux(stream.encode(None))
    except (av.FFmpegError, OSError) as error:
        raise RehearsalError(f"the encode cannot be written to {path.parent} ({_reason(error)})") from None
    version = ".".join(map(str, av.library_versions["libavcodec"]))
    return f"libavcodec {version} in PyAV {av.__version__}"


def decoded(feed: Feed, kind: str, path: Path) -> Stream:
    """What an encode of a feed decodes to, as long as the feed."""
    return Stream(path.name, format_of(feed, "MP4", _ENCODINGS[kind], None), feed.frames, lambda: _pieces(path))


def _pieces(path: Path) -> Iterator[Frames]:
    av = _library()
    with av.open(str(path)) as file:
        for frame in file.decode(audio=0):
            yield np.ascontiguousarray(_samples(frame))


def _samples(frame: "av.AudioFrame") -> Any:
    if frame.format.name != "fltp":
        raise RehearsalError(f"its decoder gives {frame.format.name}, which does not keep values above full scale")
    return frame.to_ndarray().T


def _reason(error: BaseException) -> str:
    return str(getattr(error, "strerror", None) or error)
