"""What every command prints with --json, held against the one schema that `sendoff schema results` prints."""

import copy
import csv
import hashlib
import io
import json
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from master_check.cli import cli
from master_check.judgement.checked import Checked
from master_check.judgement.profile_files import shipped_folder
from master_check.report.csv import text as csv_text
from master_check.report.json import text as json_text
from master_check.tables.quantities import ALBUM_QUANTITIES, CHANNEL_KEYS, QUANTITIES
from tests.balance.songs import mixed, song
from tests.signals import noise, programme, silence, sine, write
from tests.sound.files import bext, chunk, fmt, riff

PLANT = """
[profile]
name = "plant"
title = "A plant"
extends = "cd"
playback_lufs = -14

[[rule]]
measure = "true_peak_dbtp"
max = -2
when = { measure = "integrated_lufs", min = -13 }

[[rule]]
measure = "container"
one_of = ["WAV", "FLAC"]

[[rule]]
measure = "loudness_range_lu"
level = "note"

[[rehearse]]
name = "MP3"
kind = "mp3"
kbps = 128
rule = [{ measure = "true_peak_dbtp", max = -6 }]

[[rehearse]]
name = "AAC"
kind = "aac"
kbps = 96
"""


def run(*words: str | Path) -> Any:
    """The JSON that a command prints."""
    done = CliRunner().invoke(cli, [*map(str, words), "--json"], catch_exceptions=False)
    assert done.exit_code in (0, 1, 2), done.stderr
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Files whose results have everything in them: judged, broken, silent, unreadable; a pair; an album."""
    folder = tmp_path_factory.mktemp("json")
    mix = programme(8.0, seed=3)
    mix = np.asarray(0.4 * mix / np.abs(mix).max(), np.float32)
    write(folder / "mix.wav", mix)
    write(folder / "master.wav", np.asarray(np.tanh(3.0 * mix), np.float32))
    album = folder / "album"
    album.mkdir()
    for number, level in enumerate((-20.0, -14.0, -30.0, -14.0), 1):
        write(album / f"{number} song.wav", noise(4.0, level, seed=number), 44_100, "PCM_16")
    write(album / "4 song (instrumental).wav", noise(5.0, -14.0, seed=4), 44_100, "PCM_16")
    write(album / "5 tone.wav", sine(3.0, -3.0, channels=1), 48_000)
    write(album / "6 nothing.wav", silence(3.0, 2))
    (album / "7 broken.wav").write_bytes(b"RIFF, not really")
    (folder / "plant.toml").write_text(PLANT)
    parts = {name: sound for name, sound in song(1, 12.0).items() if name != "music/shaker"}
    for name, sound in parts.items():
        (folder / "stems" / name).parent.mkdir(parents=True, exist_ok=True)
        write(folder / "stems" / f"{name}.wav", sound, subtype="FLOAT")
    write(folder / "stems" / "bass" / "short.wav", silence(1.0, 1), 44_100, "PCM_16")
    (folder / "stems" / "broken.wav").write_bytes(b"RIFF, not really")
    write(folder / "whole.wav", np.tanh(mixed(parts, {"bass/bass": 2.0})), subtype="FLOAT")
    write(folder / "rough.wav", mixed(song(1, 12.0), {"vocals/lead": 3.0}), subtype="FLOAT")
    stated = chunk(b"bext", bext(b"A=PCM,F=96000"))
    (folder / "stated.wav").write_bytes(riff(fmt(), chunk(b"data", bytes(4800)), stated))
    return folder


@pytest.fixture(scope="module")
def printed(folder: Path) -> dict[str, Any]:
    """One result of every command."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SENDOFF_CACHE", str(folder / "cache"))
        patch.chdir(folder)
        from master_check.selftest import published
        from master_check.selftest import run as selftest

        patch.setattr(selftest, "CASES", published.CASES[:2])  # what they read is tested elsewhere
        mix, master, album, plant = (folder / name for name in ("mix.wav", "master.wav", "album", "plant.toml"))
        return {
            "check": run("check", *sorted(album.iterdir()), "-p", "streaming", "-p", plant),
            "check, no profile": run("check", mix),
            "check, origin": run("check", "--origin", master, album / "6 nothing.wav"),
            "album": run("album", album, "-p", plant),
            "compare": run("compare", mix, master, "-p", "streaming"),
            "plan": run("plan", mix, "-p", "streaming", "--target", "-8", "--clip", "0.5"),
            "rehearse": run("rehearse", album / "4 song.wav", "-p", plant),
            "plan, rehearsed": run("plan", mix, "-p", plant, "--rehearse"),
            "plan, no target": run("plan", mix, "-p", "cd"),
            "plan, nothing": run("plan", album / "6 nothing.wav", "-p", "streaming"),
            "tags": run("tags", folder / "stated.wav", mix, album / "7 broken.wav"),
            "deliver": run("deliver", mix, "-p", "cd", "-p", "streaming", "--to", "out"),
            "deliver, later": run("deliver", "--verify", "out"),
            "stems against": run("stems", "stems", "--mix", "whole.wav", "--rough", "rough.wav"),
            "stems, no mix": run("stems", *sorted((folder / "stems" / "drums").iterdir())),
            "catalogue": run("catalogue", album, "--out", "vault.parquet", "-p", plant, "--worst", "9"),
            "catalogue, read": run("catalogue", "--out", "vault.parquet"),
            "selftest": run("selftest", "--quick"),
            "profile of our own": run("profiles", "show", plant),
            **{path.stem: run("profiles", "show", path.stem) for path in shipped_folder().glob("*.toml")},
        }


