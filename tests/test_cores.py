"""How many threads there are, by affinity and open files."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from master_check import cores
from tests.signals import noise, write

resource = pytest.importorskip("resource", reason="Windows limits no open files this way")


def test_one_for_every_core_that_this_process_may_use(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {3, 5, 8}, raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 64)
    assert cores.threads() == 3
    assert cores.threads(7) == 7
    monkeypatch.delattr(os, "sched_getaffinity")
    assert cores.threads() == 64


@pytest.mark.parametrize(("limit", "most"), [(40, 1), (64, 6), (1024, 200), (-1, 200)])
def test_no_more_than_there_are_files_to_open(monkeypatch: pytest.MonkeyPatch, limit: int, most: int) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: set(range(200)), raising=False)
    monkeypatch.setattr(resource, "getrlimit", lambda which: (limit, -1))
    assert cores.threads() == most
    assert cores.threads(256) == min(256, most if limit in (40, 64) else 256 if limit < 0 else 246)


COUNTED = """
import os, resource, sys, threading
from master_check.cli import cli

most, start = 0, threading.Thread.start

def counted(thread):
    global most
    start(thread)
    most = max(most, sum("ThreadPool" in each.name for each in threading.enumerate()))

threading.Thread.start = counted
resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64))
if sys.argv[1] == "many":
    os.sched_getaffinity = lambda pid: set(range(128))
else:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
try:
    cli([*sys.argv[2:], "--csv"], standalone_mode=False)
except SystemExit as end:
    print(end.code, most, file=sys.stderr)
"""
"""A command where 64 files may be open, on a machine that claims 128 cores, or on one core; its status and threads."""


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores cannot be taken away here")
@pytest.mark.parametrize(
    ("command", "machine", "most"), [("check", "many", 6), ("album", "many", 6), ("check", "one", 1)]
)
def test_a_command_with_more_files_than_may_be_open(command: str, machine: str, most: int, tmp_path: Path) -> None:
    for number in range(50):
        write(tmp_path / f"{number}.wav", noise(0.1, seed=number))
    done = subprocess.run(
        [sys.executable, "-c", COUNTED, machine, command, *sorted(tmp_path.glob("*.wav"))],
        capture_output=True,
        text=True,
        env=os.environ | {"SENDOFF_CACHE": str(tmp_path / "cache")},
        check=False,
    )
    assert done.stderr.splitlines() == [f"0 {most}"]
    assert len(done.stdout.splitlines()) == 51
