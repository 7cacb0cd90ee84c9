"""Profiles as text on the page: the faults, each with the line it is on, and saving."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from master_check.judgement.profile import ProfileError
from master_check.judgement.profile_files import load_profile, user_folder
from master_check.judgement.profile_keys import NAME
from master_check.output import OutputError, check_target, temporary_folder, write_whole

LONGEST: Final = 200_000
"""Characters of a profile that is edited here."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong in a profile's text, and on which line, counted from 1; None where it is on no line."""

    line: int | None
    words: str


def faults(text: str) -> tuple[Fault, ...]:
    """Everything that is wrong with a profile's text."""
    with temporary_folder("profile") as folder:
        path = folder / "profile.toml"
        path.write_text(text, encoding="utf-8")
        try:
            load_profile(path)
        except ProfileError as error:
            return tuple(Fault(line_of(text, fault), fault) for fault in error.faults)
    return ()


def line_of(text: str, fault: str) -> int | None:
    """Where a fault is in the text: `rule[3].max: ...`, `profile.name: ...`, or TOML's own `(at line 3, column 5)`."""
    stated = re.search(r"\(at line (\d+), column \d+\)", fault)
    if stated:
        return int(stated[1])
    place = re.match(r"(\w+)(?:\[(\d+)\])?(?:\.(\w+))?", fault)
    if place is None:
        return None
    table, number, key = place[1], int(place[2] or 1), place[3]
    lines = text.splitlines()
    heads = [n for n, line in enumerate(lines, 1) if re.match(rf"\s*\[\[?\s*{re.escape(table)}\s*\]", line)]
    if not heads:
        return next((n for n, line in enumerate(lines, 1) if re.match(rf"\s*{re.escape(table)}\s*=", line)), None)
    head = heads[min(number, len(heads)) - 1]
    if key is not None:
        for n, line in enumerate(lines[head:], head + 1):
            if re.match(r"\s*\[", line):
                break
            if re.match(rf"\s*{re.escape(key)}\s*=", line):
                return n
    return head


def save(name: str, text: str, replace: bool) -> Path:
    """Write a profile into the user's folder of profiles.

    Raises
    ------
    ProfileError
        It has faults, its name will not do, or it names itself otherwise.
    OutputError
        It is there already and `replace` is off, or cannot be written.
    """
    if not re.fullmatch(NAME, name):
        raise ProfileError(name, ["a profile's name is lower-case letters, digits and hyphens"])
    found = faults(text)
    if found:
        raise ProfileError(name, [fault.words for fault in found])
    folder = user_folder()
    target = folder / f"{name}.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made ({error.strerror})") from None
    if target.exists() and not replace:
        raise OutputError(f"{target}: is there already; choose another name, or replace it")
    check_target(target, [], replace)
    write_whole(target, text)
    return target
