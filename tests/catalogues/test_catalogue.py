"""A catalogue on this machine: its rows are what `check` finds, whatever happens to files and processes meanwhile."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas
import polars
import pyarrow.parquet as pq
import pytest

import master_check
from master_check.catalogues.columns import COLUMNS
from master_check.catalogues.folder import Folder
from master_check.judgement.checked import Checked, check_files
from master_check.sound.format import SUFFIXES
from master_check.tables.quantities import QUANTITIES
from tests.catalogues.openers import counted, hostile
from tests.signals import noise, programme, write

PROFILES = ["streaming", "cd"]


def rows(out: Path) -> dict[str, dict[str, Any]]:
    """A catalogue's rows by path, read by Arrow's own reader; every file is there once."""
    found = pq.read_table(out).to_pylist()
    assert len({row["path"] for row in found}) == len(found)
    return {row["path"]: row for row in found}


def assert_is_what_check_finds(row: dict[str, Any], checked: Checked) -> None:
    """To the last bit: pages and JSON round, a catalogue does not."""
    assert row["path"] == checked.path
    assert (row["error"], row["result"], row["sha256"]) == (checked.error, checked.result, checked.sha256)
    if checked.measurement is None:
        assert row["state"] == "error"
        assert {row[key] for key in QUANTITIES} == {None}
        return
    assert {key: row[key] for key in QUANTITIES} == checked.measurement.values
    assert row["notes"] == list(checked.measurement.notes)
    assert row["labels"] == list(checked.measurement.format.labels)
    assert [(c["profile"], c["result"], [b["measure"] for b in c["broken"]]) for c in row["checks"]] == [
        (v.profile, v.result, [f.measure for f in v.broken()]) for v in checked.verdicts
    ]


@pytest.fixture(scope="module")
def vault(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Masters in several formats and folders, oddly named ones, and files that are none."""
    vault = tmp_path_factory.mktemp("vault")
    for name in ("1999/a side", "2004"):
        (vault / name).mkdir(parents=True)
    frames = programme(4.0, 2, 44_100) * 3.0
    write(vault / "1999/a side/loud.wav", np.clip(4.0 * frames, -1.0, 1.0), 44_100, "PCM_16")
    write(vault / "1999/quiet.flac", 0.1 * frames, 44_100, "PCM_16")
    write(vault / "2004/naïve – 日本.ogg", 0.2 * frames, 44_100, "VORBIS", "OGG")
    write(vault / "2004/surround.wav", noise(1.0, -20.0, 6), 48_000, "PCM_24")
    write(vault / "short.wav", frames[:10], 44_100)
    write(vault / "silent.wav", np.zeros((44_100, 1)), 44_100)
    write(vault / "five.wav", noise(0.2, -20.0, 5), 48_000)
    for odd in (b"\xff.wav", b"\\xff.wav", b"new\nline.wav", b'it\'s %s {} "x".wav'):
        (vault / os.fsdecode(odd)).write_bytes((vault / "short.wav").read_bytes())
    (vault / "empty.wav").touch()
    (vault / "broken.wav").write_bytes(b"RIFF, not really")
    (vault / "notes.txt").write_text("not sound")
    (vault / ".hidden.wav").write_bytes(b"as some systems leave beside files")
    (vault / "away.wav").symlink_to("nowhere")
    (vault / "2004/round").symlink_to("..")
    os.mkfifo(vault / "pipe.wav")
    return vault


@pytest.fixture(scope="module")
def made(vault: Path) -> tuple[Path, "master_check.Catalogued"]:
    out = vault.parent / "vault.parquet"
    return out, master_check.catalogue(vault, out, PROFILES, worst=4)


def sound_files(vault: Path) -> list[Path]:
    """As the file system has them, by another way than the program's."""
    return [
        p for p in vault.glob("**/*") if p.suffix in SUFFIXES and p.name[0] != "." and "round" not in p.parts
    ]  # fmt: skip


