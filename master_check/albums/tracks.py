"""Which files are an album's tracks, in which order, and which are other versions of one of them."""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from master_check.sound.format import SUFFIXES
from master_check.text import first_of, read_small

_WORDS: Final = (
    r"(?:instrumental|inst\.?|karaoke|minus[\s_-]?one|a[\s_-]?cap+el+a|acap|vocals?[\s_-]only|no[\s_-]vocals?"
    r"|clean|censored|tv|backing)(?:[\s_-](?:mix|version|edit|master|track|only))?"
)
VERSIONS: Final = rf"[\s_.-]*[(\[]{_WORDS}[)\]]|[\s_.-]+{_WORDS}$"
"""What marks the name of an alternate version (common practice): a word in brackets, or at the end of the name."""

_MAIN: Final = re.compile(
    r"[\s_.-]*[(\[](?:main|explicit|original)(?:[\s_-](?:mix|version|master))?[)\]]"
    r"|[\s_.-]+(?:main|explicit|original)(?:[\s_-](?:mix|version|master))?$",
    re.IGNORECASE,
)


class AlbumError(Exception):
    """An album that cannot be put together. `faults` lists everything wrong with it, a line each."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = list(faults)


@dataclass(frozen=True, slots=True)
class Tracks:
    """Files in the order they are to be taken.

    Attributes
    ----------
    paths : tuple of Path
    skipped : int
        What was in the folders beside them: hidden files, other files, folders; and files named a second time.
    """

    paths: tuple[Path, ...]
    skipped: int = 0


def find_tracks(places: Iterable[str | Path]) -> Tracks:
    """The sound files of folders, in natural order, and files as given, in the order given.

    A folder's own folders are not looked into. Whether a file is sound shows when it is opened: here its name counts.

    Raises
    ------
    AlbumError
        A folder cannot be read or has no sound file in it; everything wrong is listed.
    """
    paths: dict[Path, Path] = {}
    skipped = 0
    faults = []
    for place in map(Path, places):
        found = [place]
        try:
            inside = list(place.iterdir()) if place.is_dir() else None
        except OSError as error:
            faults.append(f"{place}: cannot be read ({error.strerror or error})")
            continue
        if inside is not None:
            found = [p for p in inside if p.suffix.lower() in SUFFIXES and p.name[0] != "." and not p.is_dir()]
            found.sort(key=natural)
            skipped += len(inside) - len(found)
            if not found:
                faults.append(f"{place}: no sound files in this folder")
        for path in found:
            skipped += path.absolute() in paths
            paths.setdefault(path.absolute(), path)
    if faults:
        raise AlbumError(faults)
    return Tracks(tuple(paths.values()), skipped)


def natural(path: Path) -> tuple[list[str | int], str]:
    """Sorting key: numbers by value, letters without regard to case and accents, the folder and the extension last."""
    parts: list[str | int] = list(re.split(r"(\d+)", _plain(path.stem)))
    parts[1::2] = [int(digits) for digits in parts[1::2]]
    return parts, str(path)


def _plain(name: str) -> str:
    """Small letters without accents; what only looks different (full-width digits, ligatures) made the same."""
    return "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c)).casefold()


def read_order(order: str | Path, tracks: Tracks, versions: str = VERSIONS) -> Tracks:
    """The tracks in the order of a text file: one file name (or path) a line, UTF-8, empty lines left out.

    Alternate versions need not be named; they follow in the order they were found.

    Raises
    ------
    AlbumError
        The file cannot be read, names what is not there or something twice, or leaves a track out; all is listed.
    """
    try:
        lines = read_small(Path(order)).decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise AlbumError([f"{order}: not UTF-8 text (byte {error.start})"]) from None
    except ValueError as error:
        raise AlbumError([f"{order}: {error}"]) from None
    # The same letters can be composed or not, depending on the system that wrote the name.
    there = {unicodedata.normalize("NFC", name): path for path in tracks.paths for name in (path.name, str(path))}
    named: dict[Path, int] = {}
    faults = []
    for number, line in enumerate(lines, 1):
        name = unicodedata.normalize("NFC", line.strip())
        path = there.get(name)
        if not name:
            continue
        if path is None:
            faults.append(f"{order}: line {number}: no such track: {line.strip()}")
        elif path in named:
            faults.append(f"{order}: line {number}: {line.strip()} is in line {named[path]} already")
        else:
            named[path] = number
    alternates = {tracks.paths[i] for i in find_versions(tracks.paths, versions)}
    rest = [path for path in tracks.paths if path not in named]
    left_out = [path for path in rest if path not in alternates]
    faults += [f"{order}: {path.name} is not named; add a line or take the file away" for path in left_out]
    if faults:
        raise AlbumError(first_of(faults, str(order)))
    return Tracks((*named, *rest), tracks.skipped)


def find_versions(paths: Sequence[Path], versions: str = VERSIONS) -> dict[int, int]:
    """Which files are alternate versions of which others, by name.

    A name is a version's where `versions` is found in it (without its extension), and where the rest of it is the
    name of a file that is none, with or without its track number.

    Parameters
    ----------
    versions : str
        A regular expression; case does not matter.

    Returns
    -------
    dict
        Number of the version's path to number of the main version's.

    Raises
    ------
    AlbumError
        `versions` is no regular expression.
    """
    pattern = _compiled(versions)
    mains: dict[str, list[int]] = {}
    for i, path in enumerate(paths):
        if not pattern.search(path.stem):
            title = _title(_MAIN.sub("", path.stem))
            for key in {title, _unnumbered(title)}:
                mains.setdefault(key, []).append(i)
    found = {}
    for i, path in enumerate(paths):
        if pattern.search(path.stem):
            title = _title(pattern.sub("", path.stem))
            for key in (title, _unnumbered(title)):
                if key and len(mains.get(key, [])) == 1:
                    found[i] = mains[key][0]
                    break
    return found


def lone_versions(paths: Sequence[Path], versions: str = VERSIONS) -> list[int]:
    """Numbers of the paths named like versions of which there is no main version."""
    pattern = _compiled(versions)
    paired = find_versions(paths, versions)
    return [i for i, path in enumerate(paths) if i not in paired and pattern.search(path.stem)]


def _compiled(versions: str) -> re.Pattern[str]:
    try:
        return re.compile(versions, re.IGNORECASE)
    except re.error as error:
        raise AlbumError([f"{versions!r} is not a regular expression: {error}"]) from None


def _title(stem: str) -> str:
    return " ".join(re.split(r"[\W_]+", _plain(stem))).strip()


def _unnumbered(title: str) -> str:
    return re.sub(r"^(?:[0-9]+ )+", "", title)
