"""How fast and how large: everything `check` measures beside the C library libebur128, in one run, as ratios.

    python -m tests.benchmarks.bench            # all of it, some minutes
    python -m tests.benchmarks.bench --quick    # one minute of sound a case, no growth table

Nothing here asserts a time: a table is printed, with the target beside each figure. Both meters get the same
decoded samples; the smallest of several runs counts, taken in turns so that a busy machine slows both.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import soundfile
from numpy.typing import NDArray

from master_check.measurement.all_meters import Meters
from master_check.measurement.one_pass import measure
from master_check.sound.blocks import blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables import layouts

MUSIC = Path("/usr/share/games/asc/music/frontiers.mp3")  # Debian package asc-music
RUNS = 5


def best(*functions: Callable[[], Any], runs: int = RUNS) -> list[float]:
    """Smallest time of each function in seconds, the functions run in turns."""
    times = [[] for _ in functions]  # type: list[list[float]]
    for _ in range(runs):
        for function, own in zip(functions, times, strict=True):
            start = time.perf_counter()
            function()
            own.append(time.perf_counter() - start)
    return [min(own) for own in times]


def ours(frames: NDArray[np.float32], rate: int) -> None:
    layout = layouts.of_count(frames.shape[1])
    assert layout is not None
    meters = Meters(AudioFormat("WAV", "PCM_24", rate, frames.shape[1], layout, 24))
    for block in blocks_of(frames, rate):
        meters.feed(block)
    meters.measurement("", len(frames), [])


def libebur128(frames: NDArray[np.float32], rate: int) -> None:
    mode = pyebur128.MeasurementMode
    flags = mode.MODE_I | mode.MODE_LRA | mode.MODE_M | mode.MODE_S | mode.MODE_TRUE_PEAK
    state = pyebur128.R128State(frames.shape[1], rate, flags)
    state.add_frames(frames.ravel(), len(frames))
    pyebur128.get_loudness_global(state)
    pyebur128.get_loudness_range(state)


def pyloudnorm_both(frames: NDArray[np.float32], rate: int) -> None:
    meter = pyloudnorm.Meter(rate)
    meter.integrated_loudness(frames)
    if hasattr(meter, "loudness_range"):
        meter.loudness_range(frames)


def music(seconds: float, rate: int) -> NDArray[np.float32]:
    """Real music where it is installed, else noise with the spectrum and dynamics of some; looped, peak at -1 dBFS."""
    length = int(seconds * rate)
    if MUSIC.exists():
        import resampy

        found, own = soundfile.read(MUSIC, frames=int(60 * soundfile.info(MUSIC).samplerate), dtype="float32")
        found = resampy.resample(found, own, rate, axis=0, filter="kaiser_fast")
    else:
        rng = np.random.default_rng(1)
        found = np.cumsum(rng.standard_normal((60 * rate, 2)), axis=0)
        found = (
            np.diff(found - found.mean(axis=0), axis=0, prepend=0)
            * np.abs(np.sin(np.arange(60 * rate) / rate))[:, None]
        )
    found = np.resize(found, (length, 2)).astype(np.float32)
    return np.asarray(found * np.float32(0.89) / np.abs(found).max())


def noise(seconds: float, rate: int, channels: int = 2) -> NDArray[np.float32]:
    """Full-scale noise: every span can hold the true peak, so no bound saves anything."""
    rng = np.random.default_rng(2)
    return rng.uniform(-1.0, 1.0, (int(seconds * rate), channels)).astype(np.float32)


def row(*cells: str) -> None:
    print("  ".join(f"{cell:<34}" if i == 0 else f"{cell:>15}" for i, cell in enumerate(cells)), flush=True)


def meters_table(seconds: float) -> None:
    print(f"\nMeters alone on decoded samples, one thread, {seconds:g} s")
    print("Targets: 1/8 of libebur128's time on music, 1/2 in the worst case")
    row("samples", "ours", "libebur128", "ours is 1/", "pyloudnorm")
    cases = [
        ("music 44.1 kHz stereo", music(seconds, 44_100), 44_100),
        ("music 48 kHz stereo", music(seconds, 48_000), 48_000),
        ("music 96 kHz stereo", music(seconds, 96_000), 96_000),
        ("music 48 kHz 5.1", np.tile(music(seconds, 48_000), (1, 3)), 48_000),
        ("full-scale noise 48 kHz stereo", noise(seconds, 48_000), 48_000),
        ("music +12 dB, clipped, 48 kHz", np.clip(4 * music(seconds, 48_000), -1, 1), 48_000),
        ("digital silence 48 kHz stereo", np.zeros((int(seconds * 48_000), 2), np.float32), 48_000),
    ]
    for name, frames, rate in cases:
        frames = np.ascontiguousarray(frames)
        own, other = best(partial(ours, frames, rate), partial(libebur128, frames, rate))
        third = "-"
        if frames.shape[1] <= 5 and frames.any():
            third = f"{best(partial(pyloudnorm_both, frames, rate), runs=1)[0]:.3f} s"
        row(name, f"{own:.3f} s", f"{other:.3f} s", f"{other / own:.1f}", third)


def files_table(folder: Path, seconds: float) -> None:
    print("\nFiles; target: a FLAC check at most 1.5x decoding alone")
    print("`ahead`: decoded by a second thread while the meters run, as `check` does where a core is to spare")
    row("file", "one thread", "ahead", "decoded", "ratio", "ratio, ahead")
    for name, rate, kind, subtype in (
        ("44.1 kHz 16 bit WAV", 44_100, "WAV", "PCM_16"),
        ("48 kHz 24 bit WAV", 48_000, "WAV", "PCM_24"),
        ("44.1 kHz 16 bit FLAC", 44_100, "FLAC", "PCM_16"),
        ("48 kHz 24 bit FLAC", 48_000, "FLAC", "PCM_24"),
        ("96 kHz 24 bit FLAC", 96_000, "FLAC", "PCM_24"),
    ):
        path = folder / f"{rate}_{subtype}.{kind.lower()}"
        soundfile.write(path, music(seconds, rate), rate, format=kind, subtype=subtype)
        own, ahead, decoded = best(partial(measure, path), partial(measure, path, ahead=True), partial(decode, path))
        times = (f"{taken:.3f} s" for taken in (own, ahead, decoded))
        row(name, *times, f"{own / decoded:.2f}", f"{ahead / decoded:.2f}")


def decode(path: Path) -> None:
    """Decoding alone: libsndfile, in blocks of a second."""
    with soundfile.SoundFile(path) as file:
        block = np.empty((file.samplerate, file.channels), np.float32)
        while len(file.read(out=block)):
            pass


# A small process in between: a child's peak memory is at least that of the process it was forked from.
_WATCH = """
import resource, subprocess, sys, time
start = time.perf_counter()
subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
"""


def run(*arguments: str, **environment: str) -> tuple[float, float]:
    """Seconds and peak megabytes of a process."""
    watched = subprocess.run(
        [sys.executable, "-c", _WATCH, *arguments],
        capture_output=True, text=True, check=True, env=os.environ | environment,
    )  # fmt: skip
    taken, memory = watched.stdout.split()
    return float(taken), float(memory)


def command_path() -> str:
    return str(Path(sys.executable).parent / "sendoff")


def processes_table(folder: Path, seconds: float) -> None:
    print("\nWhole processes; targets: --help < 0.15 s beyond bare Python, first run < 5 s, later compile nothing,")
    print("two threads 1.8x one on an album")
    row("process", "time", "memory", "")
    command = command_path()
    bare = min(run(sys.executable, "-c", "pass")[0] for _ in range(RUNS))
    row("bare Python", f"{bare:.3f} s", "", "")
    taken = min(run(command, "--help")[0] for _ in range(RUNS))
    row("sendoff --help", f"{taken:.3f} s", "", f"{taken - bare:+.3f} s")
    flac = str(folder / "48000_PCM_24.flac")
    first_runs(command, folder, flac)
    taken, memory = min(run(command, "check", flac, "-p", "streaming") for _ in range(RUNS))
    row("sendoff check, one FLAC", f"{taken:.3f} s", f"{memory:.0f} MB", "")
    album = folder / "album"
    album.mkdir()
    long = music(seconds + 12.0, 48_000)
    for n in range(12):  # each its own, so that nothing is recalled
        frames = long[n * 48_000 : n * 48_000 + int(seconds * 48_000)]
        soundfile.write(album / f"{n + 1:02d}.flac", frames, 48_000, subtype="PCM_24")
    files = sorted(album.iterdir())
    one, two = best(partial(measure_all, files, 1), partial(measure_all, files, 2), runs=3)
    row("12 FLACs, measuring alone, 1 thread", f"{one:.3f} s", "", "")
    row("12 FLACs, measuring alone, 2 threads", f"{two:.3f} s", "", f"{one / two:.2f}x")
    one, two = best(*(partial(album_command, command, folder, album, threads) for threads in (1, 2)), runs=3)
    row("sendoff album, 12 FLACs, 1 thread", f"{one:.3f} s", "", "")
    row("sendoff album, 12 FLACs, 2 threads", f"{two:.3f} s", "", f"{one / two:.2f}x")


C_LIBRARY = """
import sys, pyebur128, soundfile
mode = pyebur128.MeasurementMode
with soundfile.SoundFile(sys.argv[1]) as file:
    flags = mode.MODE_I | mode.MODE_LRA | mode.MODE_M | mode.MODE_S | mode.MODE_TRUE_PEAK
    state = pyebur128.R128State(file.channels, file.samplerate, flags)
    for frames in file.blocks(file.samplerate, dtype="float32"):
        state.add_frames(frames.ravel(), len(frames))
