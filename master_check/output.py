"""Writing a result: whole or not at all, never over an input, over an existing file only when asked to."""

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path


class OutputError(Exception):
    """A result that could not be written: which file, why, what to do, in one line."""


def check_target(path: Path, inputs: Iterable[Path], force: bool) -> None:
    """Refuse a target before any work is done for it.

    Raises
    ------
    OutputError
        It is an input, is there already and `force` is off, or has no folder that can be written.
    """
    try:
        if not path.parent.is_dir():
            raise OutputError(f"{path}: there is no folder {path.parent}")
        if path.is_dir():
            raise OutputError(f"{path}: is a folder; name a file")
        if path.exists() and not path.is_file():
            raise OutputError(f"{path}: is not a regular file; name one")
        if any(_same(path, source) for source in inputs):
            raise OutputError(f"{path}: is one of the files to be read; choose another name")
        if path.exists() and not force:
            raise OutputError(f"{path}: is there already; use --force to replace it")
        if not os.access(path.parent, os.W_OK):
            raise OutputError(f"{path}: cannot be written (no permission for the folder)")
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None


def _same(a: Path, b: Path) -> bool:
    try:
        return a.samefile(b)
    except OSError:  # one of them is not there
        return False


def write_whole(path: Path, text: str) -> None:
    """Write a text beside its place, then move it there in one step.

    Raises
    ------
    OutputError
        The folder cannot be written, the disk is full; nothing is left behind.
    """
    name = None
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            dir=path.parent,
            prefix=".sendoff.",
            suffix=".part",
            encoding="utf-8",
            delete=False,
        ) as file:
            name = file.name
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o666 & ~_umask())
        Path(name).replace(path)
    except OSError as error:
        if name is not None:
            Path(name).unlink(missing_ok=True)
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None
    except BaseException:
        if name is not None:
            Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
