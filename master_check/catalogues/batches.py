"""What is sent to be measured: files, what is asked of them, and batches of about so many seconds of work."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import PurePath
from typing import Any, Final

from master_check.judgement.profile import Profile
from master_check.sound.source import Source
from master_check.tables.layouts import Layout

Opener = Callable[[str], str | Source]
"""Gives what to measure for a path; the path itself where the file is to be read as it is."""

BATCH_S: Final = 2.0
"""Seconds of work in a batch: a task that does nothing costs a cluster about 4 ms."""

MOST_FILES: Final = 500
"""Files in a batch at most, however short they are."""

_FILE_S: Final = 0.012
"""What any file takes, however short: opening, checksum, set-up of the meters (measured)."""

_PCM_S: Final = 7e-9
_CODED_S: Final = 9e-8
"""Seconds a byte, of samples and of what has to be decoded (measured); `Pace` corrects both as results come in."""

_PCM: Final = frozenset((".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".au", ".snd"))


@dataclass(frozen=True, slots=True)
class File:
    """A file to be measured.

    Attributes
    ----------
    path : str
        Absolute, as it is called here.
    size : int
        Bytes.
    modified_ns : int
        When it last changed, nanoseconds since 1970.
    """

    path: str
    size: int
    modified_ns: int


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked of every file. It travels with the work, so that workers need no configuration.

    Attributes
    ----------
    version : int
        MEASUREMENT_VERSION of whoever asks; a worker of another one refuses.
    profiles : tuple of Profile
    layout : Layout or None
        What the channels are, where a file does not say or is wrong.
    origin : bool
        Also look for what earlier conversions and encodes have left.
    time_limit_s : float or None
        Give up on a file after this; None for `time_limit` of its size.
    map : tuple of (str, str)
        How folders are called here and where the work is done.
    opener : callable or None
        Gives a source of samples for a path in place of the file itself; importable where the work is done.
    """

    version: int
    profiles: tuple[Profile, ...] = ()
    layout: Layout | None = None
    origin: bool = False
    time_limit_s: float | None = None
    map: tuple[tuple[str, str], ...] = ()
    opener: Opener | None = None

    @property
    def measuring(self) -> str:
        """What the figures depend on beside the file."""
        labels = ",".join(self.layout.labels) if self.layout else ""
        return f"version={self.version} layout={labels} origin={int(self.origin)}"

    @property
    def judging(self) -> str:
        """What the verdicts depend on beside the figures: a checksum of all rules, hexadecimal."""
        return sha256(repr([(p.name, p.title, p.rules) for p in self.profiles]).encode()).hexdigest()

    def there(self, path: str) -> str:
        """What a file is called where it is measured."""
        for here, there in self.map:
            head = here.rstrip("/\\")
            if path.startswith(head) and path[len(head) :][:1] in ("", "/", "\\"):
                return there.rstrip("/\\") + path[len(head) :]
        return path


@dataclass(frozen=True, slots=True)
class Batch:
    """Files to be measured in one go."""

    request: Request
    files: tuple[File, ...]

    def halves(self) -> "list[Batch]":
        """Two of half as many files; itself where there is only one."""
        middle = len(self.files) // 2
        return [Batch(self.request, files) for files in (self.files[:middle], self.files[middle:]) if files]


def time_limit(file: File, request: Request) -> float:
    """Seconds after which a file is given up: five minutes, and one for every megabyte, unless said."""
    return request.time_limit_s if request.time_limit_s is not None else 300.0 + file.size / 1e6


class Pace:
    """How long files take: reckoned from their sizes, and corrected by how long others took."""

    def __init__(self) -> None:
        self._factor = 1.0

    def seconds(self, file: File) -> float:
        return self._factor * _reckoned(file)

    def learn(self, files: Iterable[File], took_s: float) -> None:
        """Files took so long, each on its own, one after the other."""
        reckoned = sum(map(_reckoned, files))
        if reckoned > 0.0 and took_s > 0.0:
            self._factor += 0.2 * (min(max(took_s / reckoned, 0.05), 50.0) - self._factor)


def _reckoned(file: File) -> float:
    each = _PCM_S if PurePath(file.path).suffix.lower() in _PCM else _CODED_S
    return _FILE_S + each * file.size


def batches(files: Iterable[File], request: Request, pace: Pace, batch_s: float = BATCH_S) -> Iterator[Batch]:
    """Files in their order, in batches of at least so many seconds of work, as far as that can be told."""
    together: list[File] = []
    work_s = 0.0
    for file in files:
        together.append(file)
        work_s += pace.seconds(file)
        if work_s >= batch_s or len(together) >= MOST_FILES:
            yield Batch(request, tuple(together))
            together, work_s = [], 0.0
    if together:
        yield Batch(request, tuple(together))


Row = dict[str, Any]
"""A row of the catalogue: a value for every column that `columns` names."""
