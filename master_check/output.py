"""Writing a result: whole or not at all, never over an input, over an existing file only when asked to.

A symbolic link is followed: the same rules hold for the file it leads to, which is written, and the link stays.
"""

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

_UNFINISHED: Final[set[Path]] = set()
"""Files and folders of this process that nobody else is to find."""

_MADE: Final[set[Path]] = set()
"""Folders made for results: they go again if nothing gets into them."""


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
        place = _place(path)
        if not place.parent.is_dir():
            raise OutputError(f"{path}: there is no folder {place.parent}")
        if place.is_dir():
            raise OutputError(f"{path}: is a folder; name a file")
        if place.exists() and not place.is_file():
            raise OutputError(f"{path}: is not a regular file; name one")
        if any(_same(place, source) for source in inputs):
            raise OutputError(f"{path}: is one of the files to be read; choose another name")
        if place.exists() and not force:
            raise OutputError(f"{path}: is there already; use --force to replace it")
        if not os.access(place.parent, os.W_OK):
            raise OutputError(f"{path}: cannot be written (no permission for the folder)")
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None


def _place(path: Path) -> Path:
    """The file that is written: the path itself, or where it leads as a symbolic link."""
    if not path.is_symlink():
        return path
    place = Path(os.path.realpath(path))
    if place.is_symlink():
        raise OutputError(f"{path}: is a symbolic link that leads round in a circle; choose another name")
    return place


def _same(a: Path, b: Path) -> bool:
    try:
        return a.samefile(b)
    except OSError:  # one of them is not there
        return False


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a text or bytes beside its place, then move it there in one step.

    Raises
    ------
    OutputError
        The folder cannot be written, the disk is full; nothing is left behind.
    """
    part = None
    try:
        place = _place(path)
        with tempfile.NamedTemporaryFile(dir=place.parent, prefix=".sendoff.", suffix=".part", delete=False) as file:
            part = Path(file.name)
            _UNFINISHED.add(part)
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o666 & ~_umask())
        part.replace(place)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None
    finally:
        if part is not None:
            part.unlink(missing_ok=True)
            _UNFINISHED.discard(part)


class Parts:
    """Files in the making for one folder: all of them get to their places, or none does and nothing is left behind.

    Parameters
    ----------
    folder : path
        Made where it is not there yet.

    Raises
    ------
    OutputError
        It cannot be made, or is no folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._parts: list[Path] = []
        try:
            self._made = not folder.exists()
            folder.mkdir(exist_ok=True)
        except FileExistsError:
            raise OutputError(f"{folder}: is not a folder; name one") from None
        except FileNotFoundError:
            raise OutputError(f"{folder}: there is no folder {folder.parent}") from None
        except OSError as error:
            raise OutputError(f"{folder}: cannot be made ({error.strerror or error})") from None
        if self._made:
            _MADE.add(folder)

    def __enter__(self) -> "Parts":
        return self

    def __exit__(self, *_: object) -> None:
        for part in self._parts:
            with suppress(OSError):
                part.unlink(missing_ok=True)
            _UNFINISHED.discard(part)
        if self._made:
            with suppress(OSError):  # it holds what was delivered
                self.folder.rmdir()
            _MADE.discard(self.folder)

    def new(self) -> Path:
        """An empty file of a name that nobody looks for.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        try:
            number, name = tempfile.mkstemp(dir=self.folder, prefix=".sendoff.", suffix=".part")
        except OSError as error:
            raise OutputError(f"{self.folder}: cannot be written ({error.strerror or error})") from None
        os.close(number)
        self._parts.append(Path(name))
        _UNFINISHED.add(Path(name))
        return Path(name)

    def place(self, places: Sequence[tuple[Path, Path]]) -> None:
        """Move parts to where they belong; takes back the moved ones where one fails.

        Raises
        ------
        OutputError
            One of them cannot be moved, or is there meanwhile.
        """
        new = {place for _, place in places if not place.exists()}
        if len(new) < len(places):
            there = next(place for _, place in places if place not in new)
            raise OutputError(f"{there}: is already there; nothing is overwritten")
        for part, _ in places:
            sync(part)
        _UNFINISHED.update(new)
        moved: list[Path] = []
        try:
            for part, place in places:
                part.chmod(0o666 & ~_umask())
                part.replace(place)
                moved.append(place)
            sync(self.folder)
        except OSError as error:
            for place in new.intersection(moved):
                with suppress(OSError):
                    place.unlink(missing_ok=True)
            raise OutputError(f"{error.filename2 or error.filename}: cannot be written ({error.strerror})") from None
        finally:
            _UNFINISHED.difference_update(new)


@contextmanager
def temporary_folder(name: str) -> Iterator[Path]:
    """A folder that is gone afterwards, also where the program is stopped meanwhile."""
    with tempfile.TemporaryDirectory(prefix=f"sendoff-{name}-") as folder:
        path = Path(folder)
        _UNFINISHED.add(path)
        try:
            yield path
        finally:
            _UNFINISHED.discard(path)


def sync(path: Path) -> None:
    """Have the system write a file, or a folder's list of names, to the disk; where it cannot for folders, it does not.

    Raises
    ------
    OSError
        The disk is full, or failing.
    """
    try:
        number = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    except PermissionError:  # Windows opens no folders
        return
    try:
        os.fsync(number)
    finally:
        os.close(number)


def abandon() -> None:
    """Take away what is unfinished, for a program that stops here and now."""
    for path in tuple(_UNFINISHED):
        for _ in range(3):  # other threads go on, and may put something into a folder while it is being emptied
            with suppress(OSError):
                shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
    for path in tuple(_MADE):
        with suppress(OSError):  # somebody else put something there
            path.rmdir()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
