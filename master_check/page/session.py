"""What is open on the page: files, the pair that is heard, the album, the plan, the profiles."""

import re
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from master_check import cores
from master_check.albums.album import Album, album
from master_check.albums.tracks import AlbumError
from master_check.alignment.align import PairError
from master_check.judgement.checked import Checked, asks_origin
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.limiting.plan import Plan, plan_signal
from master_check.limiting.preview import PlanPreview
from master_check.measurement import first_run
from master_check.page.heard import Heard
from master_check.page.opened import Opened
from master_check.page.pair import Pair, paired
from master_check.sound.kept import Signal
from master_check.tables.layouts import Layout

MOST_FILES: Final = 500
"""Open at a time."""

LONGEST_NAME: Final = 200
"""Bytes of a dropped file's name that are kept."""


class Refusal(Exception):
    """Something that the page asked for and cannot have: why, in one line."""


@dataclass(slots=True)
class Task:
    """Something that takes a while: how far it is, and what came of it.

    Attributes
    ----------
    about : tuple
        What it was begun for, to tell whether it still matters.
    share : float
        0 to 1.
    result : object or None
    error : str or None
    """

    about: tuple[Any, ...]
    share: float = 0.0
    result: Any = None
    error: str | None = None

    def told(self, share: float) -> None:
        self.share = min(1.0, self.share + share)

    @property
    def done(self) -> bool:
        return self.result is not None or self.error is not None


