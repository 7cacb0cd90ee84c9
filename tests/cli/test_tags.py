"""`sendoff tags` as a user runs it: lying fields are found and true ones are not; nothing that a terminal obeys."""

import csv
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from master_check import tags
from master_check.cli import cli
from master_check.report.wording.tags import TITLES
from master_check.sound.tags.tag import NAMES
from tests.report.pages import parse
from tests.signals import sine, value, write
from tests.sound.files import bext, chunk


def tagged(path: Path, *chunks: bytes) -> Path:
    """A tone of -23 LUFS (EBU Tech 3341, signal 1) with chunks behind."""
    write(path, sine(5.0, -23.0, 1000.0, channels=2))
    data = path.read_bytes() + b"".join(chunks)
    path.write_bytes(data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:])
    return path


def run(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(cli, ["tags", *map(str, words)], catch_exceptions=False)
    return done.exit_code, done.stdout


TRUE = bext(b"A=PCM,F=48000,W=24,M=stereo,T=x\r\n", (-2300, 0, -2300, -2300, -2300))
LYING = bext(b"A=PCM,F=48000,W=24,M=stereo,T=x\r\n", (-1400, 0, -2300, -2300, -2300))


def test_a_lie_is_found_and_nothing_else(tmp_path: Path) -> None:
    status, out = run(tagged(tmp_path / "a.wav", chunk(b"bext", LYING)), "--json")
    fields = {field["name"]: field for field in json.loads(out)["tags"]["fields"]}
    assert status == 0  # should, not must
    assert [name for name, field in fields.items() if field["result"] == "warn"] == ["loudness_lufs"]
    assert fields["loudness_lufs"]["value"] == -14.0
    assert fields["loudness_lufs"]["measured"] == pytest.approx(-23.0, abs=0.1)
    assert fields["loudness_lufs"]["error"] == pytest.approx(9.0, abs=0.1)
    assert fields["coding_history"]["result"] == "pass"
    assert fields["origination_date"]["result"] == "skip"


def test_the_truth_is_believed(tmp_path: Path) -> None:
    found = tags(tagged(tmp_path / "a.wav", chunk(b"bext", TRUE)))
    assert found.checked.result == "pass"
    assert {field.result for field in found.fields} == {"pass", "skip"}
    assert found.checked.measurement is not None
    assert abs(value(found.checked.measurement, "stated_loudness_error_lu")) < 0.1


def test_a_profile_of_ones_own_decides(tmp_path: Path) -> None:
    profile = tmp_path / "ours.toml"
    profile.write_text(
        '[profile]\nname = "ours"\ntitle = "x"\nextends = "streaming"\n'
        '[[rule]]\nmeasure = "stated_loudness_error_lu"\ntarget = 0.0\ntolerance = 0.5\n'
        '[[rule]]\nmeasure = "isrcs"\nmin = 1\n'
    )
    status, out = run(tagged(tmp_path / "a.wav", chunk(b"bext", LYING)), "-p", profile, "--json")
    (check,) = json.loads(out)["files"][0]["checks"]
    assert status == 1
    assert {rule["measure"] for rule in check["rules"] if rule["result"] == "fail"} == {
        "stated_loudness_error_lu",
        "isrcs",
    }
    assert "integrated_lufs" not in {rule["measure"] for rule in check["rules"]}


HOSTILE = b"\x1b[2J\x1b]0;owned\x07 =cmd|' /C calc'!A0 \xe2\x80\xae</td><script>"


@pytest.mark.parametrize("width", ["40", "160"])
def test_nothing_that_a_terminal_a_page_or_a_spreadsheet_obeys(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, width: str
) -> None:
    monkeypatch.setenv("COLUMNS", width)
    info = b"INFO" + chunk(b"INAM", HOSTILE * 50) + chunk(b"IART", b"=1+1")
    path = tagged(tmp_path / "a.wav", chunk(b"bext", bext(HOSTILE * 20, originator=HOSTILE[:32])), chunk(b"LIST", info))
    report = tmp_path / "out.html"
    _, out = run(path, "--report", report)
    assert "\x1b" not in out and "\x07" not in out and "\u202e" not in out
    assert max(map(len, out.splitlines())) <= int(width)
    page = report.read_text("utf-8")
    assert "<script>" not in page and "\u202e" not in page
    parse(page)
    _, out = run(path, "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert {row["name"]: row["value"] for row in rows}["artist"] == "'=1+1"
    assert "\x1b" not in out


def test_every_statement_has_its_words() -> None:
    assert set(TITLES) == set(NAMES)


def test_a_file_that_says_nothing_and_one_that_cannot_be_read(tmp_path: Path) -> None:
    status, out = run(tagged(tmp_path / "a.wav"))
    assert status == 0 and "The file says nothing of itself." in out
    (tmp_path / "b.wav").write_bytes(b"RIFF, not really")
    status, out = run(tmp_path / "a.wav", tmp_path / "b.wav", "--csv")
    assert status == 2
    assert [row["result"] for row in csv.DictReader(io.StringIO(out))] == ["pass", "error"]
