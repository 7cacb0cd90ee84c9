"""The list that goes with a delivery, and holding a delivered folder against it later."""

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import Any, Final, Literal

from master_check import __version__
from master_check.delivery.delivered import Delivered, DeliveredFile
from master_check.delivery.order import DeliveryError, plain_name
from master_check.judgement.verdict import Overall
from master_check.sound.audio_checksum import audio_sha256
from master_check.sound.checksum import sha256
from master_check.sound.format import AudioError
from master_check.text import visible

VERSION: Final = 1

PATTERN: Final = "* (delivery*).json"

LARGEST: Final = 16_000_000
"""Bytes of a list; anything longer is none."""

FIGURES: Final = (
    "duration_s",
    "integrated_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "sample_peak_dbfs",
)
"""What the list has of what was measured."""

State = Literal["as delivered", "other metadata", "other sound", "missing", "unreadable"]


def free_place(folder: Path, master: Path) -> Path:
    """Where the list of a master's delivery goes; a later delivery into the same folder has a list of its own."""
    name, number = plain_name(master.stem), 1
    while os.path.lexists(place := folder / f"{name} (delivery{f' {number}' * (number > 1)}).json"):
        number += 1
    return place


def text(found: Delivered) -> str:
    """The list as JSON; the same keys as `deliver --json` has, without paths of this machine."""
    master = found.master.measurement
    assert master is not None
    told = {
        "sendoff_delivery": VERSION,
        "sendoff": __version__,
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "master": {
            "name": visible(PurePath(found.master.path).name),
            "sha256": master.sha256,
            "audio_sha256": found.master_audio_sha256,
            "sample_rate_hz": master.format.rate,
            "channels": master.format.channels,
            **{key: _rounded(master.values[key]) for key in FIGURES},
        },
        "files": [_file(file) for file in found.files],
    }
    return json.dumps(told, ensure_ascii=False, indent=2) + "\n"


def _file(file: DeliveredFile) -> dict[str, Any]:
    measured = file.measurement
    assert measured is not None
    (verdict,) = file.verdicts
    return {
        "name": PurePath(file.path).name,
        "sha256": measured.sha256,
        "audio_sha256": file.audio_sha256,
        "profile": file.profile,
        "profile_sha256": verdict.file.sha256 if verdict.file else None,
        "container": measured.format.container,
        "encoding": measured.format.encoding,
        "sample_rate_hz": measured.format.rate,
        "channels": measured.format.channels,
        **{key: _rounded(measured.values[key]) for key in FIGURES},
        "trim_db": file.trim_db,
        "dithered": file.dithered,
        "identical": file.null.identical,
        "null_db": _rounded(file.null.null_db),
        "result": file.outcome,
        "broken": [finding.measure for finding in verdict.broken()],
    }


def _rounded(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) else value


@dataclass(frozen=True, slots=True)
class VerifiedFile:
    """A file of a list, and what has become of it.

    Attributes
    ----------
    path : str
    state : str
        One of `State`.
    sha256 : str or None
        What it has now.
    """

    path: str
    state: State
    sha256: str | None


@dataclass(frozen=True, slots=True)
class Verified:
    """A delivered folder held against its list.

    Attributes
    ----------
    manifest : str
        Path of the list.
    files : tuple of VerifiedFile
    """

    manifest: str
    files: tuple[VerifiedFile, ...]

    @property
    def result(self) -> Overall:
        """Fails where anything is not as delivered."""
        return "pass" if all(file.state == "as delivered" for file in self.files) else "fail"


def verify(place: str | Path) -> list[Verified]:
    """Hold a delivered folder against the lists in it, or the files beside a list against that.

    Raises
    ------
    DeliveryError
        There is no list, or it is none of ours.
    """
    where = Path(place)
    lists = sorted(where.glob(PATTERN)) if where.is_dir() else [where]
    if not lists:
        raise DeliveryError(f'{where}: no list of a delivery in this folder; it is called "... (delivery).json"')
    return [Verified(str(path), tuple(_verified(path.parent, each) for each in _listed(path))) for path in lists]


def _listed(path: Path) -> Iterator[Mapping[str, str]]:
    """The files of a list; whoever wrote it, none outside its folder."""
    try:
        if path.stat().st_size > LARGEST:
            raise ValueError
        told = json.loads(path.read_text(encoding="utf-8"))
        if told["sendoff_delivery"] != VERSION:
            raise DeliveryError(f"{path}: is a list of another version of sendoff; verify it with that")
        files = [{key: each[key] for key in ("name", "sha256", "audio_sha256")} for each in told["files"]]
    except OSError as error:
        raise DeliveryError(f"{path}: cannot be read ({error.strerror or error})") from None
    except (ValueError, TypeError, KeyError, RecursionError):
        raise DeliveryError(f"{path}: is no list of a delivery") from None
    for each in files:
        name = each["name"]
        if (
            not all(isinstance(value, str) for value in each.values())
            or not name
            or PurePath(name).name != name
            or "\\" in name
        ):
            raise DeliveryError(f"{path}: is damaged: it lists a file outside its folder")
    return iter(files)


def _verified(folder: Path, listed: Mapping[str, str]) -> VerifiedFile:
    path = folder / listed["name"]
    if not path.is_file():
        return VerifiedFile(str(path), "missing", None)
    try:
        now = sha256(path)
        if now == listed["sha256"]:
            return VerifiedFile(str(path), "as delivered", now)
        same = audio_sha256(path) == listed["audio_sha256"]
    except (AudioError, OSError):
        return VerifiedFile(str(path), "unreadable", None)
    return VerifiedFile(str(path), "other metadata" if same else "other sound", now)
