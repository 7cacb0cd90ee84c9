"""Where profiles are found, how they are read, and how they are copied.

A profile is looked up by name in the working folder's `profiles/`, then in the user's configuration folder, then
among the shipped ones; or given by path. What it extends is looked up the same way, or is a path from its own file's
folder. A name passes over the files that are being read, so that a `cd` of one's own may extend the shipped one.
"""

import difflib
import hashlib
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import platformdirs
import tomli

from master_check.judgement.profile import Delivery, Profile, ProfileError, ProfileFile, Rehearsal, Rule
from master_check.judgement.profile_keys import NAME, Contents, contents
from master_check.text import read_small

MAX_DEPTH: Final = 20


def shipped_folder() -> Path:
    """Where the shipped profiles are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).parents[1]
    installed = package / "shipped_profiles"
    return installed if installed.is_dir() else package.parent / "profiles"


def user_folder() -> Path:
    """Where the engineer's own profiles are."""
    return Path(platformdirs.user_config_dir("sendoff", appauthor=False)) / "profiles"


def folders() -> list[Path]:
    """Where profiles are looked up, first wins."""
    return [Path("profiles"), user_folder(), shipped_folder()]


def _named() -> Iterator[tuple[str, Path]]:
    """Every profile that has a name, those that an earlier one of the same name hides included."""
    for folder in folders():
        with suppress(OSError):  # a folder that cannot be looked into has no profiles
            for path in sorted(folder.glob("*.toml")):
                yield path.stem, path


def available() -> dict[str, Path]:
    """Every profile that can be named, and its file."""
    found: dict[str, Path] = {}
    for name, path in _named():
        found.setdefault(name, path)
    return dict(sorted(found.items()))


def find(name: str) -> Path:
    """The file of a profile given by name or by path.

    Raises
    ------
    ProfileError
        There is none; the message names what there is.
    """
    if _is_path(name):
        return Path(name)
    known = available()
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f", perhaps {near[0]}" if near else ""
        raise ProfileError(name or '""', [f"no such profile{hint}; there are: {', '.join(known)}"])
    return known[name]


