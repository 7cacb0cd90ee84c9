"""Write the demo EP: five premasters, five masters made from them, and the stems of two songs, with planted faults.

    python demo/make_demo.py [OUT]        OUT is demo/ep where nothing is said

`TRACKS` is the truth about every file: how its master was made, stage by stage, and what must be found in it.
The same files, byte for byte, come out of every run.
"""

import argparse
import io
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

if not __package__:  # started as a script: make `demo` importable
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from demo import songs
from demo.instruments import RATE
from demo.mastering import Band, Chain, Compressor, Limiter, master, words
from demo.mix import Desk
from demo.stems import SESSIONS, make_stems

BAND = "Gullmoth Parade"
LABEL = "Tansy Pier Recordings"
TITLE = "Five Rooms, One Stair"

File = Literal["premaster", "master"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured quantity (a key of the tool's table of quantities) and where it must lie, ends included."""

    measure: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault.

    Attributes
    ----------
    file : "premaster" or "master"
        Where it is.
    what : str
        In a few words.
    figures : tuple of Figure
        What it measures.
    breaks : tuple of str
        The rules of the shipped profiles it breaks, as "profile/measure".
    """

    file: File
    what: str
    figures: tuple[Figure, ...]
    breaks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Track:
    """One track: the song, its mix bus, its mastering, its faults."""

    number: int
    title: str
    key: str
    song: Callable[[], Desk]
    premaster_peak_dbfs: float
    chain: Chain
    integrated_lufs: float
    """What the master reads, within 0.1."""
    faults: tuple[Fault, ...]
    states: tuple[float, float] | None = None
    """Loudness (LUFS) and true peak (dBTP) that the master's bext chunk states; None where it has no such chunk."""

    def path(self, file: File) -> Path:
        """Where the file is, below OUT."""
        return Path(f"{file}s") / f"{self.number:02d} {self.title} ({file}).wav"


ANY = float("inf")

EVERY_MASTER_BREAKS = ("cd/bit_depth",)
"""The masters are 24-bit files; the disc's 16-bit versions are not made here."""

TRACKS: tuple[Track, ...] = (
    Track(
        1,
        "Copper Kite",
        "E minor, 124 a minute",
        songs.copper_kite,
        premaster_peak_dbfs=-6.1,
        chain=Chain(
            head_cut=42_317,
            frames=588 * 2162,
            equaliser=(Band("low_shelf", 90.0, -1.0), Band("high_shelf", 6000.0, 3.0)),
            compressor=Compressor(threshold_db=-21.0, ratio=2.0, attack_ms=30.0, release_ms=150.0),
            gain_db=9.58,
            limiter=Limiter("sample_peak", ceiling_db=-0.1),
            word_bits=16,
        ),
        integrated_lufs=-9.8,
        faults=(
            Fault(
                "master",
                "inter-sample overs under a clean sample peak",
                (
                    Figure("true_peak_dbtp", 0.2, 1.5),
                    Figure("true_peak_over_runs", 5, ANY),
                    Figure("sample_peak_dbfs", -0.11, -0.09),
                    Figure("clipped_runs", 0, 0),
                    Figure("flat_top_runs", 0, 0),
                ),
                ("streaming/true_peak_dbtp", "streaming/true_peak_over_runs", "cd/true_peak_dbtp"),
            ),
            Fault("master", "16 bits in a 24-bit file", (Figure("bits_used", 16, 16), Figure("bit_depth", 24, 24))),
        ),
    ),
    Track(
        2,
        "Brickyard Run",
        "A minor, 152 a minute",
        songs.brickyard_run,
        premaster_peak_dbfs=-0.3,
        chain=Chain(
            head_cut=45_002,
            frames=588 * 2228,
            equaliser=(Band("peak", 300.0, -1.5, 1.0), Band("high_shelf", 7000.0, 1.5)),
            gain_db=3.45,
            clip=True,
        ),
        integrated_lufs=-9.3,
        faults=(
            Fault(
                "premaster",
                "no headroom",
                (Figure("sample_peak_dbfs", -0.31, -0.29), Figure("rms_dbfs", -14.9, -12.0)),
                ("premaster/sample_peak_dbfs", "premaster/rms_dbfs"),
            ),
            Fault(
                "master",
                "hard-clipped at full scale",
                (
                    Figure("clipped_runs", 50, ANY),
                    Figure("sample_peak_dbfs", -0.0001, 0.0),
                    Figure("true_peak_dbtp", 0.2, 6.0),
                ),
                (
                    "streaming/clipped_runs",
                    "streaming/true_peak_dbtp",
                    "streaming/true_peak_over_runs",
                    "cd/clipped_runs",
                    "cd/sample_peak_dbfs",
                    "cd/true_peak_dbtp",
                ),
            ),
        ),
    ),
    Track(
        3,
        "Lantern Tax",
        "F dorian, 92 a minute",
        songs.lantern_tax,
        premaster_peak_dbfs=-6.1,
        chain=Chain(
            head_cut=40_771,
            frames=588 * 2156,
            sample_rate=48_000,
            equaliser=(Band("low_shelf", 70.0, -1.5), Band("high_shelf", 5000.0, 2.5)),
            gain_db=8.53,
            clip=True,
            output_db=-4.7,
        ),
        integrated_lufs=-14.0,
        faults=(
            Fault(
                "master",
                "clipped, then turned down",
                (
                    Figure("flat_top_runs", 20, ANY),
                    Figure("clipped_runs", 0, 0),
                    Figure("sample_peak_dbfs", -4.701, -4.699),
                    Figure("true_peak_dbtp", -4.7, -2.0),
                ),
                ("streaming/flat_top_runs", "cd/flat_top_runs"),
            ),
            Fault("master", "48 kHz, not for CD", (Figure("sample_rate_hz", 48_000, 48_000),), ("cd/sample_rate_hz",)),
            Fault(
                "master",
                "its bext chunk still states the loudness and peak from before it was turned down",
                (Figure("stated_loudness_error_lu", 4.6, 4.8), Figure("stated_true_peak_error_db", 4.6, 4.8)),
                (
                    "streaming/stated_loudness_error_lu",
                    "streaming/stated_true_peak_error_db",
                    "cd/stated_loudness_error_lu",
                    "cd/stated_true_peak_error_db",
                ),
            ),
        ),
        states=(-9.3, 1.2),
    ),
    Track(
        4,
        "Tidal Glass",
        "D lydian, 72 a minute",
        songs.tidal_glass,
        premaster_peak_dbfs=-6.1,
        chain=Chain(
            head_cut=39_690,
            frames=588 * 2290,
            equaliser=(Band("high_shelf", 8000.0, 1.5),),
            gain_db=-2.74,
            dc_left=0.02,
        ),
        integrated_lufs=-19.0,
        faults=(
            Fault(
                "premaster",
                "the wash cancels in mono: its right side is upside down",
                (Figure("correlation_min", -1.0, -0.7), Figure("mono_loss_lu", 6.5, 12.0)),
                ("premaster/correlation_min", "premaster/mono_loss_lu"),
            ),
            Fault(
                "master",
                "the same",
                (Figure("correlation_min", -1.0, -0.7), Figure("mono_loss_lu", 6.5, 12.0)),
                ("streaming/correlation_min", "streaming/mono_loss_lu"),
            ),
            Fault(
                "master",
                "too quiet",
                (Figure("integrated_lufs", -19.1, -18.9),),
                ("streaming/integrated_lufs",),
            ),
            Fault(
                "master",
                "a DC offset on the left",
                (Figure("dc_offset_dbfs", -34.1, -33.9), Figure("head_silence_s", 0.0, 0.0)),
                ("streaming/dc_offset_dbfs", "cd/dc_offset_dbfs"),
            ),
        ),
    ),
    Track(
        5,
        "Slow Orchard",
        "G major, a waltz at 100 a minute",
        songs.slow_orchard,
        premaster_peak_dbfs=-6.1,
        chain=Chain(
            head_cut=44_450,
            frames=588 * 2193,
            equaliser=(Band("low_shelf", 120.0, 1.0), Band("high_shelf", 5000.0, 3.0)),
            compressor=Compressor(threshold_db=-22.0, ratio=1.5, attack_ms=30.0, release_ms=200.0),
            side_drive=1.25,
            gain_db=8.09,
            limiter=Limiter("true_peak", ceiling_db=-1.1),
        ),
        integrated_lufs=-10.0,
        faults=(
            Fault(
                "master",
                "sides saturated, middle not: seen against its premaster",
                (Figure("true_peak_dbtp", -1.3, -1.05), Figure("flat_top_runs", 0, 0)),
            ),
        ),
    ),
)


RECEIVED: Path = Path("received") / "05 Slow Orchard (from the client).wav"
"""Track 5's premaster as an MP3 of 192 kbit/s, decoded to 24 bits again: the one file that a codec has been through."""

LOUD: Path = Path("alternates") / "02 Brickyard Run (loud master).wav"
LOUD_CHAIN = replace(TRACKS[1].chain, gain_db=12.0, clip=False, limiter=Limiter("true_peak", ceiling_db=-1.05))
"""Track 2 once more, by a limiter: it keeps the rules of the streaming profile, and goes over full scale in encodes at
low rates."""


def make(out: Path) -> list[Path]:
    """Write the EP below `out`: premasters, masters, what else there is of them, and stems; returns the files."""
    written = []
    for track in TRACKS:
        premaster = words(track.song().mixdown(track.premaster_peak_dbfs))
        # The master is made from what is in the file, not from what was on the desk.
        finished = master(premaster / 2.0**31, RATE, track.chain, seed=track.number)
        written.append(_write(out / track.path("premaster"), premaster, RATE))
        written.append(_write(out / track.path("master"), finished, track.chain.sample_rate, _bext(track)))
        if track.number == 2:
            written.append(_write(out / LOUD, master(premaster / 2.0**31, RATE, LOUD_CHAIN, seed=12), RATE))
        if track.number == 5:
            written.append(_write(out / RECEIVED, _decoded_mp3(premaster), RATE))
    for session in SESSIONS:
        written += make_stems(session, out, lambda path, samples: _write(path, samples, RATE))
    return written


def _decoded_mp3(samples: NDArray[np.int32]) -> NDArray[np.int32]:
    """What is left of 24-bit samples after an MP3 encode at a constant 192 kbit/s (libsndfile's LAME)."""
    file = io.BytesIO()
    kind = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": 128 / 288}
    soundfile.write(file, samples / 2.0**31, RATE, **kind)
    file.seek(0)
    decoded = np.clip(soundfile.read(file)[0], -1.0, 1.0 - 2.0**-23)
    return np.asarray(np.round(decoded * 2.0**23) * 256.0, np.int32)


def _bext(track: Track) -> bytes:
    """The `bext` chunk (EBU Tech 3285 v2) of a master that states its loudness; nothing for the others."""
    if track.states is None:
        return b""
    loudness, peak = (round(100 * figure) for figure in track.states)
    unset = 0x7FFF
    texts = struct.pack("<256s32s32s10s8s", track.title.encode(), LABEL.encode(), b"", b"2026-05-04", b"15:20:00")
    fields = struct.pack("<QH64s5h180s", 0, 2, b"", loudness, unset, peak, unset, unset, b"")
    history = f"A=PCM,F={track.chain.sample_rate},W=24,M=stereo\r\n".encode()
    return b"bext" + struct.pack("<I", len(texts + fields + history)) + texts + fields + history


def _write(path: Path, samples: NDArray[np.int32], rate: int, behind: bytes = b"") -> Path:
    """A 24-bit WAV, whole or not at all, with a chunk of an even number of bytes behind the sound."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    try:
        soundfile.write(part, samples, rate, subtype="PCM_24", format="WAV")
        if behind:
            whole = part.read_bytes() + behind + b"\0" * (len(behind) % 2)
            part.write_bytes(whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:])
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=f"Write the demo EP: {BAND}, {TITLE!r} ({LABEL}).")
    parser.add_argument(
        "out", nargs="?", type=Path, default=Path(__file__).parent / "ep", help="folder to write to (default: demo/ep)"
    )
    out: Path = parser.parse_args().out
    try:
        files = make(out)
    except OSError as error:
        sys.exit(f"make_demo: cannot write to {out}: {error.strerror or error}")
    print(*files, sep="\n")


if __name__ == "__main__":
    main()