print(pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state))
"""
"""A whole process that reads a file and has the C library measure it."""


def start_up_table(folder: Path, seconds: float) -> None:
    print("\nStart-up, and few files; targets: start-up <= 0.8 s on a quiet machine; a lone file never slower than the")
    print("C library's whole process (1.0); six files, two threads at most 0.6 of one thread's time")
    row("process", "smallest time", "of the other", "worst pair")
    command = str(Path(sys.executable).parent / "sendoff")
    short, long = folder / "short.wav", folder / "lone.wav"
    soundfile.write(short, music(1.0, 48_000), 48_000, subtype="PCM_24")
    soundfile.write(long, music(seconds, 48_000), 48_000, subtype="PCM_24")
    (start,) = best(partial(run, command, "check", str(short)))
    row("sendoff check, one second of sound", f"{start:.3f} s", "", "")
    words = [command, "check", str(long)], [sys.executable, "-c", C_LIBRARY, str(long)]
    paired_rows("sendoff check, a lone file", "the C library's whole process", *words)
    for kind in ("WAV", "FLAC"):
        six = [folder / f"six{n}.{kind.lower()}" for n in range(6)]
        for n, path in enumerate(six):
            soundfile.write(path, music(seconds + n, 48_000)[n * 48_000 :], 48_000, subtype="PCM_24")
        one, two = ([command, "check", *map(str, six), "--threads", str(threads)] for threads in (1, 2))
        paired_rows(f"sendoff check, six {kind}s, 2 threads", f"sendoff check, six {kind}s, 1 thread", two, one)


def paired_rows(name: str, other: str, words: list[str], other_words: list[str]) -> None:
    """Two processes in turns: the smallest time of each, and their ratio; the ratio of the worst of the pairs."""
    pairs = [(run(*words)[0], run(*other_words)[0]) for _ in range(RUNS)]
    own, others = (min(times) for times in zip(*pairs, strict=True))
    row(name, f"{own:.3f} s", f"{own / others:.2f}", f"{max(a / b for a, b in pairs):.2f}")
    row(other, f"{others:.3f} s", "", "")


def measure_all(files: list[Path], threads: int) -> None:
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(measure, files))


def album_command(command: str, folder: Path, album: Path, threads: int) -> None:
    """With an empty store, so that everything is measured."""
    with tempfile.TemporaryDirectory(dir=folder) as store:
        run(command, "album", str(album), "-p", "streaming", "--threads", str(threads), "--json", SENDOFF_CACHE=store)


def first_runs(command: str, folder: Path, path: str) -> None:
    """The run that compiles, and what the next one adds to the compiled code."""
    with tempfile.TemporaryDirectory(dir=folder) as cache:
        first = run(command, "check", path, "-p", "streaming", NUMBA_CACHE_DIR=cache)[0]
        compiled = {entry: entry.stat().st_mtime_ns for entry in Path(cache).rglob("*")}
        later = run(command, "check", path, "-p", "streaming", NUMBA_CACHE_DIR=cache)[0]
        again = sum(compiled.get(entry) != entry.stat().st_mtime_ns for entry in Path(cache).rglob("*"))
    row("first run after installation", f"{first:.3f} s", "", "")
    row("the run after it", f"{later:.3f} s", "", f"compiles {again}")


def growth_table(folder: Path) -> None:
    print("\nGrowth; targets: time linear, memory flat and under 250 MB")
    row("length", "time", "memory", "per minute")
    command = command_path()
    minute = music(60.0, 48_000)
    for minutes in (1, 4, 16, 64):
        path = folder / "long.wav"
        with soundfile.SoundFile(path, "w", 48_000, 2, "PCM_24") as file:
            for _ in range(minutes):
                file.write(minute)
        taken, memory = min(run(command, "check", str(path), "-p", "streaming") for _ in range(2))
        row(f"{minutes} min", f"{taken:.2f} s", f"{memory:.0f} MB", f"{taken / minutes:.3f} s")
        path.unlink()


def main() -> None:
    from tests.benchmarks.catalogues import catalogues_table  # these use what stands here
    from tests.benchmarks.pairs import pairs_table
    from tests.benchmarks.plans import plans_table
    from tests.benchmarks.reports import reports_table

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a minute a case, no growth table")
    quick = parser.parse_args().quick
    seconds = 60.0 if quick else 240.0
    ours(music(1.0, 48_000), 48_000)  # compile first
    meters_table(seconds)
    reports_table()
    with tempfile.TemporaryDirectory() as name:
        files_table(Path(name), seconds)
        processes_table(Path(name), seconds)
        start_up_table(Path(name), seconds)
        pairs_table(Path(name), quick)
        plans_table(Path(name), quick)
        catalogues_table(Path(name), quick)
        if not quick:
            growth_table(Path(name))


if __name__ == "__main__":
    main()