def test_every_row_is_what_check_finds(vault: Path, made: Any) -> None:
    out, found = made
    files = sound_files(vault)
    checked = {os.fsencode(file.path): file for file in check_files(files, PROFILES)}
    read = pq.read_table(out).to_pylist()
    assert len(read) == len(checked) == found.files == found.measured == 15
    for row in read:
        name = row["path_bytes"] or row["path"].encode()
        file = checked.pop(name)
        assert_is_what_check_finds(row, Checked(row["path"], file.measurement, file.verdicts, file.error))
    assert found.errors == 4 and found.skipped == 2
    assert found.result == "error"


def test_four_readers_see_the_same_typed_columns(made: Any) -> None:
    """pyarrow, pandas, polars and DuckDB, each with its plain call."""
    out, _ = made
    arrow = pq.read_table(out).sort_by("path")
    order = {"by": "path"}
    frame, polar = pandas.read_parquet(out).sort_values(**order), polars.read_parquet(out).sort("path")
    with duckdb.connect() as db:
        found = db.execute(f"SELECT * FROM '{out}/*.parquet' ORDER BY path")
        names = [column[0] for column in found.description or ()]
        duck = dict(zip(names, zip(*found.fetchall(), strict=True), strict=True))
        both = db.execute(f"SELECT count(*) FROM '{out}/*.parquet' WHERE len(checks) = 2").fetchall()
    assert list(frame.columns) == polar.columns == names == [column.name for column in COLUMNS]
    assert both == [(11,)]
    for name in ("integrated_lufs", "true_peak_dbtp", "duration_s", "clipped_runs", "sample_rate_hz"):
        truth = arrow.column(name).to_pylist()
        assert any(value is not None for value in truth)
        assert polar[name].to_list() == truth
        assert list(duck[name]) == truth
        assert [None if pandas.isna(value) else value for value in frame[name]] == truth
    assert str(polar.schema["clipped_runs"]) == "Int64" and str(polar.schema["integrated_lufs"]) == "Float64"


def test_every_column_says_what_it_is(made: Any) -> None:
    out, _ = made
    schema = pq.read_schema(next(iter(sorted(out.glob("*.parquet")))))
    assert schema.metadata[b"sendoff_catalogue"] == b"1"
    assert {column.name for column in COLUMNS} >= set(QUANTITIES)
    for column in COLUMNS:
        assert schema.field(column.name).metadata[b"description"].decode() == column.meaning
        assert column.meaning.endswith(".")


def test_the_worst_come_first(made: Any) -> None:
    _, found = made
    assert [file.result for file in found.worst] == ["error"] * 4
    more = master_check.read_catalogue(made[0], worst=100).worst
    assert [file.result for file in more] == sorted(
        (file.result for file in more), key=["error", "fail", "warn", "pass"].index
    )
    must = [sum(b["result"] == "fail" for c in f.checks for b in c["broken"]) for f in more if f.result == "fail"]
    assert must == sorted(must, reverse=True) and must[0] > must[-1] >= 1


def test_sql_sees_every_file_once(made: Any) -> None:
    names, found = master_check.query_catalogue(
        made[0], "SELECT container, count(*) AS files FROM catalogue WHERE state = 'measured' GROUP BY ALL ORDER BY ALL"
    )
    assert names == ["container", "files"]
    assert found == [("FLAC", 1), ("OGG", 1), ("WAV", 9)] or found == [
        ("FLAC", 1),
        ("OGG", 1),
        ("WAV", 7),
        ("WAVEX", 2),
    ]
    with pytest.raises(master_check.CatalogueError, match="--sql: "):
        master_check.query_catalogue(made[0], "SELECT")


# --- begun again ---


@pytest.fixture
def small(tmp_path: Path) -> Path:
    (tmp_path / "in").mkdir()
    for number in range(6):
        write(tmp_path / "in" / f"{number}.wav", noise(0.1, -20.0, seed=number), 44_100, "PCM_16")
    return tmp_path


