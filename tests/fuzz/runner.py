"""The process in which cases run: imports once, then forks a child for every call of the command.

A child that crashes, hangs or eats memory is seen from here and harms nobody. Requests and answers are JSON, a line
each, on standard input and output: `Request` in harness.py has the fields.
"""

import faulthandler
import gc
import importlib
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

MEMORY: int = 512 * 2**20
"""Bytes of address space a call may add to what the process has after its imports."""


def _address_space() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _limit(request: dict[str, Any]) -> None:
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if request["memory"] is not None and sys.platform == "linux":
        most = _address_space() + int(request["memory"])
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    if request["file_size"] is not None:
        # As a full disk: writing past it fails with an error instead of ending the process.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(request["file_size"]),) * 2)


def _become(request: dict[str, Any]) -> None:
    """Give standard streams, folder, environment and user to the child."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    out = os.open(request["stdout"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    err = os.open(request["stderr"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    for fd, standard in ((nothing, 0), (out, 1), (err, 2)):
        os.dup2(fd, standard)
        os.close(fd)
    sys.stdout = open(1, "w", encoding="utf-8", errors="strict", closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, encoding="utf-8", errors="backslashreplace", closefd=False)  # noqa: SIM115
    faulthandler.register(signal.SIGUSR1, Path(request["stuck"]).open("w"))  # noqa: SIM115
    os.chdir(request["folder"])
    os.environ.update(request["environment"])
    if request["user"] is not None:
        os.setgroups([])
        os.setgid(request["user"])
        os.setuid(request["user"])


def _child(request: dict[str, Any]) -> int:
    """Run the command as the installed entry point does; the exit status."""
    from master_check.cli import main

    try:
        _become(request)
        _limit(request)
        sys.argv = ["sendoff", *(os.fsdecode(bytes.fromhex(word)) for word in request["words"])]
        main()
    except SystemExit as error:
        if isinstance(error.code, str):
            print(error.code, file=sys.stderr)
            return 1
        return error.code or 0
    except BaseException:
        traceback.print_exc()
        return 70
    return 0


def _call(request: dict[str, Any]) -> dict[str, Any]:
    began = time.monotonic()
    pid = os.fork()
    if pid == 0:
        status = 71
        try:
            status = _child(request)
            sys.stdout.flush()
            sys.stderr.flush()
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    hung = False
    looked = began
    while True:
        done, state, usage = os.wait4(pid, os.WNOHANG)
        now = time.monotonic()
        if now - looked > 1.0:  # the machine stood still, this process with it: that is not the child's fault
            began += now - looked
        looked = now
        seconds = now - began
        if done:
            break
        if seconds > request["seconds"] and not hung:
            hung = True
            os.kill(pid, signal.SIGUSR1)  # has it write down where it is, if it still can
            time.sleep(0.5)
            os.kill(pid, signal.SIGKILL)
            looked = time.monotonic()
        time.sleep(0.001)
    return {"status": os.waitstatus_to_exitcode(state), "hung": hung, "seconds": seconds, "rss": usage.ru_maxrss}


def _warm_up() -> None:
    """Load and compile what a call would, so that children start at once and their memory is their own."""
    for name in (
        "albums.album",
        "limiting.plan",
        "measurement.store",
        "report.album",
        "report.csv",
        "report.json",
        "report.profiles",
        "report.terminal",
    ):
        importlib.import_module(f"master_check.{name}")
    from master_check.measurement.one_pass import measure

    rng = np.random.default_rng(0)
    with tempfile.TemporaryDirectory() as folder:
        for channels, kind in ((2, "FLOAT"), (2, "PCM_32"), (1, "PCM_16"), (6, "PCM_24")):
            path = Path(folder) / "a.wav"
            soundfile.write(path, rng.standard_normal((48_000, channels)).clip(-1, 1), 48_000, subtype=kind)
            measure(path)


def main() -> None:
    answers = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what libraries print must not get between the answers
    _warm_up()
    gc.freeze()  # children look after what is new, and share the rest
    print(json.dumps({"ready": True}), file=answers, flush=True)
    for line in sys.stdin:
        print(json.dumps(_call(json.loads(line))), file=answers, flush=True)


if __name__ == "__main__":
    main()
