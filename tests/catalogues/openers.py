"""Sources that count, kill and hang, for the processes that measure. The functions are found there by their names."""

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

from master_check.sound.blocks import Block
from master_check.sound.file import AudioFile
from master_check.sound.source import Source


def counted(path: str, log: str, seconds: float = 0.0) -> str:
    """The file itself; a line in `log` for each time it is measured. Appending a short line is one step (POSIX)."""
    with Path(log).open("ab") as file:
        file.write(os.fsencode(path) + b"\n")
    time.sleep(seconds)
    return path


class Sleeping(AudioFile):
    """A file whose decoder never comes back."""

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        while True:
            time.sleep(1.0)
        yield from super().blocks(hops, ahead)


def hostile(path: str) -> str | Source:
    """A file by its name: one that takes the process along, one that hangs, one whose source has a fault."""
    if "kills" in Path(path).name:
        os.kill(os.getpid(), signal.SIGSEGV)
    if "hangs" in Path(path).name:
        return Sleeping(path)
    if "raises" in Path(path).name:
        raise ZeroDivisionError("by nought")
    return path


def fatal_to_workers(path: str) -> str:
    """A file that takes along the process which asked for it to be measured: a worker of a cluster."""
    if "kills" in Path(path).name:
        parent = os.getppid()
        if b"multiprocessing" in Path(f"/proc/{parent}/cmdline").read_bytes():  # and nobody who has adopted an orphan
            os.kill(parent, signal.SIGKILL)
        time.sleep(60.0)
    return path
