"""What a second decoder, ffmpeg's, makes of a file."""

import json
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heard:
    """A file as a decoder heard it.

    Attributes
    ----------
    codec : str
        Empty where it found no sound.
    rate, channels, frames : int
    peaks, powers : (channels,) float
        Largest magnitude and mean square of every channel; full scale is 1.0.
    complaint : str
        What it found wrong; empty if nothing.
    """

    codec: str
    rate: int
    channels: int
    frames: int
    peaks: Floats
    powers: Floats
    complaint: str = ""


NOTHING = Heard("", 0, 0, 0, np.zeros(0), np.zeros(0), "no sound found")


def heard(path: Path) -> Heard:
    """Decode a file's first stream of sound to the end."""
    stream = _stream(path)
    if stream is None:
        return NOTHING
    channels = int(stream["channels"])
    # Its own Opus decoder gives other peaks than the reference (RFC 6716 does not ask for the same samples).
    decoder = ["-c:a", "libopus"] if stream["codec_name"] == "opus" else []
    command = ["ffmpeg", "-nostdin", "-v", "error", *decoder, "-i", f"file:{path}", "-map", "0:a:0", "-f", "f32le", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        frames, peaks, squares = 0, np.zeros(channels), np.zeros(channels)
        while piece := process.stdout.read(4 * channels * 2**16):
            samples = np.frombuffer(piece[: len(piece) // (4 * channels) * 4 * channels], "<f4")
            block = samples.reshape(-1, channels).astype(np.float64)
            if len(block):
                frames += len(block)
                peaks = np.maximum(peaks, np.abs(block).max(axis=0))
                squares += np.square(block).sum(axis=0)
        complaint = process.stderr.read().decode(errors="replace").strip()
    return Heard(
        stream["codec_name"], int(stream["sample_rate"]), channels, frames, peaks, squares / max(frames, 1), complaint
    )


def _stream(path: Path) -> dict[str, Any] | None:
    command = ["ffprobe", "-v", "error", "-select_streams", "a:0", "-show_entries", "stream", "-of", "json"]
    found = subprocess.run([*command, f"file:{path}"], capture_output=True, check=False)
    streams = json.loads(found.stdout or b"{}").get("streams", [])
    return streams[0] if streams and "codec_name" in streams[0] and int(streams[0].get("channels", 0)) else None
