"""Standard streams that are there, take any text, and are kept from C libraries."""

import io
import os
import sys
from contextlib import suppress


def prepare_streams() -> None:
    """Standard streams that are there, take any text, and hear nothing from C libraries."""
    for fd in (0, 1, 2):
        try:
            os.fstat(fd)
        except OSError:  # closed by the caller: the next file opened must not take its place
            os.open(os.devnull, os.O_RDWR)
    if sys.stdout is None:
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
    if sys.stderr is None:
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    _mute_decoders()


def _mute_decoders() -> None:
    """Keep C libraries off the standard streams: what they find wrong comes back as an error of ours."""
    if os.name != "posix":
        return
    for name, fd, buffering in (("stdout", 1, -1), ("stderr", 2, 1)):
        stream = getattr(sys, name)
        with suppress(OSError):
            if stream.fileno() != fd:
                continue
            stream.flush()
            own = os.fdopen(os.dup(fd), "w", buffering, encoding=stream.encoding, errors="backslashreplace")
            os.dup2(os.open(os.devnull, os.O_WRONLY), fd)
            setattr(sys, name, own)