def run(folder: Path, profiles: Any = "cd", **options: Any) -> tuple["master_check.Catalogued", list[str]]:
    """A run, and the names of the files that it measured."""
    log = folder / "log"
    log.unlink(missing_ok=True)
    opener = partial(counted, log=str(log))
    found = master_check.catalogue(folder / "in", folder / "out.parquet", profiles, opener=opener, **options)
    names = log.read_text().split() if log.exists() else []
    return found, sorted(Path(name).name for name in names)


def test_what_has_not_changed_is_not_measured_again(small: Path) -> None:
    found, measured = run(small)
    assert (found.measured, found.kept, len(measured)) == (6, 0, 6)
    first = rows(small / "out.parquet")
    found, measured = run(small)
    assert (found.measured, found.kept, measured) == (0, 6, [])
    assert rows(small / "out.parquet") == first


def test_changed_new_and_vanished_files(small: Path) -> None:
    run(small)
    first = rows(small / "out.parquet")
    write(small / "in" / "2.wav", noise(0.2, -10.0, rate=44_100, seed=7), 44_100, "PCM_16")
    write(small / "in" / "new.wav", noise(0.2, -10.0, seed=8), 44_100, "PCM_16")
    (small / "in" / "5.wav").rename(small / "5.wav")
    found, measured = run(small)
    assert measured == ["2.wav", "new.wav"]
    assert (found.files, found.vanished) == (6, 1)
    second = {Path(path).name: row for path, row in rows(small / "out.parquet").items()}
    assert second["5.wav"]["state"] == "vanished"
    assert second["5.wav"]["integrated_lufs"] == first[str(small / "in" / "5.wav")]["integrated_lufs"]
    assert second["2.wav"]["duration_s"] == pytest.approx(0.2)
    (small / "5.wav").rename(small / "in" / "5.wav")
    found, measured = run(small)
    assert (measured, found.files, found.vanished) == ([], 7, 0)


def test_other_folders_do_not_make_files_vanish(small: Path) -> None:
    run(small)
    (small / "other").mkdir()
    write(small / "other" / "x.wav", noise(0.1, -20.0), 44_100)
    found = master_check.catalogue(small / "other", small / "out.parquet", "cd")
    assert (found.files, found.vanished, found.measured) == (7, 0, 1)
    with pytest.raises(master_check.CatalogueError, match="No such file"):
        master_check.catalogue(small / "gone", small / "out.parquet", "cd")
    assert master_check.read_catalogue(small / "out.parquet").vanished == 0


def test_other_profiles_are_judged_from_the_figures(small: Path) -> None:
    run(small, "cd")
    found, measured = run(small, ["streaming", "broadcast-r128"])
    assert (measured, found.measured, found.judged_again) == ([], 0, 6)
    checked = check_files(sorted((small / "in").iterdir()), ["streaming", "broadcast-r128"])
    there = rows(small / "out.parquet")
    for file in checked:
        assert_is_what_check_finds(there[file.path], file)
    assert run(small, ["streaming", "broadcast-r128"])[0].judged_again == 0


def test_another_layout_or_version_is_measured_again(small: Path) -> None:
    from master_check.tables.layouts import parse

    run(small)
    assert len(run(small, layout=parse("L,R"))[1]) == 6
    assert run(small, layout=parse("L,R"))[1] == []


def test_what_could_not_be_measured_is_tried_again_when_asked(small: Path) -> None:
    (small / "in" / "3.wav").write_bytes(b"RIFF, not really")
    assert run(small)[0].errors == 1
    assert run(small)[1] == []
    assert run(small, retry=True)[1] == ["3.wav"]


def test_files_are_read_where_the_map_says(small: Path) -> None:
    write(small / "3.wav", noise(0.3, -20.0, rate=44_100), 44_100, "PCM_16")
    (small / "mnt" / "in").mkdir(parents=True)
    for path in (small / "in").iterdir():
        (small / "mnt" / "in" / path.name).write_bytes((small / "3.wav").read_bytes())
    places = (("/elsewhere", "/x"), (str(small / "in"), f"{small}/mnt/in/"))
    assert run(small, map=places)[0].errors == 0
    there = rows(small / "out.parquet")
    assert set(there) == {str(path) for path in (small / "in").iterdir()}
    assert {round(row["duration_s"], 6) for row in there.values()} == {0.3}


