"""Ctrl-C, in processes of their own: at once, whatever is at work; one line, status 130, nothing left behind."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from tests.signals import programme, write

pytestmark = pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks into /proc at what is being read")

AT_ONCE_S = 3.0
"""Promised is a second on a machine that has time; here others may be at work too. Uninterrupted, each of these calls
takes several times as long."""


def long_wav(path: Path, hours: float) -> Path:
    """Hours of 24 bit stereo without a disk for them: a file with a hole, which reads as zeros."""
    path.write_bytes(b"")
    frames = int(hours * 3600 * 48_000)
    size = 6 * frames
    fmt = np.array([1 | 2 << 16, 48_000, 6 * 48_000, 6 | 24 << 16], "<u4").tobytes()
    with path.open("wb") as file:
        file.write(b"RIFF" + (36 + size).to_bytes(4, "little") + b"WAVEfmt \x10\0\0\0" + fmt)
        file.write(b"data" + size.to_bytes(4, "little"))
        file.truncate(44 + size)
    return path


@contextmanager
def running(*words: str | Path, temporary: Path | None = None) -> Iterator["subprocess.Popen[bytes]"]:
    command = [sys.executable, "-m", "master_check", *map(str, words)]
    environment = dict(os.environ)
    if temporary:
        environment |= {"TMPDIR": str(temporary), "SENDOFF_CACHE": str(temporary / "cache")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as process:
        try:
            yield process
        finally:
            process.kill()


def opened(process: "subprocess.Popen[bytes]", path: Path) -> bool:
    """Whether a process reads a file."""
    files = Path(f"/proc/{process.pid}/fd")
    try:
        return any(file.readlink() == path for file in files.iterdir())
    except OSError:
        return False


def wait_for(what: Callable[[], bool]) -> None:
    until = time.monotonic() + 60.0
    while not what():
        assert time.monotonic() < until, "never began"
        time.sleep(0.02)


def stopped(process: "subprocess.Popen[bytes]") -> None:
    """Sends SIGINT, and holds the process to what is promised."""
    assert process.poll() is None, "was done before it could be stopped"
    process.send_signal(signal.SIGINT)
    began = time.monotonic()
    out, errors = process.communicate(timeout=60)
    assert (process.returncode, out, errors) == (130, b"", b"sendoff: stopped\n")
    assert time.monotonic() - began < AT_ONCE_S


@pytest.mark.parametrize("command", ["check", "check many", "album", "compare", "plan"])
def test_while_a_file_of_three_hours_is_measured(command: str, tmp_path: Path) -> None:
    path = long_wav(tmp_path / "long.wav", 3.0)
    other = tmp_path / "short.wav"
    write(other, programme(2.0))
    words: dict[str, list[str | Path]] = {
        "check": ["check", path],
        "check many": ["check", *[path] * 40, "--threads", "16"],
        "album": ["album", path, other, "--fresh", "--threads", "16"],
        "compare": ["compare", path, path],
        "plan": ["plan", path, "-p", "streaming"],
    }
    with running(*words[command], "--report", tmp_path / "page.html", temporary=tmp_path) as process:
        wait_for(lambda: opened(process, path))
        time.sleep(0.3)  # into the measuring
        stopped(process)
    assert {file.name for file in tmp_path.iterdir()} - {"cache"} == {"long.wav", "short.wav"}


def test_while_kernels_work_on_what_was_read(tmp_path: Path) -> None:
    """The plan's limiter, simulated over the whole of a premaster again and again: no block by block there."""
    part = programme(30.0)
    path = write(tmp_path / "mix.wav", np.tile(np.asarray(part / np.abs(part).max(), np.float32), (20, 1)))
    with running("plan", path, "-p", "streaming", "--target", "-6") as process:
        wait_for(lambda: opened(process, path))
        wait_for(lambda: not opened(process, path))
        stopped(process)


def test_while_test_signals_are_written(tmp_path: Path) -> None:
    with running("selftest", temporary=tmp_path) as process:
        wait_for(lambda: any(tmp_path.glob("sendoff-selftest-*/signal.wav")))
        stopped(process)
    assert list(tmp_path.iterdir()) == []


def test_while_a_report_is_written(tmp_path: Path) -> None:
    """At the worst moment: all is written, and nothing is in its place."""
    code = """
import os, sys, time
from pathlib import Path
from master_check.cli.stopping import stop_at_once_on_interrupt
from master_check.output import write_whole
stop_at_once_on_interrupt()
os.fsync = lambda fd: time.sleep(60)
write_whole(Path(sys.argv[1]), "x" * 1_000_000)
"""
    target = tmp_path / "page.html"
    target.write_text("what was there before")
    words = [sys.executable, "-c", code, str(target)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        wait_for(lambda: len(list(tmp_path.iterdir())) == 2)
        time.sleep(0.1)
        stopped(process)
    assert [file.name for file in tmp_path.iterdir()] == ["page.html"]
    assert target.read_text() == "what was there before"


def test_one_who_was_started_to_ignore_it_does(tmp_path: Path) -> None:
    """As shells start what is put in the background, and `nohup` does for other signals (POSIX, asynchronous lists)."""
    path = long_wav(tmp_path / "long.wav", 0.02)
    words = ["sh", "-c", f"trap '' INT; exec {sys.executable} -m master_check check {path}"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        wait_for(lambda: opened(process, path) or process.poll() is not None)
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=60)
    assert process.returncode == 0 and b"24 bit" in out
