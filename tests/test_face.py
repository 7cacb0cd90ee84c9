"""The Python face: complete, lazy, and never hidden by a module of the same name. Every docstring's example runs."""

import doctest
import pkgutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

import master_check
from tests.signals import programme, sine, write

MODULES = [
    module.name
    for module in pkgutil.walk_packages(master_check.__path__, "master_check.")
    if not module.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_run(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert doctest.testmod(import_module(name)).failed == 0


def test_some_examples_there_are() -> None:
    finder = doctest.DocTestFinder()
    found = [test for name in MODULES for test in finder.find(import_module(name)) if test.examples]
    assert len(found) >= 5


def test_no_public_name_is_a_module() -> None:
    for name in MODULES:
        import_module(name)
    for name in master_check.__all__:
        assert not isinstance(getattr(master_check, name), ModuleType), name
        assert name in dir(master_check)


def test_the_package_alone_imports_nothing_heavy() -> None:
    script = "import sys, master_check; print([n for n in ('numpy', 'numba', 'soundfile') if n in sys.modules])"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert out.stdout == "[]\n"


def test_what_there_is_not() -> None:
    with pytest.raises(AttributeError, match="no attribute 'mesure'"):
        _ = master_check.mesure


def test_measure_twice_and_imported(tmp_path: Path) -> None:
    from master_check import measure

    path = write(tmp_path / "a.wav", sine(1.0, -20.0, 997.0, channels=2))
    assert master_check.measure(path) == measure(path) == master_check.measure(path)


def test_check_takes_one_profile_or_several(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", sine(1.0, -20.0, 997.0, channels=2), 44_100, "PCM_16")
    cd = master_check.load_profile("cd")
    alone, (verdict,) = master_check.check(path, "cd")
    for same in (["cd"], cd, [cd], ("cd",)):
        measurement, verdicts = master_check.check(path, same)
        assert (measurement, verdicts) == (alone, [verdict])
    assert [v.profile for v in master_check.check(path, ["cd", "streaming"])[1]] == ["cd", "streaming"]
    assert master_check.check(path)[1] == []


def test_album_compare_and_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))
    (tmp_path / "album").mkdir()
    mix = programme(12.0, 2, 48_000, seed=5) * 0.25
    write(tmp_path / "album" / "2.wav", 2.0 * mix)
    write(tmp_path / "album" / "10.wav", mix)
    found = master_check.album(tmp_path / "album", "cd")
    assert [Path(track.path).name for track in found.tracks] == ["2.wav", "10.wav"]
    assert found.tracks[0].verdicts[0].profile == "cd"
    pair = master_check.compare(tmp_path / "album" / "10.wav", tmp_path / "album" / "2.wav")
    assert pair.alignment.gain_db == pytest.approx(6.02, abs=0.01)
    planned = master_check.plan(tmp_path / "album" / "10.wav", "streaming", target_lufs=-20.0)
    assert planned.plan.target_lufs == -20.0
    assert planned.premaster.verdicts[0].profile == "premaster"
    assert planned.profile.name == "streaming"
