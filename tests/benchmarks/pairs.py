"""How fast and how large `sendoff compare` is at length."""

from pathlib import Path
from typing import Final

import numpy as np
import scipy.signal
import soundfile

from tests.benchmarks.bench import RUNS, command_path, music, row, run

CASES: Final = (
    # seconds; rate of the premaster, of the master; most of real time, most memory in MB
    (240.0, 48_000, 48_000, 1 / 12, 400.0),
    (240.0, 48_000, 44_100, 1.5 / 12, 400.0),
    (600.0, 96_000, 96_000, 1 / 6, 600.0),
    (600.0, 96_000, 48_000, 1.5 / 6, 600.0),
)
CHUNK_S: Final = 60.0


def pairs_table(folder: Path, quick: bool) -> None:
    """Whole processes, from two files to JSON. The master: 26 ms later, equalised, driven into a tanh, clipped."""
    print("\nsendoff compare, whole process; targets: 1/12 of real time and 400 MB at 48 kHz, 1/6 and 600 MB for ten")
    print("minutes at 96 kHz, 1.5 times that for pairs of different rates")
    row("pair", "time", "of real time", "memory", "target")
    for seconds, before, after, most, memory in CASES[:2] if quick else CASES:
        premaster, master = folder / "premaster.wav", folder / "master.wav"
        _write(premaster, master, seconds, before, after)
        found = [run(command_path(), "compare", str(premaster), str(master), "--json") for _ in range(min(RUNS, 3))]
        taken, used = min(found)
        row(
            f"{seconds:g} s, {before / 1000:g} and {after / 1000:g} kHz",
            f"{taken:.1f} s",
            f"1/{seconds / taken:.0f}",
            f"{used:.0f} MB",
            f"1/{1 / most:.0f}, {memory:.0f} MB",
        )
        premaster.unlink()
        master.unlink()


def _write(premaster: Path, master: Path, seconds: float, before: int, after: int) -> None:
    minute = music(CHUNK_S, before)
    sections = scipy.signal.butter(2, 28.0, "high", fs=before, output="sos")
    state = np.zeros((len(sections), 2, 2))
    with (
        soundfile.SoundFile(premaster, "w", before, 2, "PCM_24") as first,
        soundfile.SoundFile(master, "w", after, 2, "PCM_24") as second,
    ):
        second.write(np.zeros((round(0.026 * after), 2)))
        for _ in range(round(seconds / CHUNK_S)):
            first.write(0.5 * minute)
            filtered, state = scipy.signal.sosfilt(sections, 0.5 * minute, axis=0, zi=state)
            shaped = np.clip(0.9 * np.tanh(2.0 * filtered), -0.7, 0.7)
            second.write(scipy.signal.resample_poly(shaped, after, before, axis=0) if after != before else shaped)
