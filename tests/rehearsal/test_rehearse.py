"""A master through all its rehearsals: what is told is what others measure, with the gain that is told and without."""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from master_check import rehearse
from master_check.cli import cli
from master_check.judgement.profile import Rehearsal
from master_check.rehearsal.errors import RehearsalError
from tests.rehearsal.masters import RATE, loud, peak_16_times, peak_rule, profile_of, second_decoder
from tests.signals import amplitude, noise, silence, write

MP3 = Rehearsal("MP3", "mp3", 128, rules=peak_rule())
VORBIS = Rehearsal("Vorbis", "vorbis", 96, rules=peak_rule())
HALF = Rehearsal("48 kHz", "rate", rate_hz=48_000, rules=peak_rule())

PLAIN = {"MP3": ("MP3", "MPEG_LAYER_III", (320 - 128) / 288), "Vorbis": ("OGG", "VORBIS", 0.8)}
"""Compression levels of libsndfile for these: 320 - 288 x level kbit/s; quality 0.2, nominally 96 kbit/s."""


def others_peak(name: str, frames: Any, gain_db: float, folder: Path) -> float:
    """True peak of an encode that soundfile made and libavcodec decoded."""
    container, subtype, level = PLAIN[name]
    path = folder / f"{name}.{container.lower()}"
    mode = {"bitrate_mode": "CONSTANT"} if container == "MP3" else {}
    with soundfile.SoundFile(path, "w", RATE, 2, subtype, format=container, compression_level=level, **mode) as file:
        file.write(np.asarray(frames * amplitude(gain_db), np.float32))
    return peak_16_times(second_decoder(path)[: len(frames)])


def test_the_safe_gain_is_safe_and_a_step_more_is_not(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", loud(2.0), RATE, "PCM_24")
    frames, _ = soundfile.read(path, dtype="float32")
    found = rehearse(path, profile_of(MP3, VORBIS, HALF))
    for run in found.runs[:2]:
        gain = run.safe_gain_db
        assert gain is not None and gain < 0.0
        assert run.result == "warn"
        assert others_peak(run.rehearsal.name, frames, gain, tmp_path) <= 0.03
        assert others_peak(run.rehearsal.name, frames, gain + 0.1, tmp_path) > -0.03
        assert run.worst[0].true_peak_dbtp == max(place.true_peak_dbtp for place in run.worst)
    assert found.safe_gain_db is not None and found.safe_ceiling_dbtp is not None
    assert found.safe_gain_db <= min(run.safe_gain_db or 0.0 for run in found.runs)
    for name in PLAIN:
        assert others_peak(name, frames, found.safe_gain_db, tmp_path) <= 0.03
    assert found.safe_ceiling_dbtp == pytest.approx(peak_16_times(frames) + found.safe_gain_db, abs=0.06)
    (planned,) = found.planned
    assert planned.ceiling_dbtp == -1.0
    at_plan = -np.ceil((peak_16_times(frames) + 1.0) * 10.0) / 10.0
    assert planned.enough == (max(others_peak(name, frames, at_plan, tmp_path) for name in PLAIN) <= 0.0)


def test_a_quiet_master_is_left_as_it_is(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", noise(1.0, -30.0), 48_000)
    found = rehearse(path, profile_of(MP3, HALF))
    assert (found.safe_gain_db, found.result) == (0.0, "pass")
    assert [run.worst for run in found.runs] == [(), ()]
    assert found.runs[1].encoder is None  # at 48 kHz already
    assert found.planned[0].enough is None  # far below the planned ceiling: nothing was tried there


def test_the_same_encode_for_two_profiles_is_judged_by_each(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", noise(1.0, -20.0), RATE)
    strict = Rehearsal("strict", "mp3", 128, rules=peak_rule(-20.0, "must"))
    found = rehearse(path, [profile_of(MP3), profile_of(strict)])
    assert [run.result for run in found.runs] == ["pass", "fail"]
    assert found.runs[0].measurement is found.runs[1].measurement


@pytest.mark.parametrize("frames", [silence(1.0, 2, RATE), noise(0.003, -20.0, rate=RATE)], ids=["silence", "shred"])
def test_silence_and_shreds(tmp_path: Path, frames: Any) -> None:
    found = rehearse(write(tmp_path / "master.wav", frames, RATE), "streaming")
    assert found.result == "pass"
    assert all(run.error is None for run in found.runs)


def test_a_profile_without_rehearsals(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", noise(0.5), RATE)
    with pytest.raises(RehearsalError, match=r"nothing to rehearse: no \[\[rehearse\]\] in the profile \(premaster\)"):
        rehearse(path, "premaster")


def test_a_missing_encoder_is_one_line_and_the_rest_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    path = write(tmp_path / "master.wav", noise(1.0, -20.0, rate=RATE), RATE)
    done = CliRunner().invoke(cli, ["rehearse", str(path), "-p", "podcast", "--json"])
    assert done.exit_code == 2
    assert done.stderr == "sendoff: AAC at 96 kbit/s: needs PyAV: pip install 'sendoff[encodes]'\n"
    runs = json.loads(done.stdout)["rehearsal"]["runs"]
    assert [run["result"] for run in runs] == ["pass", "error"]
    assert runs[1]["measures"] == {} and runs[1]["encoder"] is None


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["rehearse", "master.wav"], "no profile given: its [[rehearse]] says what to rehearse; name one with -p"),
        (["rehearse", "none.wav", "-p", "cd"], "none.wav: no such file"),
        (["rehearse", "master.wav", "-p", "cd", "--json", "--csv"], "--json and --csv: choose one"),
        (
            ["rehearse", "master.wav", "-p", "premaster"],
            "master.wav: nothing to rehearse: no [[rehearse]] in the profile",
        ),
    ],
)
def test_wrong_calls_are_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], line: str) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "master.wav", noise(0.5), RATE)
    done = CliRunner().invoke(cli, words, standalone_mode=False)
    assert str(done.exception).startswith(line)


def test_the_terminal_and_csv_have_the_figures_of_json(tmp_path: Path) -> None:
    path = write(tmp_path / "master.wav", loud(1.2), RATE)
    profile = tmp_path / "own.toml"
    profile.write_text(
        '[profile]\nname = "own"\ntitle = "Own"\n[[rehearse]]\nname = "MP3, low"\nkind = "mp3"\nkbps = 96\n'
        '[[rehearse.rule]]\nmeasure = "true_peak_dbtp"\nmax = 0.0\nwhy = "players clip"\n'
    )
    told, table, values = (
        CliRunner().invoke(cli, ["rehearse", str(path), "-p", str(profile), *form], env={"COLUMNS": "80"}).stdout
        for form in ([], ["--csv"], ["--json"])
    )
    run = json.loads(values)["rehearsal"]["runs"][0]
    assert f"{run['measures']['true_peak_dbtp']:+.2f} dBTP" in told
    assert f"{-run['safe_gain_db']:.1f} dB" in told
    assert "FAILS" in told and "players clip" in told and run["encoder"] in " ".join(told.split())
    assert max(map(len, told.splitlines())) <= 80
    head, row = table.splitlines()
    assert f"{run['measures']['true_peak_dbtp']}" in row and len(head.split(",")) > 60