def _is_path(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or "\\" in name


def load_profile(name: str | Path) -> Profile:
    """Read, check and complete a profile.

    Parameters
    ----------
    name : str or path
        A name to look up, or a path to a TOML file.

    Raises
    ------
    ProfileError
        It is not there, not TOML, or not a valid profile; `faults` lists everything wrong at once.

    Examples
    --------
    >>> from master_check import load_profile
    >>> cd = load_profile("cd")
    >>> cd.title
    'Compact disc: 44.1 kHz, 16 bit, stereo'
    >>> [rule.one_of for rule in cd.rules if rule.measure == "sample_rate_hz"]
    [(44100.0,)]
    """
    path = find(str(name))
    found, files = _read_chain(path, ())
    head = {key: value for key, value in found.head.items() if key != "extends"}
    return Profile(
        **head,
        rules=tuple(found.rules),
        album_rules=tuple(found.album_rules),
        rehearsals=tuple(found.rehearsals),
        deliver=None if found.deliver is None else Delivery(**found.deliver),
        file=files[0],
        bases=tuple(files[1:]),
    )


def _read_chain(path: Path, above: tuple[Path, ...]) -> tuple[Contents, list[ProfileFile]]:
    """What stands in a file, completed by what it extends; and all the files."""
    own, file = _read(path)
    extends = own.head.get("extends")
    if extends is None:
        return own, [file]
    reading = (*above, path.resolve())
    try:
        if len(reading) > MAX_DEPTH:
            raise ProfileError(extends, ["profiles extend each other in a circle or without end"])
        base, files = _read_chain(_base(extends, path, reading), reading)
    except ProfileError as error:
        faults = [f"profile.extends: {error.profile}: {fault}" for fault in error.faults]
        raise ProfileError(str(path), faults) from None
    whole = Contents(
        base.head | own.head,
        [*_kept(base.rules, own.rules), *own.rules],
        [*_kept(base.album_rules, own.album_rules), *own.album_rules],
        [*_kept_rehearsals(base.rehearsals, own.rehearsals), *own.rehearsals],
        None if base.deliver is own.deliver is None else (base.deliver or {}) | (own.deliver or {}),
    )
    return whole, [file, *files]


def _base(name: str, own: Path, reading: tuple[Path, ...]) -> Path:
    """The file that `extends` means in the profile `own`."""
    candidates = [path for known, path in _named() if known == name]
    if _is_path(name):
        candidates = [own.parent / name]
    for path in candidates or [find(name)]:
        try:
            if path.resolve() not in reading:
                return path
        except (OSError, ValueError):  # reading it will say why
            return path
    raise ProfileError(name, ["profiles extend each other in a circle or without end"])


def _kept(base: list[Rule], own: list[Rule]) -> list[Rule]:
    replaced = {rule.measure for rule in own}
    return [rule for rule in base if rule.measure not in replaced]


def _kept_rehearsals(base: list[Rehearsal], own: list[Rehearsal]) -> list[Rehearsal]:
    replaced = {rehearsal.name for rehearsal in own}
    return [rehearsal for rehearsal in base if rehearsal.name not in replaced]


def _read(path: Path) -> tuple[Contents, ProfileFile]:
    """What stands in one file by itself."""
    data = _bytes(path)
    found = contents(_parsed(path, data))
    if found.faults:
        raise ProfileError(str(path), found.faults)
    return found, ProfileFile(
        str(path), hashlib.sha256(data).hexdigest(), path.resolve().parent == shipped_folder().resolve()
    )


def _bytes(path: Path) -> bytes:
    try:
        return read_small(path)
    except ValueError as error:
        raise ProfileError(str(path), [str(error)]) from None


def _parsed(path: Path, data: bytes) -> dict[str, Any]:
    try:
        return tomli.loads(data.decode("utf-8-sig"))  # some editors begin UTF-8 with a byte-order mark
    except UnicodeDecodeError as error:
        raise ProfileError(str(path), [f"not UTF-8 text (byte {error.start})"]) from None
    except RecursionError:
        raise ProfileError(str(path), ["nested too deeply"]) from None
    except tomli.TOMLDecodeError as error:
        raise ProfileError(str(path), [f"not TOML: {' '.join(str(error).split())}"]) from None
    except ValueError as error:
        raise ProfileError(str(path), [f"cannot be read ({error})"]) from None


def copied(path: Path, name: str) -> str:
    """The text of a profile under a new name, comments and all; a path that it extends still leads there.

    Raises
    ------
    ProfileError
        The profile has faults, or the name will not do.
    """
    if not re.fullmatch(NAME, name):
        raise ProfileError(name, ["a profile's name is lower-case letters, digits and hyphens"])
    own, _ = _read(path)
    text = _bytes(path).decode("utf-8-sig")
    wanted = own.head | {"name": name}
    extends = str(own.head.get("extends", ""))
    if _is_path(extends):
        wanted["extends"] = str((path.parent / extends).resolve())
    for key, value in wanted.items():
        if value != own.head[key]:
            text = _rewritten(text, key, value)
    try:
        rewritten = contents(_parsed(path, text.encode())).head == wanted
    except (ProfileError, UnicodeEncodeError):
        rewritten = False
    if not rewritten:
        raise ProfileError(str(path), ["its name or what it extends cannot be rewritten; copy the file by hand"])
    return text


def _rewritten(text: str, key: str, value: str) -> str:
    """A file's text with another value for a key of `[profile]`; unchanged where it is not written as usual."""
    string = json.dumps(value, ensure_ascii=False)  # which is a string in TOML too
    return re.sub(rf'(?m)^(\s*{key}\s*=\s*)(["\']).*?\2', lambda found: found[1] + string, text, count=1)
