"""The command as a user runs it: what it prints, its exit status, what it must not import."""

import contextlib
import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from master_check.cli import _run, cli
from master_check.tables.quantities import CHANNEL_KEYS, QUANTITIES
from tests.signals import programme, write

RATE = 48_000


def sine(path: Path, peak_db: float = -12.0, seconds: float = 5.0, channels: int = 2) -> Path:
    """A 997 Hz sine of a peak level on every channel: reads peak_db LUFS in stereo, -3.01 LU lower in one channel."""
    wave = 10 ** (peak_db / 20) * np.sin(2 * np.pi * 997 * np.arange(int(seconds * RATE)) / RATE)
    soundfile.write(path, np.tile(wave[:, None], (1, channels)), RATE, subtype="PCM_24")
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)


@pytest.fixture(autouse=True)
def own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))


@pytest.fixture
def streaming_master(tmp_path: Path) -> Path:
    return sine(tmp_path / "master.wav", -14.0)


def test_exit_status_0_where_no_must_rule_is_broken(streaming_master: Path) -> None:
    result = run("check", streaming_master, "-p", "streaming")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("PASSES")


def test_exit_status_1_where_a_must_rule_is_broken(streaming_master: Path) -> None:
    result = run("check", streaming_master, "-p", "streaming", "-p", "cd")
    assert result.exit_code == 1
    assert result.stdout.startswith("FAILS")
    assert "48000 Hz" in result.stdout and "= 44100" in result.stdout


def test_exit_status_2_for_one_bad_file_and_the_others_are_measured(streaming_master: Path) -> None:
    result = run("check", streaming_master.parent / "missing.wav", streaming_master, "-p", "streaming")
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [f"sendoff: {streaming_master.parent / 'missing.wav'}: no such file"]
    assert "PASSES" in result.stdout


def test_without_a_profile_it_measures_and_judges_nothing(streaming_master: Path) -> None:
    result = run("check", streaming_master)
    assert result.exit_code == 0
    assert "integrated -14.0 LUFS" in result.stdout
    assert "PASSES" not in result.stdout


@pytest.mark.parametrize(
    "wrong", [["-p", "streeming"], ["--json", "--csv"], ["--layout", "5.1.9"], ["--layout", "5.1"]]
)
def test_asked_wrongly(streaming_master: Path, wrong: list[str]) -> None:
    result = run("check", streaming_master, *wrong)
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith("sendoff: ")


def results(*arguments: str | Path) -> Any:
    return json.loads(run(*arguments, "--json").stdout)


def test_json_holds_to_its_schema_and_names_every_quantity(streaming_master: Path) -> None:
    schema = json.loads(run("schema", "results").stdout)
    found = results("check", streaming_master, streaming_master.parent / "missing.wav", "-p", "streaming", "-p", "cd")
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(found, schema)
    good, bad = found["files"]
    assert list(good["measures"]) == list(QUANTITIES)
    assert [list(channel) for channel in good["channels"]] == [["label", *CHANNEL_KEYS]] * 2
    assert [check["profile"] for check in good["checks"]] == ["streaming", "cd"]
    assert (found["result"], good["error"], bad["error"]) == ("error", None, "no such file")


def test_json_has_null_for_what_cannot_be_had(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "silence.wav", np.zeros((RATE, 1)), RATE)
    (file,) = results("check", tmp_path / "silence.wav", "-p", "streaming")["files"]
    measures = file["measures"]
    for key in ("integrated_lufs", "true_peak_dbtp", "sample_peak_dbfs", "correlation", "bits_used", "plr_lu"):
        assert measures[key] is None, key
    assert file["notes"] == ["digital silence: no level can be given"]
    assert file["checks"][0]["result"] == "fail"  # nothing in it: no place takes it


def test_profile_schema_accepts_the_shipped_profiles() -> None:
    import tomli

    from master_check.judgement.profile_files import shipped_folder

    schema = json.loads(run("schema", "profile").stdout)
    paths = sorted(shipped_folder().glob("*.toml"))
    assert len(paths) >= 8
    for path in paths:
        jsonschema.validate(tomli.loads(path.read_text("utf-8")), schema)


def test_csv_has_a_row_a_file_and_a_column_a_quantity(streaming_master: Path) -> None:
    result = run("check", streaming_master, streaming_master.parent / "missing.wav", "-p", "cd", "--csv")
    header, good, bad = csv.reader(io.StringIO(result.stdout))
    assert header == ["path", "result", "cd", *QUANTITIES, "error"]
    assert float(dict(zip(header, good, strict=True))["integrated_lufs"]) == pytest.approx(-14.0, abs=0.001)
    assert (bad[1], bad[-1]) == ("error", "no such file")


