"""Asks the runner, and says what is wrong with what the command answered."""

import hashlib
import json
import math
import os
import subprocess
import sys
import tempfile
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import pytest

from master_check.tables.quantities import QUANTITIES
from tests.fuzz.mutations import Case, Seed
from tests.fuzz.runner import MEMORY

SECONDS: Final = 20.0
"""How long one call may take: a few files of half a second each, on a loaded machine."""

Word = str | bytes | Path


@dataclass(slots=True)
class Request:
    """One call of the command, as the runner takes it."""

    words: list[str]
    folder: str
    stdout: str
    stderr: str
    stuck: str
    seconds: float = SECONDS
    memory: int | None = MEMORY
    file_size: int | None = None
    user: int | None = None
    environment: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Answer:
    """How a call ended. `status` is the exit status, or minus the signal that ended it; `stuck` is where it hung."""

    status: int
    hung: bool
    seconds: float
    rss: int
    stdout: bytes
    stderr: bytes
    stuck: str

    @property
    def lines(self) -> list[str]:
        """Standard error, by lines that end in a line feed and nothing else."""
        return self.stderr.decode("utf-8").split("\n")[:-1]


class Command:
    """The `sendoff` command in processes of its own, started once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._process = subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "tests.fuzz.runner"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONDEVMODE": "0"},
            text=True,
        )
        assert self._ask_line() == {"ready": True}

    def __enter__(self) -> "Command":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()

    def _ask_line(self) -> Any:
        assert self._process.stdout is not None
        return json.loads(self._process.stdout.readline())

    def __call__(self, *words: Word, **options: Any) -> Answer:
        """Run `sendoff WORDS...` in the folder; options are fields of `Request`."""
        with tempfile.TemporaryDirectory() as streams:
            out = options.pop("stdout", None) or f"{streams}/out"
            err = f"{streams}/err"
            stuck = f"{streams}/stuck"
            for stream in (f"{streams}/out", err, stuck):
                Path(stream).touch()
            given = [os.fsencode(word).hex() for word in words]
            request = Request(given, str(options.pop("folder", self.folder)), str(out), err, stuck, **options)
            assert self._process.stdin is not None
            print(json.dumps(asdict(request)), file=self._process.stdin, flush=True)
            answer = self._ask_line()
            printed = Path(out).read_bytes() if str(out).startswith(streams) else b""
            return Answer(**answer, stdout=printed, stderr=Path(err).read_bytes(), stuck=Path(stuck).read_text())


def shown(path: Word) -> str:
    """A path as a terminal may have it: written again from what the design asks, not taken from the program."""
    text = ""
    for character in os.fsdecode(path):
        code = ord(character)
        if 0xDC80 <= code <= 0xDCFF:
            text += f"\\x{code - 0xDC00:02x}"
        elif unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            text += f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
        else:
            text += character
    return text


def obeyed(text: str) -> list[str]:
    """Characters a terminal would obey, or that change how the rest reads; line feeds may be."""
    return [c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")]


def digests(paths: Iterable[Path]) -> dict[Path, str]:
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def faults_of_end(answer: Answer) -> list[str]:
    """What is wrong with the way a call ended, whatever it was asked."""
    faults = []
    if answer.hung:
        faults.append(f"hangs: not done after {answer.seconds:.1f} s\n{answer.stuck}")
    elif answer.status < 0:
        faults.append(f"killed by signal {-answer.status}")
    elif answer.status not in (0, 1, 2):
        faults.append(f"exit status {answer.status}")
    if b"Traceback" in answer.stderr:
        faults.append("a traceback")
    for name, stream in (("standard output", answer.stdout), ("standard error", answer.stderr)):
        bad = obeyed(stream.decode("utf-8", "replace"))
        if bad:
            faults.append(f"{name} has {sorted(set(bad))!r}")
    return faults


def faults_of_check(answer: Answer, files: Sequence[Path], good: Mapping[Path, Any]) -> list[str]:
    """What is wrong with `check --json FILES`: nothing, if the list is empty.

    `good` has, for files nothing is wrong with, the measures they must come out with.
    """
    faults = faults_of_end(answer)
    if answer.status not in (0, 2) or faults:
        return [*faults, *answer.lines[-3:]]

    def refuse(word: str) -> None:
        raise ValueError(f"{word} in JSON")

    try:
        found = json.loads(answer.stdout, parse_constant=refuse)
    except ValueError as error:
        return [f"standard output is not JSON: {error}"]
    entries = found["files"]
    if [entry["path"] for entry in entries] != [str(path) for path in files]:
        return ["the files are not the ones asked for, in their order"]
    failed = [entry for entry in entries if entry["error"] is not None]
    expected = [shown(f"sendoff: {entry['path']}: {entry['error']}") for entry in failed]
    if answer.lines != expected:
        faults.append(f"standard error is {answer.lines!r}, expected {expected!r}")
    if answer.status != (2 if failed else 0):
        faults.append(f"exit status {answer.status} with {len(failed)} files not read")
    for path, entry in zip(files, entries, strict=True):
        if path in good and entry["measures"] != good[path]:
            faults.append(f"{path.name}: a good file measured differently")
        if entry["error"] is None:
            faults += [f"{path.name}: {fault}" for fault in faults_of_entry(entry)]
    return faults


def faults_of_entry(entry: Any) -> list[str]:
    """Figures that cannot be, in one file's JSON."""
    faults = []
    measures = entry["measures"]
    if list(measures) != list(QUANTITIES):
        faults.append("quantities are missing")
    for key, value in (*measures.items(), *((k, v) for row in entry["channels"] for k, v in row.items())):
        if isinstance(value, float) and not math.isfinite(value):
            faults.append(f"{key} is {value}")
    duration, rate = measures["duration_s"], measures["sample_rate_hz"]
    if duration is None or duration <= 0.0:
        faults.append(f"measured, and has a duration of {duration}")
        return faults
    faults += [
        f"{key} at {at} s of {duration} s" for key, at in entry["at_s"].items() if not 0.0 <= at <= duration + 1e-6
    ]
    peak, true_peak = measures["sample_peak_dbfs"], measures["true_peak_dbtp"]
    if peak is not None and (true_peak is None or true_peak < peak - 1e-6):
        faults.append(f"true peak {true_peak} below sample peak {peak}")
    # A mean of squares is no larger than the largest square.
    rms = measures["rms_dbfs"]
    if rms is not None and peak is not None and rms > peak + 1e-3:
        faults.append(f"RMS {rms} above sample peak {peak}")
    if not 8_000 <= rate <= 384_000:
        faults.append(f"sample rate {rate}")
    return faults


needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="the runner forks: POSIX systems only")


def faults_of_lint(answer: Answer, path: Path) -> list[str]:
    """What is wrong with `profiles lint PATH`: a line a fault that begins with the profile, or no fault at all."""
    faults = faults_of_end(answer)
    if answer.status == 2:
        start = f"sendoff: {shown(path)}: "
        faults += [f"a line is {line[:200]!r}" for line in answer.lines if not line.startswith(start)]
        faults += [f"a line of {len(line)} characters" for line in answer.lines if len(line) > 20_000]
        if not answer.lines or answer.stdout:
            faults.append(f"exit status 2 with {len(answer.lines)} faults and {answer.stdout[:200]!r}")
    elif answer.status != 0 or answer.lines or not answer.stdout.endswith(b"no faults\n"):
        faults.append(f"exit status {answer.status}, {answer.stdout[:200]!r}, {answer.lines[:3]!r}")
    return faults


class Feeder:
    """Feeds cases by kind, and tells the number of each that went wrong.

    Parameters
    ----------
    command : Command
        In whose folder the cases are written.
    """

    def __init__(self, command: Command) -> None:
        self.command = command
        self.good = command.folder / "good.wav"
        self.good.write_bytes(Seed("WAV", "PCM_24", 2, 48_000).data())
        answer = command("check", "--json", self.good)
        (entry,) = json.loads(answer.stdout)["files"]
        assert entry["error"] is None and entry["measures"]["integrated_lufs"] is not None
        self._expected = {self.good: entry["measures"]}
        self.refused = 0
        self.slowest = 0.0
        self.rss = 0

    def _seen(self, answer: Answer) -> Answer:
        self.slowest = max(self.slowest, answer.seconds)
        self.rss = max(self.rss, answer.rss)
        return answer

    def sounds(self, cases: Mapping[int, Case]) -> dict[int, list[str]]:
        """Faults of sound files: all in one call, with a good one at the end; alone where that showed any.

        Then the other commands that read files, and the other forms of results.
        """
        paths = {number: self.command.folder / f"{number}.bin" for number in cases}
        for number, path in paths.items():
            path.write_bytes(cases[number].data)
        before = digests([*paths.values(), self.good])
        faults = self._check([*paths.values(), self.good])
        found = {}
        if faults:
            found = {number: own for number, path in paths.items() if (own := self._check([path]))}
        else:
            faults = self._other_commands([*paths.values(), self.good])
        if faults and not found:
            found = {next(iter(cases)): [f"this one or the {len(cases) - 1} after it: {fault}" for fault in faults]}
        after = digests([*paths.values(), self.good])
        for number, path in paths.items():
            if before[path] != after[path]:
                found.setdefault(number, []).append("the file was changed")
            path.unlink()
        assert before[self.good] == after[self.good]
        return found

    def _check(self, paths: list[Path]) -> list[str]:
        answer = self._seen(self.command("check", "--json", *paths))
        self.refused += len(answer.lines)
        self._lines = answer.lines
        return faults_of_check(answer, paths, self._expected)

    def _other_commands(self, paths: list[Path]) -> list[str]:
        """After `_check`: every call complains about the same files in the same words, and reads the others."""
        cache = {"XDG_CACHE_HOME": str(self.command.folder / "cache")}
        bad = [path for path in paths if any(line.startswith(f"sendoff: {path}: ") for line in self._lines)]
        good = [path for path in paths if path not in bad]
        calls: list[tuple[list[Word], list[Path]]] = [
            (["check", "--all", "-p", "streaming", "-p", "broadcast-r128"], paths),
            (["check", "--csv"], paths),
            (["check", "--csv", "--threads", "2"], bad[:1]),  # a file alone is read ahead
            (["check", "--csv", "--threads", "2"], good[:1]),
            (["album", "-p", "cd"], paths),
            (["plan", "-p", "streaming"], good[:1]),
            (["plan", "-p", "streaming"], bad[:1]),
        ]
        faults = []
        for words, files in calls:
            if not files:
                continue
            answer = self._seen(self.command(*words, *files, environment=cache))
            ended = faults_of_end(answer)
            if ended:
                faults += [f"{words!r}: {fault}" for fault in (*ended, *answer.lines[-3:])]
                continue
            expected = [line for line in self._lines if any(line.startswith(f"sendoff: {path}: ") for path in files)]
            # What can be measured need not be plannable: too short, silent.
            unplannable = "plan" in words and files == good[:1] and answer.status == 2 and len(answer.lines) == 1
            if answer.lines != expected and not unplannable:
                faults.append(f"{words!r}: standard error is {answer.lines!r}, expected {expected!r}")
        return faults

    def profile(self, case: Case) -> list[str]:
        """Faults of one profile: linted; if nothing is wrong with it, shown and judged by."""
        path = self.command.folder / "case.toml"
        path.write_bytes(case.data)
        answer = self._seen(self.command("profiles", "lint", path))
        self.refused += answer.status == 2
        faults = faults_of_lint(answer, path)
        if answer.status == 0:
            commands: tuple[list[Word], ...] = (["profiles", "show", path], ["check", "--all", self.good, "-p", path])
            for words in commands:
                answer = self._seen(self.command(*words))
                faults += faults_of_end(answer)
                if answer.lines or answer.status == 2:
                    faults.append(f"lint found nothing, {words[0]!r} says {answer.lines!r}")
        if path.read_bytes() != case.data:
            faults.append("the profile was changed")
        path.unlink()
        return faults
