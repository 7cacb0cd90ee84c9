"""A process of its own for what may kill or hang it: files are measured there one after the other.

A file that is damaged in a way nobody thought of may take the process of its decoder with it, or never end. Then it
is known which file that was, and nothing else is lost.
"""

import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Final

from master_check.catalogues.batches import File, Request, Row, time_limit
from master_check.catalogues.rows import error_row, measured_row

_IDLE_S: Final = 30.0
"""A process that has had nothing to do for so long is ended; a new one takes some tenths of a second."""

_TRIES: Final = 2
"""Processes that a file may end: the first may have been ended by something else, such as want of memory."""

_MEMORY: Final = {"MALLOC_MMAP_THRESHOLD_": str(32 << 20), "MALLOC_TRIM_THRESHOLD_": str(1 << 30)}
"""glibc keeps what one file took for the next (mallopt(3)); other systems do not look at it. A Dask worker has 64 KiB
for the second, so that it asks for memory again and again, which can take longer than measuring short files."""

_CODE: Final = """
import pickle, sys
sys.path[:] = pickle.load(sys.stdin.buffer)
from master_check.catalogues.child import serve
serve()
"""


class Child:
    """A process that measures files, one at a time, for one thread at a time."""

    def __init__(self) -> None:
        words = [sys.executable, "-P", "-c", _CODE]
        # In a session of its own it does not get the Ctrl-C that is meant for whoever waits for it.
        self._process = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            env=os.environ | _MEMORY,
        )
        home = str(Path(__file__).parents[2])  # this very program, not another that may be installed too
        with suppress(OSError):
            self._tell([home, *sys.path])
        self._request: Request | None = None
        self._late = threading.Event()

    def _tell(self, what: Any) -> None:
        assert self._process.stdin is not None
        pickle.dump(what, self._process.stdin)
        self._process.stdin.flush()

    def ready(self) -> bool:
        """Waits until it has begun, and compiled what has to be; whether it can be used."""
        return self._answer() is not None

    def _answer(self) -> Any:
        assert self._process.stdout is not None
        try:
            return pickle.load(self._process.stdout)
        except (EOFError, OSError, pickle.UnpicklingError):
            return None

    def measure(self, file: File, request: Request) -> tuple[Row | None, str]:
        """The row of a file; or None, and what became of the process, which is of no use any more."""
        limit = time_limit(file, request)
        timer = threading.Timer(limit, self._give_up)
        timer.daemon = True
        timer.start()
        try:
            with suppress(OSError):
                if request is not self._request:
                    self._tell(request)
                    self._request = request
                self._tell(file)
            row = self._answer()
        finally:
            timer.cancel()
        if row is not None:
            return row, ""
        self.end()
        if self._late.is_set():
            return None, f"not measured within {limit:.0f} s; give it more time with --time-limit, and --retry"
        return None, f"its measuring ended the process ({self._ended()}); export or copy it again"

    def _give_up(self) -> None:
        self._late.set()
        self._process.kill()

    def _ended(self) -> str:
        status = self._process.wait()
        with suppress(ValueError):
            return signal.Signals(-status).name
        return f"status {status}"

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def end(self) -> None:
        for stream in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                if stream is not None:
                    stream.close()
        try:
            self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class Children:
    """Processes at rest, for whichever thread needs one next."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: list[tuple[float, Child]] = []

    def take(self) -> Child:
        """One that can be used.

        Raises
        ------
        OSError
            None can be had.
        """
        with self._lock:
            while self._idle:
                _, child = self._idle.pop()
                if child.alive:
                    return child
                child.end()
        child = Child()
        if not child.ready():
            child.end()
            raise OSError("no process can be had to measure in")
        return child

    def give_back(self, child: Child) -> None:
        with self._lock:
            self._idle.append((time.monotonic(), child))
        later = threading.Timer(_IDLE_S + 1.0, self._end_idle)
        later.daemon = True
        later.start()

    def _end_idle(self) -> None:
        before = time.monotonic() - _IDLE_S
        with self._lock:
            old = [child for since, child in self._idle if since < before]
            self._idle = [(since, child) for since, child in self._idle if since >= before]
        for child in old:
            child.end()

    def end(self) -> None:
        """End all that are at rest."""
        with self._lock:
            old, self._idle = self._idle, []
        for _, child in old:
            child.end()


CHILDREN: Final = Children()
"""Of this process: a machine's own, or a worker of a cluster."""


def measured(files: tuple[File, ...], request: Request) -> list[Row]:
    """Rows of files, whatever becomes of the processes they are measured in."""
    rows: list[Row] = []
    child = CHILDREN.take()
    try:
        for file in files:
            began = time.monotonic()
            for _ in range(_TRIES):
                row, problem = child.measure(file, request)
                if row is not None:
                    break
                child = CHILDREN.take()
                if "not measured within" in problem:
                    break
            rows.append(row or error_row(file, request, problem, time.monotonic() - began))
    finally:
        CHILDREN.give_back(child)
    return rows


# --- inside the process ---


def serve() -> None:
    """Measure what standard input names until it ends; whatever libraries print goes nowhere."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    asked: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, asked), daemon=True).start()
    from master_check.measurement import first_run

    if first_run.needed():
        with suppress(OSError):
            first_run.compile_kernels()
    _say(out, True)
    request: Request | None = None
    while True:
        what = asked.get()
        if isinstance(what, Request):
            request = what
        elif request is not None:
            _say(out, _row(what, request))


def _listen(stream: IO[bytes], asked: "queue.SimpleQueue[Any]") -> None:
    """Ends the process once nobody wants anything of it any more, whatever it is at."""
    try:
        while True:
            asked.put(pickle.load(stream))
    finally:
        os._exit(0)


def _say(out: IO[bytes], what: Any) -> None:
    pickle.dump(what, out)
    out.flush()


def _row(file: File, request: Request) -> Row:
    from master_check.measurement.one_pass import measure
    from master_check.sound.format import AudioError

    began = time.monotonic()
    path = request.there(file.path)
    try:
        source = path if request.opener is None else request.opener(path)
        measurement = measure(source, request.layout, origin=request.origin)
    except AudioError as error:
        return error_row(file, request, error.problem, time.monotonic() - began)
    except MemoryError:
        return error_row(file, request, "not enough memory to measure it", time.monotonic() - began)
    except Exception as error:  # a fault of ours, or of a source's: costs one file and no other
        problem = f"cannot be measured ({type(error).__name__}: {' '.join(str(error).split())})"
        return error_row(file, request, problem, time.monotonic() - began)
    return measured_row(file, request, measurement, time.monotonic() - began)