@pytest.mark.parametrize("name", ["pyarrow", "duckdb", "distributed"])
def test_without_the_extra_one_line_says_what_to_install(
    name: str, small: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from master_check.cli import _run

    monkeypatch.setitem(sys.modules, name, None)  # which makes importing it fail, as if it were not there
    words = ["sendoff", "catalogue", str(small / "in"), "--out", str(small / "out.parquet"), "--scheduler", "tcp://x:1"]
    monkeypatch.setattr(sys, "argv", words)
    assert _run() == 2
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", f"sendoff: a catalogue needs {name}: pip install 'sendoff[cluster]'\n")


# --- files that kill, hang and raise ---


def test_hostile_files_cost_no_other_its_result(small: Path) -> None:
    for name in ("kills", "hangs", "raises"):
        (small / "in" / "0.wav").rename(small / "in" / f"0 {name}.wav")
        write(small / "in" / "0.wav", noise(0.1, -20.0), 44_100)
    found = master_check.catalogue(
        small / "in", small / "out.parquet", "cd", opener=hostile, time_limit_s=1.0, threads=1
    )
    there = {Path(path).name: row for path, row in rows(small / "out.parquet").items()}
    assert (found.files, found.errors) == (9, 3)
    assert "SIGSEGV" in there["0 kills.wav"]["error"]
    assert there["0 hangs.wav"]["error"].startswith("not measured within 1 s; ")
    assert there["0 raises.wav"]["error"] == "cannot be measured (ZeroDivisionError: by nought)"
    for file in check_files([small / "in" / f"{number}.wav" for number in range(6)], "cd"):
        assert_is_what_check_finds(there[Path(file.path).name], file)


# --- stopped ---

SLOW = """
import sys
from functools import partial
from master_check.catalogues import run
from tests.catalogues.openers import counted
run.WRITE_S = 0.05
if {at_once}:
    from master_check.cli.stopping import stop_at_once_on_interrupt
    stop_at_once_on_interrupt()
run.catalogue("in", "out.parquet", "cd", threads=2, batch_s=0.0, opener=partial(counted, log="log", seconds=0.1))
"""


def wait_for(what: Callable[[], bool]) -> None:
    until = time.monotonic() + 60.0
    while not what():
        assert time.monotonic() < until, "never came"
        time.sleep(0.02)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_stopped_and_begun_again(how: signal.Signals, tmp_path: Path) -> None:
    """Nothing is measured twice but what was under way, or was done and still to be written (here for 0.05 s)."""
    (tmp_path / "in").mkdir()
    for number in range(24):
        write(tmp_path / "in" / f"{number}.wav", noise(0.05, -20.0, seed=number), 44_100, "PCM_16")
    log = tmp_path / "log"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])}
    words = [sys.executable, "-c", SLOW.format(at_once=how is signal.SIGINT)]
    with subprocess.Popen(words, cwd=tmp_path, env=environment, stderr=subprocess.PIPE) as process:
        wait_for(lambda: log.exists() and len(log.read_text().split()) >= 14)
        process.send_signal(how)
        _, errors = process.communicate(timeout=30)
    assert process.returncode == (130 if how is signal.SIGINT else -how)
    assert errors == (b"sendoff: stopped\n" if how is signal.SIGINT else b"")
    time.sleep(0.3)  # processes that measured end by themselves, at once
    before = log.read_text().split()
    time.sleep(0.3)
    assert log.read_text().split() == before
    assert not list((tmp_path / "out.parquet").glob(".*.part")) or how is signal.SIGKILL
    kept = {
        path for part in Folder(tmp_path / "out.parquet").parts() for path in pq.read_table(part)["path"].to_pylist()
    }
    assert len(kept) > 0
    (tmp_path / "out.parquet" / ".sendoff.killed.part").touch()
    found, again = run(tmp_path)
    assert not list((tmp_path / "out.parquet").glob("*.part"))
    assert set(again) == {f"{number}.wav" for number in range(24)} - {Path(path).name for path in kept}
    # Two are under way, and in the time that writing takes no more than two others are done, of 0.1 s each.
    assert len(before) + len(again) - 24 <= 4
    assert (found.files, found.errors) == (24, 0)
    assert len(rows(tmp_path / "out.parquet")) == 24


