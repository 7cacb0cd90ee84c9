"""How fast and how large `sendoff plan` is, up to an hour."""

from pathlib import Path
from typing import Final

import soundfile

from tests.benchmarks.bench import RUNS, command_path, music, row, run

TARGET: Final = "-9"
"""LUFS; some 8 dB of gain reduction on this music, so that every setting there is gets searched for."""

CASES: Final = (
    # minutes, options
    (4, ()),
    (4, ("--clip", "2")),
    (60, ()),
    (60, ("--clip", "2")),
)


def plans_table(folder: Path, quick: bool) -> None:
    """Whole processes, from a file to JSON; its samples and those the limiters keep lie in temporary files."""
    print("\nsendoff plan, whole process, 48 kHz stereo; targets: 600 MB up to an hour, time linear")
    row("premaster", "time", "of real time", "memory", "target")
    minute = 0.4 * music(60.0, 48_000)
    path = folder / "premaster.wav"
    for minutes, options in CASES[:2] if quick else CASES:
        with soundfile.SoundFile(path, "w", 48_000, 2, "PCM_24") as file:
            for _ in range(minutes):
                file.write(minute)
        words = "plan", str(path), "-p", "streaming", "--target", TARGET, *options, "--json"
        taken, used = min(run(command_path(), *words) for _ in range(1 if minutes > 4 else min(RUNS, 3)))
        name = " ".join([f"{minutes} min", *options])
        row(name, f"{taken:.1f} s", f"1/{60.0 * minutes / taken:.0f}", f"{used:.0f} MB", "600 MB")
        path.unlink()