def test_csv_gives_a_spreadsheet_no_formula(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    sine(tmp_path / "=1+1.wav")
    rows = list(csv.reader(io.StringIO(run("check", "=1+1.wav", "--csv").stdout)))
    assert rows[1][0] == "'=1+1.wav"


def test_a_file_name_cannot_speak_to_the_terminal(tmp_path: Path) -> None:
    name = "a\x1b[31mred\u202egnp.wav"
    sine(tmp_path / name)
    good = run("check", tmp_path / name)
    bad = run("check", tmp_path / ("b" + name))
    for text in (good.stdout, bad.stderr):
        assert "\x1b" not in text and "\u202e" not in text
        assert "\\x1b[31mred\\u202egnp.wav" in text.replace("\n", "")


def test_threads_change_nothing(tmp_path: Path) -> None:
    files = [sine(tmp_path / f"{n}.wav", -10.0 - n) for n in range(5)]
    assert results("check", *files, "--threads", "1") == results("check", *files, "--threads", "4")


def test_profiles_list_show_copy_lint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    assert "broadcast-r128-short" in run("profiles", "list").stdout
    assert "-23.0 ±1 LUFS" in run("profiles", "show", "broadcast-r128-short").stdout
    made = Path(run("profiles", "copy", "cd", "our-plant", "--here").stdout.strip())
    assert made == Path("profiles/our-plant.toml")
    assert run("profiles", "copy", "cd", "our-plant", "--here").exit_code == 2
    assert run("profiles", "lint", "our-plant").stdout.startswith("our-plant: ")
    made.write_text(made.read_text().replace("min = 4.0", 'min = "four"\nmix = 1', 1))
    lint = run("profiles", "lint", "our-plant")
    assert lint.exit_code == 2
    assert len(lint.stderr.splitlines()) == 2
    # A copy under the shipped name is used in place of the shipped one.
    mine = Path(run("profiles", "copy", "cd").stdout.strip())
    assert mine.is_relative_to(tmp_path / "config")


def test_plan_tells_ceiling_and_gain(tmp_path: Path) -> None:
    path = sine(tmp_path / "mix.wav", -20.0, seconds=6.0)
    found = results("plan", path, "-p", "streaming")
    # A sine at -20 dBFS in both channels reads -20 LUFS (BS.1770-5): plain gain of 6 dB is enough.
    assert found["plan"]["need"] == "plain_gain"
    assert found["plan"]["plain"]["gain_db"] == pytest.approx(6.0, abs=0.02)
    assert found["files"][0]["checks"][0]["profile"] == "premaster"


def test_plan_with_a_clipper(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    hits = 0.05 * rng.standard_normal((3 * 48_000, 2))
    for start in range(4_800, len(hits), 12_000):
        hits[start : start + 400] *= 8.0
    path = write(tmp_path / "mix.wav", np.asarray(hits, np.float32), 48_000)
    report = tmp_path / "plan.html"
    found = results("plan", path, "-p", "streaming", "--target", "-9", "--clip", "1", "--report", report)["plan"]
    assert found["clip"] == {"shape": "hard", "most_db": 1.0, "most_thd_percent": None}
    assert [split["clip"] and split["clip"]["by_db"] for split in found["splits"]] == [None, 0.5, 1.0]
    assert found["clipped"] in found["splits"]
    assert ("Clipper, then true-peak limiter" in report.read_text()) == (found["clipped"]["clip"] is not None)
    soft = results("plan", path, "-p", "streaming", "--target", "-9", "--clip", "2%", "--clip-shape", "soft")["plan"]
    assert soft["clip"] == {"shape": "soft", "most_db": None, "most_thd_percent": 2.0}
    assert 1.9 <= soft["splits"][-1]["clip"]["thd_percent"] <= 2.0
    for wrong in ("x", "0", "-1", "99", "0%", "0.001%", "400%", "nan", "%"):
        refused = run("plan", path, "-p", "streaming", f"--clip={wrong}")
        assert refused.exit_code == 2
        assert refused.stderr.startswith(f"sendoff: --clip {wrong}: ")
        assert refused.stderr.count("\n") == 1
    refused = run("plan", path, "-p", "streaming", "--clip-shape", "soft")
    assert (refused.exit_code, refused.stderr.count("\n")) == (2, 1)
    assert "only with --clip" in refused.stderr


def test_plan_for_cd_stays_below_full_scale(tmp_path: Path) -> None:
    found = results("plan", sine(tmp_path / "mix.wav"), "-p", "cd")
    assert found["plan"]["true_peak_limit_dbtp"] == -0.001


def python(code: str) -> str:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout


def test_help_imports_nothing_heavy() -> None:
    code = """
import sys
from click.testing import CliRunner
from master_check.cli import _run, cli
for words in ([], ["catalogue"], ["check"], ["plan"], ["profiles"], ["profiles", "copy"]):
    assert CliRunner().invoke(cli, [*words, "--help"]).exit_code == 0
heavy = {"dask", "distributed", "duckdb", "numba", "numpy", "pyarrow", "pydantic", "rich", "scipy", "soundfile"}
print(*sorted(heavy & set(sys.modules)))
"""
    assert python(code).split() == []


def test_commands_import_only_what_they_use(tmp_path: Path) -> None:
    """Importing is most of what a short run takes: numba only to compile, scipy only to align, and so on."""
    frames = programme(6.0)
    mix, master = write(tmp_path / "mix.wav", 0.2 * frames), write(tmp_path / "master.wav", 0.5 * frames)
    code = f"""
import sys
from click.testing import CliRunner
from master_check.cli import cli
for words in (["check"], ["check", "--json"], ["plan"], ["album"], ["compare"]):
    files = {[str(mix)]!r} if words == ["plan"] else {[str(mix), str(master)]!r}
    assert CliRunner().invoke(cli, [*words, "-p", "streaming", *files]).exit_code in (0, 1)
    heavy = {{"dask", "distributed", "duckdb", "pyarrow"}}
    heavy |= {{"jinja2", "matplotlib", "numba", "pycparser", "pydantic", "resampy", "scipy", "sqlite3"}}
    print(words[0], *sorted(heavy & set(sys.modules)))
"""
    found = python(code)
    if "numba" in found:  # it had to compile
        found = python(code)
    assert found.splitlines() == ["check", "check", "plan", "album sqlite3", "compare scipy sqlite3"]


def test_no_colour_and_no_progress_without_a_terminal(streaming_master: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "master_check", "check", str(streaming_master), "-p", "cd"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert "\x1b" not in done.stdout
    assert done.stderr == ""


def test_album_puts_tracks_in_natural_order_and_judges_the_whole(tmp_path: Path) -> None:
    for number, level in ((10, -12.0), (2, -14.0), (1, -16.0)):
        sine(tmp_path / f"{number} tone.wav", level)
    (tmp_path / "notes.txt").write_text("not sound")
    found = results("album", tmp_path, "-p", "streaming")
    assert [Path(file["path"]).name for file in found["files"]] == ["1 tone.wav", "2 tone.wav", "10 tone.wav"]
    album = found["album"]
    # Sines of equal length: their powers' mean, within what the gating blocks across the joins change.
    mean = 10 * np.log10(np.mean(10 ** (np.array([-12.0, -14.0, -16.0]) / 10)))
    assert album["measures"]["album_integrated_lufs"] == pytest.approx(mean, abs=0.05)
    assert album["measures"]["track_spread_lu"] == pytest.approx(4.0, abs=0.01)
    assert album["skipped_files"] == 1
    assert found["result"] == "pass"


def test_album_prints_a_row_a_track(tmp_path: Path) -> None:
    sine(tmp_path / "1.wav", -14.0)
    (tmp_path / "2.wav").write_bytes(b"RIFF, not really")
    done = run("album", tmp_path, "-p", "streaming", "--worst-first")
    assert done.exit_code == 2
    assert done.stdout.index("2.wav") < done.stdout.index("1.wav")
    assert len(done.stderr.splitlines()) == 1 and "2.wav" in done.stderr
    rows = list(csv.reader(io.StringIO(run("album", tmp_path, "--csv").stdout)))
    assert [row[0].rpartition("/")[2] for row in rows] == ["path", "1.wav", "2.wav"]


@pytest.mark.parametrize("command", ["check", "plan", "album"])
def test_report_is_written_whole_and_over_nothing(command: str, streaming_master: Path, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    before = streaming_master.read_bytes()
    assert run(command, streaming_master, "-p", "streaming", "--report", page).exit_code in (0, 1)
    html = page.read_text("utf-8")
    assert html.startswith("<!DOCTYPE html>") and html.rstrip().endswith("</html>")
    assert "master.wav" in html and "-14.0" in html.replace("\u2212", "-")
    refused = run(command, streaming_master, "-p", "streaming", "--report", page)
    assert refused.exit_code == 2 and "--force" in refused.stderr
    assert page.read_text("utf-8") == html
    onto_itself = run(command, streaming_master, "-p", "streaming", "--report", streaming_master, "--force")
    assert onto_itself.exit_code == 2
    assert streaming_master.read_bytes() == before
    assert run(command, streaming_master, "-p", "streaming", "--report", page, "--force").exit_code in (0, 1)
    assert {path.name for path in tmp_path.iterdir()} - {"cache"} == {"master.wav", "report.html"}


def test_links_are_written_where_they_lead_by_every_command(
    streaming_master: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rules themselves: tests/test_output.py."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "profiles").mkdir()
    links = {"page.html": "real.html", "to-input.html": "master.wav", "profiles/mine.toml": "../mine.toml"}
    for link, leads in links.items():
        Path(link).symlink_to(leads)
    before = streaming_master.read_bytes()
    assert run("check", "master.wav", "--report", "page.html").exit_code == 0
    assert Path("page.html").is_symlink() and "</html>" in Path("real.html").read_text("utf-8")
    assert "--force" in run("check", "master.wav", "--report", "page.html").stderr
    assert "one of the files to be read" in run("check", "master.wav", "--report", "to-input.html", "--force").stderr
    assert streaming_master.read_bytes() == before
    assert run("profiles", "copy", "cd", "mine", "--here").exit_code == 0
    assert Path("profiles/mine.toml").is_symlink() and Path("mine.toml").read_text("utf-8").startswith("[profile]")
    assert "--force" in run("profiles", "copy", "streaming", "mine", "--here").stderr


LONG = "n" * 5000


def say(*words: str | Path) -> str:
    """The one line of a call that is refused, as the real command prints it."""
    printed = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stderr(printed):
        patch.setattr(sys, "argv", ["sendoff", *map(str, words)])
        assert _run() == 2
    (line,) = printed.getvalue().splitlines()
    return line.removeprefix("sendoff: ")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["check"], "Missing argument 'FILES...'. See sendoff check --help."),
        (["check", ""], "Invalid value for 'FILES...': the name is empty. See sendoff check --help."),
        (["album", ""], "Invalid value for 'FOLDER|FILE...': the name is empty. See sendoff album --help."),
        (["compare", "a", ""], "Invalid value for 'MASTER': the name is empty. See sendoff compare --help."),
        (["plan", "", "-p", "cd"], "Invalid value for 'PREMASTER': the name is empty. See sendoff plan --help."),
        (["schema"], "Missing argument '{results|profile}'. Choose from: results, profile See sendoff schema --help."),
        (["check", "a", "-p", ""], '"": no such profile; '),
        (["profiles", "lint", ""], '"": no such profile; '),
        (["profiles", "copy", "cd", ""], ": a profile's name is lower-case letters, digits and hyphens"),
        (["check", "a", "--report", ""], "Invalid value for '--report': the name is empty. "),
        (
            ["check", "a", "--report", "-"],
            "Invalid value for '--report': a report cannot go to standard output; give a file name",
        ),
        (
            ["album", "a", "--report", "-"],
            "Invalid value for '--report': a report cannot go to standard output; give a file name",
        ),
        (["album", "a", "--order", ""], "Invalid value for '--order': the name is empty. "),
        (["album", "master.wav", "--order", "/dev/zero"], "/dev/zero: not a file"),
        (["album", "master.wav", "--order", "pipe"], "pipe: not a file"),
        (["album", LONG], "n: cannot be read (File name too long)"),
        (["check", LONG], "n: cannot be opened (File name too long)"),
        (["compare", LONG, "master.wav"], "n: cannot be opened (File name too long)"),
        (["plan", LONG, "-p", "cd"], "n: cannot be opened (File name too long)"),
        (["check", "a", "-p", f"./{LONG}"], "n: cannot be read (File name too long)"),
        (["check", "a", "-p", LONG], "n: no such profile; "),
        (["check", "a", "--report", LONG], "n: cannot be written (File name too long)"),
        (["album", "master.wav", "--order", LONG], "n: cannot be read (File name too long)"),
        *(
            (
                ["plan", "master.wav", "-p", "streaming", option, value],
                f"Invalid value for '{option}': {shown} is not above ",
            )
            for option, value, shown in (
                ("--target", "nan", "nan"),
                ("--target", "-80", "-80"),
                ("--target", "1e300", "1e+300"),
                ("--look-ahead", "0", "0"),
                ("--look-ahead", "101", "101"),
                ("--release", "inf", "inf"),
                ("--release", "-1", "-1"),
            )
        ),
    ],
    ids=lambda given: " ".join(given)[:50] if isinstance(given, list) else "",
)
def test_asked_wrongly_names_the_argument_or_option_in_one_line(
    words: list[str], line: str, streaming_master: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(streaming_master.parent)
    os.mkfifo("pipe")
    found = say(*words)
    assert line in found
    assert len(found) < 2100
    assert [path.name for path in Path().iterdir() if path.name not in ("cache", "pipe")] == ["master.wav"]