@dataclass(slots=True, eq=False)
class Session:
    """All that one page has open. Its methods may be called by several threads.

    Parameters
    ----------
    folder : Path
        Where dropped files are kept; the caller takes it away.
    profiles : sequence of Profile
        What files are held against, until the page chooses others.
    layout : Layout, optional
        What the channels of the files are, where they do not say or are wrong.
    """

    folder: Path
    profiles: tuple[Profile, ...] = ()
    layout: Layout | None = None
    files: dict[int, Opened] = field(default_factory=dict)
    pair: Task | None = None
    album: Task | None = None
    plan: Task | None = None
    given: dict[str, Profile] = field(default_factory=dict)
    """Profiles by name that came with the command line, maybe from files that have no place among the others."""
    _last: int = 0
    _after: Callable[[], None] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _pool: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(cores.threads()))
    _aside: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(2))
    _compiled: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.given = {profile.name: profile for profile in self.profiles}

    # Files

    def begin(self, paths: Iterable[Path], as_album: bool = False, pair: bool = False) -> None:
        """Open files; when all are measured look at them as an album, or lay the second over the first."""
        opened = [self.open(path) for path in paths]

        def follow() -> None:
            if any(file.state in ("waiting", "measuring") for file in opened):
                return
            self._after = None
            with suppress(Refusal):
                if as_album:
                    self.begin_album()
                elif pair:
                    self.begin_pair(opened[1].number, opened[0].number)

        self._after = follow
        follow()

    def open(self, path: Path) -> Opened:
        """Open a file where it is, and begin to measure it.

        Raises
        ------
        Refusal
            Too many are open.
        """
        with self._lock:
            if len(self.files) >= MOST_FILES:
                raise Refusal(f"{MOST_FILES} files are open; close some first")
            self._last += 1
            opened = self.files[self._last] = Opened(self._last, path)
        self._pool.submit(self._measure, opened)
        return opened

    def place(self, name: str) -> Path:
        """A path in the session's folder for a dropped file, in a folder of its own so that it keeps its name.

        Raises
        ------
        Refusal
            Too many are open.
        """
        with self._lock:
            if len(self.files) >= MOST_FILES:
                raise Refusal(f"{MOST_FILES} files are open; close some first")
            self._last += 1
            own = self.folder / str(self._last)
        own.mkdir()
        return own / safe_name(name)

    def close_file(self, number: int) -> None:
        """Close a file; a dropped one is deleted, one that was opened where it is stays there."""
        opened = self.files.pop(number)
        for task in (self.pair, self.plan):
            if task is not None and number in task.about:
                self._drop(task)
        self.album = None
        opened.close()
        if opened.path.is_relative_to(self.folder):
            opened.path.unlink(missing_ok=True)

    def _drop(self, task: Task) -> None:
        if task is self.pair:
            self.pair = None
        else:
            self.plan = None

    def profile(self, name: str) -> Profile:
        """A profile of the command line by its name, or one that is looked up.

        Raises
        ------
        ProfileError
            There is none, or it has faults.
        """
        return self.given.get(name) or load_profile(name)

    def choose(self, profiles: Sequence[Profile]) -> None:
        """Hold the files against other profiles; files are measured again where one of these asks for their origin."""
        self.profiles = tuple(profiles)
        self.album = None
        if asks_origin(profiles):
            for opened in list(self.files.values()):
                if opened.state == "ready" and opened.measurement and opened.measurement.origin is None:
                    self._pool.submit(self._measure, opened)

    def checked(self, opened: Opened) -> Checked:
        return opened.checked(self.profiles)

    def ready(self, number: int) -> Opened:
        """A file that is measured.

        Raises
        ------
        Refusal
            There is none of that number, or it is not measured yet.
        """
        opened = self.files.get(number)
        if opened is None:
            raise Refusal("there is no such file")
        if opened.state != "ready":
            raise Refusal(f"{opened.name}: {opened.error or 'not measured yet'}")
        return opened

    def _measure(self, opened: Opened) -> None:
        with self._compiled:  # once; the others wait
            if first_run.needed():
                first_run.compile_kernels()
        opened.measure(self.layout, asks_origin(self.profiles))
        if self._after is not None:
            with self._lock:
                after = self._after
            if after is not None:
                after()

    # What is heard

    def sound(self, name: str) -> Signal:
        """What is heard under a name: a file's number, or `pair` for the first file on the second one's time.

        Raises
        ------
        Refusal
            There is nothing of that name.
        """
        if name == "pair":
            pair = self.pair.result if self.pair else None
            if not isinstance(pair, Pair):
                raise Refusal("no two files are laid over each other")
            first = self.ready(pair.second).measurement
            assert first is not None
            return Heard(pair.placed, first.format)
        opened = self.ready(int(name)) if name.isdecimal() and len(name) < 10 else None
        if opened is None or opened.kept is None or opened.measurement is None:
            raise Refusal("there is no such file")
        return Heard(opened.kept, opened.measurement.format)

    def begin_pair(self, first: int, second: int) -> None:
        """Lay one file over another, beside everything else.

        Raises
        ------
        Refusal
            One of them is not there, or they are the same.
        """
        if first == second:
            raise Refusal("choose two different files")
        both = self.ready(first), self.ready(second)
        task = self.pair = Task((first, second))
        self._begin(task, lambda: paired(*both))

    # Album and plan

    def begin_album(self) -> None:
        """Look at the open files as an album, in their order."""
        task = self.album = Task(tuple(self.files))
        paths = [opened.path for opened in self.files.values()]
        profiles, layout = self.profiles, self.layout
        self._begin(task, lambda: album(paths, profiles, layout=layout, progress=task.told))

    def begin_plan(self, number: int, profile: Profile) -> None:
        """Simulate the limiter for a premaster, so that every target near the profile's is answered at once.

        Raises
        ------
        Refusal
            The file is not measured, or the profile has no loudness to aim at.
        """
        opened, target = self.ready(number), profile.target_lufs()
        if target is None:
            raise Refusal(f"{profile.name} has no loudness to aim at")
        task = self.plan = Task((number, profile.name))
        assert opened.kept and opened.measurement
        kept, weights = opened.kept, opened.measurement.format.weights
        self._begin(task, lambda: PlanPreview(kept, weights, target, profile.highest_peak_db(), task.told))

    def solve(self, target_lufs: float) -> Plan:
        """The plan for the premaster and the profile that are simulated, and another target.

        Raises
        ------
        Refusal
            Nothing is simulated, or there is no such target.
        """
        task = self.plan
        if task is None or not isinstance(task.result, PlanPreview):
            raise Refusal("nothing is simulated yet")
        opened, profile = self.ready(task.about[0]), self.profile(task.about[1])
        assert opened.kept and opened.measurement
        try:
            return plan_signal(
                opened.kept,
                opened.measurement.format.weights,
                target_lufs,
                profile.highest_peak_db(),
                playback_lufs=profile.playback_lufs,
                max_gain_reduction_db=profile.max_gain_reduction_db,
            )
        except (ValueError, OSError) as error:
            raise Refusal(str(error)) from None

    def _begin(self, task: Task, find: Callable[[], Pair | Album | PlanPreview]) -> None:
        def run() -> None:
            try:
                task.result = find()
            except (PairError, AlbumError, ValueError) as error:
                task.error = str(error)
            except OSError as error:
                task.error = f"temporary files cannot be written ({error.strerror}); make room or set TMPDIR"
            except Exception as error:  # nobody waits for this thread: what is not told here is never told
                task.error = f"it could not be done ({type(error).__name__}: {error})"

        self._aside.submit(run)

    def close(self) -> None:
        """Give everything back; what is being worked on is not waited for."""
        for pool in (self._pool, self._aside):
            pool.shutdown(wait=False, cancel_futures=True)
        for opened in self.files.values():
            opened.close()


def safe_name(name: str) -> str:
    """A file's name without folders, control characters and what some system does not take; never empty."""
    last = re.split(r"[/\\]", name)[-1]
    kept = re.sub(r'[\x00-\x1f\x7f<>:"|?*]', "_", last).strip(" .")
    stem, dot, suffix = kept.rpartition(".")
    ending = f"{dot}{suffix}" if stem and len(suffix) <= 8 else ""
    body = (stem if ending else kept).encode("utf-8", "replace")[: LONGEST_NAME - len(ending.encode())]
    return (body.decode("utf-8", "ignore") or "sound") + ending
