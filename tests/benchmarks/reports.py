"""How fast reports are written, and how large they are: `python -m tests.benchmarks.reports`, or with all of `bench`.

Nothing here asserts a time. Each track is eight minutes, with hot peaks and all of three profiles held against it.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial

import numpy as np
from numpy.typing import NDArray

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import judge
from master_check.measurement.all_meters import Meters
from master_check.measurement.measurement import Measurement
from master_check.report.html import check_page
from master_check.sound.blocks import blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables import layouts
from tests.benchmarks.bench import best, music, row

MINUTES = 8.0
RATE = 48_000
PROFILES = ("streaming", "cd", "broadcast-r128")


def reports_table() -> None:
    print(f"\nReports, one core, {MINUTES:g} minutes a track; targets: at most 0.2 s a track, 200 tracks under 15 MB")
    row("page", "time", "a track", "size", "of measuring")
    frames = np.clip(2.0 * music(MINUTES * 60.0, RATE), -1.0, 1.0)
    profiles = [load_profile(name) for name in PROFILES]
    measured = measure(frames)
    for count in (1, 30, 200):
        files = tracks(measured, profiles, count)
        size = len(page(files, profiles).encode())
        written, metered = best(partial(page, files, profiles), partial(measure, frames), runs=3)
        each = written / count
        row(
            f"{count} track{'s' if count > 1 else ''}",
            f"{written:.3f} s",
            f"{each:.4f} s",
            f"{size / 1e6:.2f} MB",
            f"1/{metered / each:.0f}",
        )


def measure(frames: NDArray[np.float32]) -> Measurement:
    layout = layouts.of_count(frames.shape[1])
    meters = Meters(AudioFormat("WAV", "PCM_24", RATE, frames.shape[1], layout, 24))
    for block in blocks_of(frames, RATE):
        meters.feed(block)
    return meters.measurement("", len(frames), [])


def tracks(measured: Measurement, profiles: Sequence[Profile], count: int) -> list[Checked]:
    verdicts = tuple(judge(measured, profile) for profile in profiles)
    names = (f"{number:03d} a track.wav" for number in range(1, count + 1))
    return [Checked(name, replace(measured, path=name), verdicts) for name in names]


def page(files: Sequence[Checked], profiles: Sequence[Profile]) -> str:
    sums = {file.path: f"{number:064x}" for number, file in enumerate(files)}
    return check_page(files, profiles, checksums=sums, version="0", date=datetime(2031, 5, 9, tzinfo=UTC))


if __name__ == "__main__":
    reports_table()