@pytest.fixture(scope="module")
def validator() -> Any:
    schema = json.loads(CliRunner().invoke(cli, ["schema", "results"]).stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_every_commands_output_is_what_the_schema_says(printed: dict[str, Any], validator: Any) -> None:
    for name, found in printed.items():
        best = jsonschema.exceptions.best_match(validator.iter_errors(found))
        assert best is None, (name, best.json_path, best.message)
    used = {name for name in validator.schema["$defs"] if f'/{name}"' in json.dumps(validator.schema)}
    assert used == set(validator.schema["$defs"])


def objects(schema: Any) -> Iterator[dict[str, Any]]:
    """Every schema of an object in a schema."""
    if isinstance(schema, dict) and schema.get("type") == "object":
        yield schema
    for part in schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ():
        yield from objects(part)


def test_no_object_may_have_an_undeclared_key(validator: Any) -> None:
    """But for the figures of an album's observations, of which each kind has its own."""
    schema = validator.schema
    own = schema["$defs"]["Observation"]["properties"].pop("values")
    closed = list(objects(schema))
    schema["$defs"]["Observation"]["properties"]["values"] = own
    assert len(closed) > 30
    assert all(part["additionalProperties"] is False for part in closed)


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("check", ("files", 0, "measures")),
        ("check", ("files", 0, "checks", 0, "rules", 0)),
        ("check, origin", ("files", 0, "origin", 2)),
        ("album", ("files", 4, "version_of")),
        ("album", ("album", "measures")),
        ("compare", ("comparison", "saturation", "sides", 0)),
        ("plan", ("plan", "true_peak_limiter", "result")),
        ("rehearse", ("rehearsal", "runs", 3)),
        ("rehearse", ("rehearsal", "runs", 3, "worst", 0)),
        ("rehearse", ("rehearsal", "planned", 0)),
        ("profile of our own", ("rehearse", 0)),
        ("deliver", ("delivery", "files", 1)),
        ("deliver, later", ("verification", 0, "files", 1)),
        ("stems against", ("stems", "stems", 0)),
        ("stems against", ("stems", "mix", "stems", 2)),
        ("stems against", ("stems", "rough", "stems", 2)),
        ("stems against", ("stems", "remarks", 0)),
        ("catalogue", ("catalogue",)),
        ("catalogue", ("catalogue", "worst", 1)),
        ("catalogue", ("catalogue", "worst", 1, "checks", 0, "broken", 0)),
        ("catalogue", ("catalogue", "broken", 0)),
        ("selftest", ("selftest", 0)),
        ("profile of our own", ("rule", 0)),
    ],
)
def test_a_key_too_many_or_too_few_fails(
    printed: dict[str, Any], validator: Any, name: str, place: tuple[Any, ...]
) -> None:
    found = copy.deepcopy(printed[name])
    part = found
    for step in place:
        part = part[step]
    part["undeclared"] = 1
    assert not validator.is_valid(found)
    del part["undeclared"]
    assert validator.is_valid(found)
    if "measures" not in place:
        part.pop(next(iter(part)))
        assert not validator.is_valid(found)


