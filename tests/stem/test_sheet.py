"""The gain sheet, against the alignment level of EBU R 68, arithmetic, and sums by numpy."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from master_check.judgement.profile_files import load_profile
from master_check.report.wording.stems import remark
from master_check.stem.files import StemsError, find_stems
from master_check.stem.sheet import Stems, stems
from tests.signals import noise, programme, silence, sine, write

RATE = 48_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Drums of two stems, a bass, and what goes wrong with stems."""
    folder = tmp_path_factory.mktemp("stems")
    for group in ("drums", "bass", "odd"):
        (folder / group).mkdir()
    write(folder / "drums" / "kick 2.wav", programme(4.0, 1, seed=1))
    write(folder / "drums" / "kick 10.wav", noise(4.0, -30.0, seed=2, channels=1))
    tone = sine(4.0, -18.0, 1000.0, channels=1)
    write(folder / "bass" / "tone.wav", tone)
    write(folder / "odd" / "tone and rest.wav", np.concatenate([tone, silence(4.0, 1), tone]))
    write(folder / "odd" / "kick again.wav", -0.5 * programme(4.0, 1, seed=1))
    write(folder / "odd" / "never.wav", silence(4.0, 2))
    write(folder / "odd" / "other rate.wav", noise(4.0, -24.0, seed=3), 44_100)
    write(folder / "odd" / "loud.wav", sine(4.0, 6.0, 1000.0), subtype="FLOAT")
    (folder / "odd" / "broken.wav").write_bytes(b"RIFF, not really")
    (folder / ".hidden.wav").write_bytes(b"")
    (folder / "notes.txt").write_text("not a stem")
    return folder


@pytest.fixture(scope="module")
def sheet(folder: Path) -> Stems:
    return stems(folder)


def values(sheet: Stems, name: str) -> dict[str, Any]:
    return dict(next(stem.values for stem in sheet.stems if stem.name == name))


def said(sheet: Stems) -> list[str]:
    return [remark(each, sheet.stems) for each in sheet.remarks]


def test_sub_folders_are_groups_in_natural_order(folder: Path) -> None:
    found = find_stems([folder])
    assert [place.name for place in found][:3] == ["bass/tone.wav", "drums/kick 2.wav", "drums/kick 10.wav"]
    assert {place.group for place in found} == {"bass", "drums", "odd"}
    assert len(found) == 9


def test_line_up_tone_of_r68_reads_alignment_level(sheet: Stems) -> None:
    """EBU R 68-2000: alignment level is a sine of -18 dBFS."""
    tone = values(sheet, "bass/tone.wav")
    assert tone["playing_level_dbfs"] == pytest.approx(-18.0, abs=0.001)
    assert tone["playing_percent"] == 100.0
    assert tone["trim_db"] == pytest.approx(0.0, abs=0.001)


def test_rests_do_not_count(sheet: Stems) -> None:
    """But for the blocks of 400 ms at the edges of a rest, which pass the gates of ITU-R BS.1770-5 from 10 % on.

    Each of two edges has three such blocks, a quarter to three quarters full, and 37 are full on either side.
    """
    tone = values(sheet, "odd/tone and rest.wav")
    blocks = 37.0 * 2.0 + 2.0 * (0.25 + 0.5 + 0.75)
    expected = -18.0 + 10.0 * np.log10(blocks / (37.0 * 2.0 + 6.0))
    assert tone["playing_level_dbfs"] == pytest.approx(expected, abs=0.01)
    assert tone["playing_percent"] == pytest.approx(100.0 * (8.0 + 0.6) / 12.0, abs=0.1)


def test_trim_is_held_back_by_the_peak(folder: Path, sheet: Stems) -> None:
    """Common practice: level -18 dBFS, but no peak above -6."""
    kick = values(sheet, "drums/kick 2.wav")
    frames, _ = soundfile.read(folder / "drums" / "kick 2.wav")
    level = kick["playing_level_dbfs"]
    peak = 20.0 * np.log10(np.abs(frames).max())
    assert kick["trim_db"] == pytest.approx(min(-18.0 - level, -6.0 - peak), abs=1e-3)
    assert kick["trimmed_peak_dbfs"] == pytest.approx(peak + kick["trim_db"], abs=1e-6)
    assert kick["trimmed_peak_dbfs"] <= -6.0 + 1e-6


def test_a_bus_is_the_sum_of_its_stems(folder: Path, sheet: Stems) -> None:
    total = sum(soundfile.read(folder / "drums" / f"kick {n}.wav")[0] for n in (2, 10))
    (drums,) = (bus for bus in sheet.buses if bus.group == "drums")
    assert drums.values["sample_peak_dbfs"] == pytest.approx(20.0 * np.log10(np.abs(total).max()), abs=1e-3)
    assert [sheet.stems[place].name for place in drums.stems] == ["drums/kick 2.wav", "drums/kick 10.wav"]
    assert not [bus for bus in sheet.buses if bus.group == "bass"], "one stem is no bus"


def test_what_does_not_go_together_is_told(sheet: Stems) -> None:
    told = said(sheet)
    assert "not read: odd/broken.wav" in told
    assert "never plays: odd/never.wav" in told
    assert "44.1 kHz, most others 48 kHz: odd/other rate.wav" in told
    assert "the same audio at another level or polarity: drums/kick 2.wav, odd/kick again.wav" in told
    assert "0:12.000 long, most others 0:04.000: odd/tone and rest.wav" in told
    whole = next(bus for bus in sheet.buses if bus.group is None)
    assert {sheet.stems[place].name for place in whole.left_out} == {"odd/broken.wav", "odd/other rate.wav"}


def test_floating_point_above_full_scale_is_not_called_clipped(sheet: Stems) -> None:
    loud = next(stem for stem in sheet.stems if stem.name == "odd/loud.wav")
    broken = {finding.quantity.key for verdict in loud.verdicts for finding in verdict.broken()}
    assert broken == {"sample_peak_dbfs"}


def test_the_profile_sets_alignment_and_peak(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text(
        '[profile]\nname = "ours"\ntitle = "Ours"\nsource = "common practice"\n'
        '[[rule]]\nmeasure = "playing_level_dbfs"\ntarget = -20.0\ntolerance = 3.0\n'
        '[[rule]]\nmeasure = "sample_peak_dbfs"\nmax = -10.0\n'
    )
    found = stems([folder / "bass" / "tone.wav"], load_profile(tmp_path / "ours.toml"))
    assert found.stems[0].trim_db == pytest.approx(-2.0, abs=0.01)
    assert found.result == "pass"


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StemsError, match="no sound files"):
        stems(tmp_path)
