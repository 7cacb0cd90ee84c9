"""How many threads to work with: one for every core, but no more than there are file descriptors for."""

import os
import sys
from typing import Final

FILES_A_THREAD: Final = 4
"""Descriptors that a thread may hold at once: the sound, its checksum, its structure, and one to spare."""

FILES_ELSEWHERE: Final = 40
"""Standard streams, the store, fonts and what libraries keep open."""


def cores() -> int:
    """Cores that this process may run on, which an administrator can make fewer than the machine has."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def threads(asked: int | None = None) -> int:
    """As many threads as were asked for, else one for every core; fewer where the system allows few open files."""
    return max(1, min(asked or cores(), (_open_files() - FILES_ELSEWHERE) // FILES_A_THREAD))


def _open_files() -> int:
    """How many files this process may have open at once."""
    if sys.platform == "win32":
        return 8192  # of the C library that Python is built on
    import resource

    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return sys.maxsize if soft == resource.RLIM_INFINITY else soft