# --- parts ---


def test_many_parts_become_few_and_rows_that_are_there_twice_count_once(small: Path) -> None:
    run(small)
    out = small / "out.parquet"
    (part,) = out.glob("*.parquet")
    whole = pq.read_table(part)
    folder = Folder(out)
    table = folder.read(part)
    for number in range(6):  # as if a merge had been stopped before the old parts went
        folder.add_table(table.slice(number, 1))
    assert len(list(out.glob("*.parquet"))) == 7
    assert master_check.read_catalogue(out).files == 6
    assert run(small)[1] == []
    (part,) = out.glob("*.parquet")
    assert pq.read_table(part).sort_by("path") == whole.sort_by("path")


def test_merging_keeps_to_parts_of_some_size(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run(small)
    out = small / "out.parquet"
    before = rows(out)
    folder = Folder(out)
    (part,) = folder.parts()
    table = folder.read(part)
    part.unlink()
    for number in range(6):
        folder.add_table(table.slice(number, 1))
    monkeypatch.setattr("master_check.catalogues.folder.ROWS", 4)
    folder.merge()
    assert sorted(pq.read_table(part).num_rows for part in folder.parts()) == [2, 4]
    there = folder.parts()
    folder.merge()
    assert folder.parts() == there
    assert rows(out) == before


@pytest.mark.parametrize("content", [b"", b"PAR1 but no more", b"PAR1" + bytes(100) + b"PAR1"])
def test_a_damaged_part_is_named(content: bytes, small: Path) -> None:
    run(small)
    bad = small / "out.parquet" / "0.parquet"
    bad.write_bytes(content)
    for again in (lambda: run(small), lambda: master_check.read_catalogue(small / "out.parquet")):
        with pytest.raises(master_check.CatalogueError, match=r"0\.parquet: damaged .*; delete it and run again"):
            again()
    bad.unlink()
    assert run(small)[1] == []


def test_what_is_no_catalogue_is_left_alone(small: Path) -> None:
    before = sorted((small / "in").iterdir())
    with pytest.raises(master_check.CatalogueError, match=r"is no catalogue: it holds 0\.wav"):
        master_check.catalogue(small / "in", small / "in")
    with pytest.raises(master_check.CatalogueError, match="is not a folder"):
        master_check.catalogue(small / "in", small / "in" / "0.wav")
    with pytest.raises(master_check.CatalogueError, match="there is no folder"):
        master_check.catalogue(small / "in", small / "not" / "there.parquet")
    (small / "other.parquet").mkdir()
    pq.write_table(pq.read_table(pandas_file(small)), small / "other.parquet" / "x.parquet")
    with pytest.raises(master_check.CatalogueError, match=r"x\.parquet is not of sendoff"):
        master_check.catalogue(small / "in", small / "other.parquet")
    assert sorted((small / "in").iterdir()) == before


def pandas_file(folder: Path) -> Path:
    pandas.DataFrame({"path": ["a"]}).to_parquet(folder / "theirs")
    return folder / "theirs"


def test_one_run_at_a_time(small: Path) -> None:
    with Folder(small / "out.parquet").writing(), pytest.raises(master_check.CatalogueError, match="another run"):
        run(small)
    assert run(small)[0].measured == 6


def test_json_of_the_face_is_plain(made: Any) -> None:
    from master_check.report.catalogue import catalogue_json
    from master_check.report.json import text

    found = json.loads(text(catalogue_json(made[1])))
    assert found["catalogue"]["measured"] == 15 and len(found["catalogue"]["worst"]) == 4
