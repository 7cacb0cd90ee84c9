"""The store: recalled is what was measured, whatever happened to the file's name; and a broken store costs only time.

The SHA-256 is checked against `sha256sum` of GNU coreutils where it is there.
"""

import hashlib
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from master_check.measurement import store as store_module
from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import MEASUREMENT_VERSION, measure, measure_source
from master_check.measurement.store import Store, checksum
from master_check.sound.checksum import sha256
from master_check.sound.format import AudioError
from master_check.sound.source import Source
from master_check.tables.layouts import Layout, parse
from master_check.tables.quantities import QUANTITIES


def measured(
    path: str | Path,
    layout: Layout | None = None,
    fresh: bool = False,
    progress: Callable[[float], Any] | None = None,
) -> tuple[Measurement, str]:
    """What a store of its own gives, and the checksum in it."""
    with Store() as store:
        found = store.measured(path, layout, fresh, progress)
    assert found.sha256 is not None
    return found, found.sha256


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def measures(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The files that were really measured, in order."""
    done: list[str] = []

    def counted(source: Source, progress: Callable[[float], Any] | None = None, origin: bool = False) -> Measurement:
        done.append(Path(source.name).name)
        return measure_source(source, progress=progress, origin=origin)

    monkeypatch.setattr(store_module, "measure_source", counted)
    return done


@pytest.fixture
def hashes(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The files that were really read for their checksum."""
    done: list[str] = []
    original = sha256

    def counted(path: str | Path) -> str:
        done.append(Path(path).name)
        return original(path)

    monkeypatch.setattr(store_module, "sha256", counted)
    return done


def write(path: Path, level: float = 0.25, seconds: float = 2.0, channels: int = 2, rate: int = 48_000) -> Path:
    random = np.random.default_rng(7)
    soundfile.write(path, level * random.uniform(-1, 1, (round(seconds * rate), channels)), rate, "PCM_24")
    return path


def settle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files just written count as settled."""
    monkeypatch.setattr(store_module, "SETTLED_NS", 0)
    time.sleep(0.02)


def assert_same(a: Measurement, b: Measurement) -> None:
    """Equal in every figure, and bit for bit in every array."""
    assert a == b
    assert a.series.rate == b.series.rate
    for name in ("energy", "tops", "bands"):
        one, other = getattr(a.series, name), getattr(b.series, name)
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other)


def test_recalls_what_was_measured(tmp_path: Path, measures: list[str]) -> None:
    path = write(tmp_path / "a.wav")
    first, digest = measured(path)
    again, digest_again = measured(path)
    assert measures == ["a.wav"]
    assert digest == digest_again
    assert_same(first, again)
    assert_same(first, measure(path))
    types = {key: type(value) for key, value in first.values.items()}
    assert {key: type(value) for key, value in again.values.items()} == types


def test_recalled_arrays_can_be_used_like_measured_ones(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav")
    measured(path)
    series = measured(path)[0].series
    for array in (series.energy, series.tops, series.bands):
        assert array.flags.writeable
        assert array.flags.aligned
        assert array.flags.c_contiguous


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here to compare with")
def test_checksum_is_that_of_coreutils(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav")
    expected = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout.split()[0]
    assert checksum(path) == expected
    assert measured(path)[1] == expected


def test_changed_file_of_the_same_name_is_measured(tmp_path: Path, measures: list[str]) -> None:
    path = write(tmp_path / "a.wav", 0.25)
    first, digest = measured(path)
    write(path, 0.5)
    second, other = measured(path)
    assert measures == ["a.wav", "a.wav"]
    assert digest != other
    loudness = [float(m.values["integrated_lufs"] or 0.0) for m in (first, second)]
    assert loudness[1] - loudness[0] == pytest.approx(6.02, abs=0.01)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no time of change that a program cannot set")
def test_change_with_size_and_mtime_put_back_is_seen(
    tmp_path: Path, measures: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "a.wav", 0.25)
    settle(monkeypatch)
    before = path.stat()
    digest = measured(path)[1]
    data = bytearray(path.read_bytes())
    data[5000] ^= 0x10
    with path.open("r+b") as file:  # in place: the inode stays
        file.write(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    after = path.stat()
    assert (after.st_size, after.st_mtime_ns, after.st_ino) == (before.st_size, before.st_mtime_ns, before.st_ino)
    assert measured(path)[1] != digest
    assert measures == ["a.wav", "a.wav"]


def test_settled_file_is_not_read_again(tmp_path: Path, hashes: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.wav")
    settle(monkeypatch)
    for _ in range(3):
        measured(path)
    checksum(path)
    assert hashes == ["a.wav"]


def test_file_written_a_moment_ago_is_read_again(tmp_path: Path, hashes: list[str]) -> None:
    """Two changes within one tick of the file system's clock would look like one."""
    path = write(tmp_path / "a.wav")
    measured(path)
    measured(path)
    assert hashes == ["a.wav", "a.wav"]


def test_renamed_and_copied_files_are_recalled_under_their_new_names(tmp_path: Path, measures: list[str]) -> None:
    path = write(tmp_path / "a.wav")
    first, _ = measured(path)
    copy = tmp_path / "copy.wav"
    shutil.copy(path, copy)
    moved = path.rename(tmp_path / "renamed.wav")
    for place in (copy, moved):
        again, _ = measured(place)
        assert again.path == str(place)
        assert again.values == first.values
    assert measures == ["a.wav"]


def test_two_files_that_swap_names(tmp_path: Path, measures: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    a, b = write(tmp_path / "a.wav", 0.25), write(tmp_path / "b.wav", 0.5)
    settle(monkeypatch)
    before = [measured(path)[0].values for path in (a, b)]
    a.rename(tmp_path / "c.wav")
    b.rename(a)
    (tmp_path / "c.wav").rename(b)
    assert [measured(path)[0].values for path in (b, a)] == before
    assert measures == ["a.wav", "b.wav"]


def test_another_version_of_the_measurement_measures_anew(
    tmp_path: Path, measures: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "a.wav")
    measured(path)
    monkeypatch.setattr(store_module, "MEASUREMENT_VERSION", MEASUREMENT_VERSION + 1)
    measured(path)
    measured(path)
    monkeypatch.undo()
    assert len(measures) == 2


def test_a_table_with_other_quantities_measures_anew(
    tmp_path: Path, measures: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "a.wav")
    measured(path)
    monkeypatch.setattr(store_module, "QUANTITIES", QUANTITIES | {"new_db": None})
    measured(path)
    assert len(measures) == 2


def test_layouts_are_kept_apart(tmp_path: Path, measures: list[str]) -> None:
    path = write(tmp_path / "a.wav", channels=6)
    plain, _ = measured(path)
    film, _ = measured(path, parse("L,C,R,Ls,Rs,LFE"))
    assert plain.values["integrated_lufs"] != film.values["integrated_lufs"]
    assert_same(measured(path)[0], plain)
    again = measured(path, parse("L,C,R,Ls,Rs,LFE"))[0]
    assert_same(again, film)
    assert again.format == film.format
    assert len(measures) == 2


def test_fresh_looks_at_nothing_and_remembers(tmp_path: Path, measures: list[str], hashes: list[str]) -> None:
    path = write(tmp_path / "a.wav")
    measured(path)
    measured(path, fresh=True)
    assert len(measures) == len(hashes) == 2
    measured(path)
    assert len(measures) == 2


def test_progress_adds_up_either_way(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav")
    for _ in range(2):
        told: list[float] = []
        measured(path, progress=told.append)
        assert sum(told) == pytest.approx(1.0)


def test_a_name_that_is_not_unicode(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9 \xff.wav")
    try:
        write(tmp_path / "a.wav").rename(path)
    except OSError:
        pytest.skip("this file system takes only Unicode names")
    first, _ = measured(path)
    assert_same(measured(path)[0], first)


def garbage(path: Path) -> None:
    path.write_bytes(b"this is no database" * 1000)


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def other_schema(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE files (name TEXT)")
        db.execute("CREATE TABLE records (key TEXT, content TEXT)")
    db.close()


def holes(path: Path) -> None:
    """Every page but the first overwritten."""
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))


def _edit(path: Path, statement: str) -> None:
    with sqlite3.connect(path) as db:
        assert db.execute(statement).rowcount == 1
    db.close()


def short_record(path: Path) -> None:
    _edit(path, "UPDATE records SET content = substr(content, 1, length(content) - 100)")


def flipped_record(path: Path) -> None:
    _edit(path, "UPDATE records SET content = substr(content, 1, length(content) - 1) || x'ee'")


def wrong_types(path: Path) -> None:
    _edit(path, "UPDATE records SET content = 'text', used = 'now', digest = 7")


def not_a_record(path: Path) -> None:
    """A record that is whole, but says something else."""
    _edit(path, f"UPDATE records SET content = x'{b'{}'.hex()}', digest = x'{hashlib.sha256(b'{}').hexdigest()}'")


@pytest.mark.parametrize(
    "damage",
    [garbage, truncated, emptied, other_schema, holes, short_record, flipped_record, wrong_types, not_a_record],
)
def test_broken_store_costs_only_time(
    damage: Callable[[Path], None], tmp_path: Path, cache: Path, measures: list[str]
) -> None:
    path = write(tmp_path / "a.wav")
    first, digest = measured(path)
    damage(cache / "measurements.sqlite3")
    again, same = measured(path)
    assert_same(first, again)
    assert digest == same
    # And it works again from then on.
    measured(path)
    assert measures == ["a.wav", "a.wav"]


def test_broken_while_open(tmp_path: Path, cache: Path, measures: list[str]) -> None:
    paths = [write(tmp_path / f"{i}.wav", 0.1 + i / 10) for i in range(3)]
    with Store() as store:
        expected = [store.measured(path) for path in paths]
        garbage(cache / "measurements.sqlite3")
        for path, first in zip(paths, expected, strict=True):
            assert_same(store.measured(path), first)
    for path, first in zip(paths, expected, strict=True):
        assert_same(measured(path)[0], first)


@pytest.mark.parametrize("place", ["file", "/proc/sendoff", "database is a folder"])
def test_nowhere_to_remember(
    place: str, tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch, measures: list[str]
) -> None:
    if place == "file":
        cache.write_text("in the way")
    elif place == "database is a folder":
        (cache / "measurements.sqlite3").mkdir(parents=True)
    else:
        if not Path("/proc").is_dir():
            pytest.skip("no /proc here, a folder in which nothing can be made")
        monkeypatch.setenv("SENDOFF_CACHE", place)
    path = write(tmp_path / "a.wav")
    first, _ = measured(path)
    assert_same(measured(path)[0], first)
    assert len(measures) == 2


def test_locked_by_another(tmp_path: Path, cache: Path, measures: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    path, other = write(tmp_path / "a.wav"), write(tmp_path / "b.wav", 0.5)
    first, _ = measured(path)
    monkeypatch.setattr(store_module, "WAIT_S", 0.05)
    db = sqlite3.connect(cache / "measurements.sqlite3", isolation_level=None)
    db.execute("BEGIN EXCLUSIVE")
    try:
        assert_same(measured(path)[0], first)
        measured(other)
        measured(other)  # could not be kept
    finally:
        db.execute("ROLLBACK")
        db.close()
    assert measures.count("b.wav") == 2
    measured(other)
    measured(other)
    assert measures.count("b.wav") == 3


def test_two_runs_at_once(tmp_path: Path, measures: list[str]) -> None:
    """Two processes over the same files and one new store: all get the same, and all of it is kept."""
    paths = [str(write(tmp_path / f"{i}.wav", 0.1 + i / 20, 0.5)) for i in range(8)]
    script = (
        "import sys\n"
        "from master_check.measurement.store import Store\n"
        "for path in sys.argv[1:]:\n"
        "    with Store() as store:\n"
        "        m = store.measured(path)\n"
        "    print(m.sha256, m.values['integrated_lufs'], m.series.energy.sum())\n"
    )
    orders = [paths, paths[::-1]]
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", script, *order], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for order in orders
    ]
    lines = []
    for run in runs:
        out, errors = run.communicate(timeout=300)
        assert run.returncode == 0, errors
        assert not errors
        lines.append(sorted(out.splitlines()))
    assert lines[0] == lines[1]
    assert len(set(lines[0])) == 8
    for path in paths:
        measured(path)
    assert measures == []


def test_threads_share_a_store(tmp_path: Path, measures: list[str]) -> None:
    paths = [write(tmp_path / f"{i}.wav", 0.1 + i / 20, 0.3) for i in range(12)]
    found: dict[Path, Measurement] = {}
    with Store() as store:

        def run(path: Path) -> None:
            found[path] = store.measured(path)

        for _ in range(2):
            threads = [threading.Thread(target=run, args=(path,)) for path in paths]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
    assert sorted(measures) == sorted(path.name for path in paths)
    for path in paths:
        assert_same(found[path], measure(path))


def test_the_store_stays_small(tmp_path: Path, measures: list[str]) -> None:
    paths = [write(tmp_path / f"{i}.wav", 0.1 + i / 20, 1.0) for i in range(10)]
    size = None
    with Store(tmp_path / "small", largest=20_000) as store:
        for path in paths:
            store.measured(path)
            size = store._ask("SELECT sum(size), count(*) FROM records", ())[0]
            assert size[0] <= 20_000
    assert size is not None
    assert 2 <= size[1] < 10
    with Store(tmp_path / "small", largest=20_000) as store:
        store.measured(paths[-1])
        store.measured(paths[0])
    assert measures[10:] == ["0.wav"]  # the newest is there, the oldest was dropped


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        ("missing.wav", None, "no such file"),
        ("empty.wav", b"", "is empty"),
        ("text.wav", b"hello", "not a sound file"),
    ],
)
def test_what_cannot_be_measured(
    name: str, content: bytes | None, problem: str, tmp_path: Path, hashes: list[str]
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(AudioError, match=problem):
        measured(path)
    assert hashes == []
    if content is None:
        with pytest.raises(AudioError, match=problem.capitalize()):
            checksum(path)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="is a folder"):
        measured(tmp_path)
    with pytest.raises(AudioError, match="cannot be read"):
        checksum(tmp_path)


def test_a_file_that_changes_while_it_is_measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.wav", 0.25)

    def slow(source: Source, progress: object = None, origin: bool = False) -> Measurement:
        found = measure_source(source)
        write(path, 0.5)
        return found

    monkeypatch.setattr(store_module, "measure_source", slow)
    with pytest.raises(AudioError, match="changed while it was being measured"):
        measured(path)
    monkeypatch.undo()


def test_a_file_that_is_only_touched_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "a.wav", 0.25)

    def touching(source: Source, progress: object = None, origin: bool = False) -> Measurement:
        found = measure_source(source)
        os.utime(path, ns=(1, 1))
        return found

    monkeypatch.setattr(store_module, "measure_source", touching)
    assert measured(path)[0].values == measure(path).values


def test_derived_findings_are_kept_and_found_again(tmp_path: Path) -> None:
    asked: list[int] = []

    def find() -> list[object]:
        asked.append(1)
        return [0.25, True]

    for _ in range(2):
        with Store() as store:
            assert store.derived("delay", ("aa", "bb"), find) == [0.25, True]
    assert len(asked) == 1
    with Store() as store:
        store.derived("delay", ("bb", "aa"), find)
        store.derived("delay", ("aa", "bb"), find, fresh=True)
    assert len(asked) == 3


def test_inputs_are_not_touched(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav")
    before = path.read_bytes(), path.stat().st_mtime_ns
    measured(path)
    measured(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.wav", "cache"]
