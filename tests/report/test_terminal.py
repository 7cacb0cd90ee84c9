"""The terminal at every width: a name, its value and its time on one line, nothing cut off, no trailing blanks."""

import io
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from rich.cells import cell_len
from rich.console import Console

from master_check.albums.album import Album, album
from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.limiting.limiter import InMemory
from master_check.limiting.plan import Plan, plan_signal
from master_check.measurement.measurement import Measurement
from master_check.pair.comparison import Comparison, compare
from master_check.report import album as album_report
from master_check.report import profiles as profiles_report
from master_check.report import selftest as selftest_report
from master_check.report import terminal
from master_check.report.wording import comparison as comparison_words
from master_check.report.wording import plan as plan_words
from master_check.report.wording import selftest as selftest_words
from master_check.report.wording.album import observation
from master_check.selftest.run import Outcome
from master_check.tables.quantities import QUANTITIES
from master_check.text import clock
from tests.report.pages import checked, clipped, loaded, music, write

WIDTHS = (40, 45, 52, 61, 72, 80, 97, 120, 160)

LONG = "a-name-that-is-longer-than-any-line-can-be-" * 5 + "漢字.wav"


@dataclass(frozen=True)
class Job:
    profiles: list[Profile]
    files: list[Checked]
    plan: Plan
    comparison: Comparison
    album: Album


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A mix, a clipped and quiet master, a file that is not there, and what the commands make of them."""
    folder = tmp_path_factory.mktemp("job")
    profiles = loaded("streaming", "cd")
    mix = write(folder / "mix.wav", music(8.0, peak_db=-6.0), subtype="FLOAT")
    master = write(folder / "02 master (instrumental).wav", clipped(np.tanh(2.0 * music(8.0)), 44_100, 2.0))
    long = write(folder / LONG, music(4.0, 48_000, peak_db=-30.0), 48_000)
    files = [checked(mix, []), checked(master, profiles), checked(long, profiles)]
    frames = music(8.0, peak_db=-6.0).astype(np.float32)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SENDOFF_CACHE", str(folder / "cache"))
        found = album([mix, master, long, folder / "gone.wav"], profiles)
    return Job(
        profiles,
        [*files, Checked(str(folder / "gone.wav"), error="no such file")],
        plan_signal(InMemory(frames, 44_100), (1.0, 1.0), -9.0, -1.0, playback_lufs=-14.0),
        compare(mix, master),
        found,
    )


def lines_of(width: int, show: Callable[[Console], None]) -> list[str]:
    """What is printed, held to what holds for all of it."""
    out = io.StringIO()
    show(Console(file=out, width=width, highlight=False, emoji=False, markup=False))
    lines = out.getvalue().split("\n")
    for line in lines:
        assert line == line.rstrip(), repr(line)
        assert cell_len(line) <= width, (cell_len(line), line)
        assert "…" not in line
    return lines


def on_one_line(lines: list[str], *wanted: str) -> None:
    squeezed = [" ".join(line.split()) for line in lines]
    for text in wanted:
        assert any(text in line for line in squeezed), (text, squeezed)


def figures(measurement: Measurement) -> list[str]:
    """Every figure of the terminal with its name and time."""
    found = []
    for key, quantity in QUANTITIES.items():
        value = measurement.values[key]
        if quantity.short and value is not None:
            at = f" at {clock(measurement.at_s[key])}" if key in measurement.at_s and key != "sample_peak_dbfs" else ""
            found.append(f"{quantity.short} {quantity.format(value)}{at}")
    return found


@pytest.mark.parametrize("width", WIDTHS)
def test_check(job: Job, width: int) -> None:
    lines = lines_of(width, lambda console: terminal.print_checked(console, job.files, everything=True))
    text = " ".join(" ".join(lines).split())
    for file in job.files:
        if file.measurement is not None:
            on_one_line(lines, *figures(file.measurement))
        for finding in (finding for verdict in file.verdicts for finding in verdict.findings):
            on_one_line(lines, finding.shown)
            assert not finding.limit or f"wanted {finding.limit}" in text
            if finding.at_s is not None:
                on_one_line(lines, f"at {clock(finding.at_s)}")
    assert "".join(lines).replace(" ", "").count(LONG) == 1


@pytest.mark.parametrize("width", WIDTHS)
def test_findings_keep_name_value_and_time_together(job: Job, width: int) -> None:
    (findings,) = (v.broken() for f in job.files[1:2] for v in f.verdicts if v.profile == "streaming")
    assert any(finding.at_s is not None for finding in findings)
    lines = lines_of(width, lambda console: terminal.print_checked(console, job.files[1:2]))
    squeezed = [" ".join(line.split()) for line in lines]
    for finding in findings:
        at = "" if finding.at_s is None else f"at {clock(finding.at_s)}"
        names = [name for name in (finding.quantity.title, finding.quantity.short) if name]
        assert any(f"{name} {finding.shown}" in line and at in line for name in names for line in squeezed), finding


@pytest.mark.parametrize("width", WIDTHS)
def test_plan(job: Job, width: int) -> None:
    fitness = checked(Path(job.files[0].path), loaded("premaster"))
    lines = lines_of(width, lambda console: terminal.print_plan(console, fitness, job.profiles[0], job.plan))
    answers = plan_words.limiters(job.plan)
    assert len(answers) == 2
    for setting in (job.plan.true_peak_limiter, job.plan.sample_peak_limiter):
        assert setting is not None and setting.gain_reduction is not None
        places = [f"{clock(p.at_s)} ({p.gain_reduction_db:.1f} dB)" for p in setting.gain_reduction.worst]
        on_one_line(lines, f"ceiling {plan_words.ceiling(setting)}", f"gain {setting.gain_db:+.1f} dB", *places)
    squeezed = " ".join(" ".join(lines).split())
    for line in plan_words.summary(job.plan):
        assert line.strip() in squeezed


@pytest.mark.parametrize("width", WIDTHS)
def test_compare(job: Job, width: int) -> None:
    before, after = job.files[:2]
    lines = lines_of(width, lambda console: terminal.print_comparison(console, before, after, job.comparison))
    squeezed = " ".join(" ".join(lines).split())
    for line in (*comparison_words.summary(job.comparison), *comparison_words.notes(job.comparison)):
        assert line in squeezed
    for side in job.comparison.saturation.sides:
        assert side.thd_percent is not None
        on_one_line(lines, f"{side.thd_percent:.2f} %")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("worst_first", [False, True])
def test_album(job: Job, width: int, worst_first: bool) -> None:
    lines = lines_of(width, lambda console: album_report.print_album(console, job.album, 3, worst_first))
    for track in job.album.tracks:
        if track.measurement is not None:
            on_one_line(lines, clock(float(track.measurement.values["duration_s"] or 0.0)))
            on_one_line(lines, QUANTITIES["true_peak_dbtp"].format(track.measurement.values["true_peak_dbtp"]))
    squeezed = "".join("".join(lines).split())
    assert job.album.observations
    for found in job.album.observations:
        assert "".join(observation(found).split()) in squeezed


@pytest.mark.parametrize("width", WIDTHS)
def test_summary_profiles_quantities_and_selftest(job: Job, width: int) -> None:
    lines = lines_of(width, lambda console: terminal.print_summary(console, job.files))
    on_one_line(lines, "FAILS", "NOT READ")
    for profile in job.profiles:
        lines = lines_of(width, partial(profiles_report.print_profile, profile=profile))
        text = " ".join(" ".join(lines).split())
        assert all(f"{rule.why} [{rule.source}]" in text for rule in profile.rules)
    lines = lines_of(width, profiles_report.print_quantities)
    assert set(QUANTITIES) <= {line.split()[0] for line in lines if line.strip()}
    outcomes = [
        Outcome("EBU Tech 3341 #1", "-23 dBFS", "integrated_lufs", 48_000, -23.0, 0.1, 0.1, -22.998, True),
        Outcome("EBU Tech 3341 #15", "fs/4, 0 degrees", "true_peak_dbtp", 44_100, -6.0, 0.4, 0.2, -6.5, False),
    ]
    lines = lines_of(width, lambda console: selftest_report.print_outcomes(console, outcomes))
    on_one_line(lines, "-23.00 LUFS", "±0.1", "misses", "+0.2 -0.4", "1 of 2 cases missed", "true peak 0.500 dB")
    assert selftest_words.CAUTION in " ".join(" ".join(lines).split())


def test_passes_with_warnings_is_said_in_full(job: Job) -> None:
    assert terminal.verdict_word("warn").plain == "PASSES WITH WARNINGS"
