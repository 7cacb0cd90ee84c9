"""Plans that allow for encodes: what they propose is limited, encoded and read again by other means."""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from master_check.limiting.clipper import ClipLimit
from master_check.limiting.limiter import limit
from master_check.limiting.plan import Plan, Setting
from master_check.limiting.premaster import PlanError, plan
from master_check.report.wording.plan import needs
from tests.limiting.test_plan import RATE, band, existing, true_peak_elsewhere

PROFILE = """
[profile]
name = "encoded"
title = "Encoded"
source = "Made up for this test"

[[rule]]
measure = "integrated_lufs"
target = -9.0
tolerance = 1.0
level = "must"

[[rule]]
measure = "true_peak_dbtp"
max = -1.0
level = "must"
{rehearsal}
"""

MP3 = """
[[rehearse]]
name = "MP3 at 96 kbit/s"
kind = "mp3"
kbps = 96
rule = [{ measure = "true_peak_dbtp", max = -1.0, level = "must" }]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan")
    soundfile.write(folder / "mix.wav", 0.5 * band(4.0), RATE, subtype="FLOAT")
    for name, rehearsal in (("encoded", MP3), ("plain", "")):
        (folder / f"{name}.toml").write_text(PROFILE.replace("{rehearsal}", rehearsal))
    return folder


@pytest.fixture(scope="module")
def allowing(folder: Path) -> Plan:
    return plan(folder / "mix.wav", folder / "encoded.toml", rehearse=True).plan


def made(folder: Path, setting: Setting) -> NDArray[np.float32]:
    """What the setting leaves, by the limiter as the caller of `limit` has it."""
    frames = soundfile.read(folder / "mix.wav", dtype="float32", always_2d=True)[0]
    if setting.ceiling_dbtp is not None:
        limited = limit(frames, RATE, gain_db=setting.gain_db, ceiling_db=setting.ceiling_dbtp)
    else:
        assert setting.ceiling_dbfs is not None
        limited = limit(frames, RATE, gain_db=setting.gain_db, ceiling_db=setting.ceiling_dbfs, detection="sample_peak")
    return np.asarray(limited.frames)


def mp3_peak(frames: NDArray[np.float32]) -> float:
    """True peak after libsndfile's encoder at 96 kbit/s (level (320 - 96) / 288), by Fourier interpolation."""
    file = io.BytesIO()
    kind = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": 224 / 288}
    soundfile.write(file, frames, RATE, **kind)
    file.seek(0)
    return true_peak_elsewhere(soundfile.read(file, always_2d=True)[0])


SETTINGS: dict[str, Callable[[Plan], Setting | None]] = {
    "true_peak_limiter": lambda found: found.true_peak_limiter,
    "sample_peak_limiter": lambda found: found.sample_peak_limiter,
}


def test_the_ceilings_are_low_enough_for_the_encode(folder: Path, allowing: Plan) -> None:
    found, allowed = allowing, allowing.allowed_for
    assert allowed is not None and allowed.profile_limit_dbtp == -1.0
    assert allowed.lowered_db >= 0.1
    assert found.true_peak_limit_dbtp == pytest.approx(-1.0 - allowed.lowered_db)
    assert {run.setting for run in allowed.runs} == set(SETTINGS)
    for run in allowed.runs:
        peak = mp3_peak(made(folder, existing(SETTINGS[run.setting](found))))
        assert run.true_peak_dbtp == pytest.approx(peak, abs=0.05)  # its limiter's detector is set a hair higher
        assert peak <= -1.0
    assert f"limit lowered by {allowed.lowered_db:.1f} dB" in needs(found)[2]


def test_a_tenth_more_is_too_much(folder: Path, allowing: Plan) -> None:
    """The same plan for a limit a step higher, made and encoded: one of the two limiters leaves too much."""
    limit_dbtp = allowing.true_peak_limit_dbtp + 0.1
    text = (folder / "plain.toml").read_text().replace("max = -1.0", f"max = {limit_dbtp}")
    (folder / "higher.toml").write_text(text)
    higher = plan(folder / "mix.wav", folder / "higher.toml").plan
    assert higher.allowed_for is None
    assert max(mp3_peak(made(folder, existing(each(higher)))) for each in SETTINGS.values()) > -1.0


def test_gain_alone_and_clipping_are_encoded_too(folder: Path) -> None:
    quiet = plan(folder / "mix.wav", folder / "encoded.toml", target_lufs=-30.0, rehearse=True).plan
    assert quiet.allowed_for is not None and quiet.allowed_for.lowered_db == 0.0
    assert [run.setting for run in quiet.allowed_for.runs] == ["plain"]
    assert "limit of -1.0 dBTP" in " ".join(needs(quiet))
    clip = ClipLimit("hard", 0.5, None)
    clipped = plan(folder / "mix.wav", folder / "encoded.toml", target_lufs=-14.0, clip=clip, rehearse=True).plan
    assert clipped.allowed_for is not None
    assert "clipped" in {run.setting for run in clipped.allowed_for.runs}


def test_a_profile_without_encodes_is_refused(folder: Path) -> None:
    with pytest.raises(PlanError, match=r"nothing to rehearse: no \[\[rehearse\]\] with a peak limit"):
        plan(folder / "mix.wav", folder / "plain.toml", rehearse=True)
