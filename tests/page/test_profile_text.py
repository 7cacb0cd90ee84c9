"""Faults in a profile's text, and the lines they are on."""

from pathlib import Path

import pytest

from master_check.judgement.profile import ProfileError
from master_check.judgement.profile_files import load_profile
from master_check.output import OutputError
from master_check.page import profile_text
from master_check.page.profile_text import faults, save

GOOD = """[profile]
name = "own"
title = "Mine"
source = "the client's sheet"

[[rule]]
measure = "integrated_lufs"
target = -14.0
tolerance = 1.0

[[rule]]
measure = "true_peak_dbtp"
max = -1.0
"""


def test_a_good_one_has_none() -> None:
    assert faults(GOOD) == ()


@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ("max = -1.0", "max = 'loud'", 13),
        ('measure = "true_peak_dbtp"', 'measure = "no_such"', 11),
        ("title =", "titel =", 3),
        ("[[rule]]", "[[rule]", 6),
        ("max = -1.0", "max = -1.0\nfoo = 3", 14),
        ("[profile]", "loose = 1\n[profile]", 1),
    ],
)
def test_each_fault_is_on_its_line(before: str, after: str, line: int) -> None:
    assert line in [fault.line for fault in faults(GOOD.replace(before, after))]


def test_saved_where_profiles_are_looked_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(profile_text, "user_folder", lambda: tmp_path / "profiles")
    place = save("own", GOOD, replace=False)
    assert place.read_text() == GOOD
    assert load_profile(place).title == "Mine"
    with pytest.raises(OutputError, match="already"):
        save("own", GOOD, replace=False)
    save("own", GOOD.replace("Mine", "Ours"), replace=True)
    assert load_profile(place).title == "Ours"


@pytest.mark.parametrize("name", ["", "../own", "Own", "own.toml", "own/x"])
def test_a_name_that_is_a_path_is_refused(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(profile_text, "user_folder", lambda: tmp_path)
    with pytest.raises(ProfileError):
        save(name, GOOD, replace=True)
    assert list(tmp_path.iterdir()) == []


def test_a_faulty_one_is_not_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(profile_text, "user_folder", lambda: tmp_path)
    with pytest.raises(ProfileError):
        save("own", GOOD.replace("-1.0", "'x'"), replace=True)
    assert list(tmp_path.iterdir()) == []