def test_the_figures_are_those_of_the_table_of_quantities(printed: dict[str, Any]) -> None:
    for file in printed["check"]["files"]:
        assert list(file["measures"]) == ([] if file["error"] else list(QUANTITIES))
        for channel in file["channels"]:
            assert list(channel) == ["label", *CHANNEL_KEYS]
    assert list(printed["album"]["album"]["measures"]) == list(ALBUM_QUANTITIES)


def test_every_file_has_the_checksum_of_its_bytes(printed: dict[str, Any]) -> None:
    for name in ("check", "album", "compare", "plan", "rehearse"):
        for file in printed[name]["files"]:
            real = hashlib.sha256(Path(file["path"]).read_bytes()).hexdigest()
            assert file["sha256"] == (None if file["error"] else real)


def test_every_check_says_which_files_its_profile_came_from(printed: dict[str, Any], folder: Path) -> None:
    files = [folder / "plant.toml", shipped_folder() / "cd.toml", shipped_folder() / "metadata.toml"]
    own, *bases = [{"file": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()} for path in files]
    where = {**own, "bases": bases}
    for check in (
        printed["check"]["files"][0]["checks"][1],
        printed["album"]["album"]["checks"][0],
        printed["profile of our own"]["profile"],
    ):
        assert {key: check[key] for key in where} == where


# --- text that anybody's parser reads ---


NAMES = ["plain", "\N{FIRE} fire", "back\\slash \\udcff", 'quote"', "lone \udcff\ud83d", "\udc80", "\\\udcff"]


def test_names_that_are_no_unicode_are_read_by_strict_parsers() -> None:
    """RFC 8259, section 8.2: what a parser does with half a surrogate pair is unpredictable; many refuse it."""
    written = json_text(NAMES)
    read = json.loads(written)
    assert written.isascii()
    for name, text in zip(NAMES, read, strict=True):
        text.encode("utf-8")  # a lone surrogate could not be
        if "\udcff" not in name and "\udc80" not in name:
            assert text == name
    assert read[4:] == ["lone \\xff\\ud83d", "\\x80", "\\\\xff"]


def test_a_file_whose_name_is_not_utf_8(tmp_path: Path) -> None:
    """Read by SQLite's parser, which is strict and not Python's."""
    name = f"{tmp_path}/" + os.fsdecode(b"\xff.wav")
    done = CliRunner().invoke(cli, ["check", "--json", name])
    query = "SELECT json_extract(?, '$.files[0].path')"
    (shown,) = sqlite3.connect(":memory:").execute(query, (done.stdout,)).fetchone()
    assert shown == f"{tmp_path}/\\xff.wav"


FORMULAS = {
    "=1+1.wav": "'=1+1.wav",
    " =1+1.wav": " '=1+1.wav",
    "\u00a0@x": "\u00a0'@x",
    "\u3000\uff1d1+1": "\u3000'\uff1d1+1",
    "\uff0b1": "'\uff0b1",
    "a;=1+1": "a;'=1+1",
    "a; -1": "a; '-1",
    'a"=1+1': "a\"'=1+1",
    "a'=1": "a''=1",
    "a|@b": "a|'@b",
    "a,=b": "a,'=b",
    "a\n=b": "a\\x0a=b",
    "a\t=b": "a\\x09=b",
    "Artist - Song, take 2.wav": "Artist - Song, take 2.wav",
    "a-b=c+d@e.wav": "a-b=c+d@e.wav",
}


def test_no_cell_begins_a_formula_whatever_separates_the_cells() -> None:
    """Separators that spreadsheets guess: comma, semicolon, tab, bar. Read by Python's own reader for each."""
    written = csv_text([Checked(name, error=name) for name in FORMULAS])
    rows = list(csv.reader(io.StringIO(written)))[1:]
    assert [row[0] for row in rows] == list(FORMULAS.values())
    assert [row[-1] for row in rows] == list(FORMULAS.values())
    for separator in ",;\t|":
        for quoting in (csv.QUOTE_MINIMAL, csv.QUOTE_NONE):
            for row in csv.reader(io.StringIO(written), delimiter=separator, quoting=quoting):
                for cell in row:
                    assert cell.strip(" \"'\u00a0\u3000")[:1] not in tuple("=+-@\uff1d\uff0b") or "'" in cell, cell
