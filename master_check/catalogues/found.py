"""The sound files under folders, however deep."""

import os
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from master_check.catalogues.batches import File
from master_check.catalogues.errors import CatalogueError
from master_check.sound.format import SUFFIXES


@dataclass(frozen=True, slots=True)
class Found:
    """What is under some folders.

    Attributes
    ----------
    files : tuple of File
        Each once, folder by folder, sorted by name.
    skipped : int
        Other files, and hidden ones.
    places : tuple of str
        The absolute folders and files that were named.
    unread : tuple of (str, str)
        Folders that could not be looked into, and why.
    """

    files: tuple[File, ...]
    skipped: int
    places: tuple[str, ...]
    unread: tuple[tuple[str, str], ...]

    def covers(self, path: str) -> bool:
        """Whether a file of that name would have been found."""
        return _under(path, self.places) and not _under(path, [folder for folder, _ in self.unread])


def _under(path: str, places: Iterable[str]) -> bool:
    return any(path == place or path.startswith(place.rstrip(os.sep) + os.sep) for place in places)


def find(places: Iterable[str | Path]) -> Found:
    """The sound files of folders and of the folders in them, by their names; and files as given.

    Links to folders are not followed, links to files are.

    Raises
    ------
    CatalogueError
        A place is not there, or cannot be read.
    """
    files: dict[str, File] = {}
    unread: list[tuple[str, str]] = []
    named = tuple(os.path.normpath(Path(place).absolute()) for place in places)
    skipped = 0
    for place in named:
        try:
            inside = stat.S_ISDIR(Path(place).stat().st_mode)
            if inside:
                os.scandir(place).close()
            else:
                files[place] = _file(place)
        except (OSError, ValueError) as error:
            raise CatalogueError(f"{place}: cannot be read ({getattr(error, 'strerror', None) or error})") from None
        for path in _walk(place, unread) if inside else ():
            name = path[path.rfind(os.sep) + 1 :]
            if name[name.rfind(".") :].lower() in SUFFIXES and not name.startswith("."):
                files.setdefault(path, _file(path))
            else:
                skipped += 1
    return Found(tuple(files.values()), skipped, named, tuple(unread))


def _walk(folder: str, unread: list[tuple[str, str]]) -> Iterator[str]:
    """Everything in a folder that is no folder."""

    def note(error: OSError) -> None:
        unread.append((str(error.filename), error.strerror or str(error)))

    for place, folders, names in os.walk(folder, onerror=note):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            yield os.path.join(place, name)  # noqa: PTH118 - a Path for each of a million names takes too long


def _file(path: str) -> File:
    """With what the system says of it; what says nothing will say why when it is opened."""
    try:
        found = os.stat(path)  # noqa: PTH116
    except (OSError, ValueError):
        return File(path, 0, 0)
    return File(path, found.st_size, found.st_mtime_ns)
