"""Which files are stems, and which group each belongs to."""

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from master_check.albums.tracks import natural
from master_check.sound.format import SUFFIXES


class StemsError(Exception):
    """Stems that cannot be put together. `faults` lists everything wrong with them, a line each."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = list(faults)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a stem lies.

    Attributes
    ----------
    path : Path
    name : str
        What it is called among the others: its path below the folder that was named.
    group : str or None
        The sub-folder that it lies in.
    """

    path: Path
    name: str
    group: str | None = None


def find_stems(places: Iterable[str | Path]) -> tuple[Place, ...]:
    """The sound files of folders in natural order, a folder's own before those of its sub-folders, and files as given.

    A folder's sub-folders are groups, with whatever lies further down. Where several folders are named, each is a
    group. Hidden files and folders, and files that are not named like sound, are left out.

    Raises
    ------
    StemsError
        A folder cannot be read or has no sound file in it; everything wrong is listed.
    """
    named = [Path(place) for place in places]
    folders = [place for place in named if place.is_dir()]
    found: dict[Path, Place] = {}
    faults: list[str] = []
    for place in named:
        if place not in folders:
            found.setdefault(place.absolute(), Place(place, place.name))
            continue
        above = place.resolve().name if len(folders) > 1 else None
        inside = list(_walk(place, faults))
        if not inside and not faults:
            faults.append(f"{place}: no sound files in this folder")
        for path in inside:
            below = path.relative_to(place)
            group = above or (below.parts[0] if len(below.parts) > 1 else None)
            name = "/".join(below.parts if above is None else (above, *below.parts))
            found.setdefault(path.absolute(), Place(path, name, group))
    if faults:
        raise StemsError(faults)
    return tuple(found.values())


def _walk(folder: Path, faults: list[str]) -> Iterator[Path]:
    def complain(error: OSError) -> None:
        faults.append(f"{error.filename}: cannot be read ({error.strerror or error})")

    for where, inner, names in os.walk(folder, onerror=complain):
        inner[:] = sorted((name for name in inner if name[0] != "."), key=lambda name: natural(Path(name)))
        paths = [Path(where, name) for name in names if name[0] != "."]
        yield from sorted((path for path in paths if path.suffix.lower() in SUFFIXES), key=natural)
