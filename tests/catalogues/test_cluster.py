"""A catalogue on a Dask cluster of processes: workers, the run and the scheduler die, and no row is lost or wrong."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import dask
import pytest
from distributed import Client, LocalCluster

import master_check
from master_check.judgement.checked import check_files
from tests.catalogues.openers import counted, fatal_to_workers
from tests.catalogues.test_catalogue import assert_is_what_check_finds, rows, wait_for
from tests.signals import noise, write

FILES = 400

BATCH_S = 0.1
"""Some 10 of these files, instead of hundreds."""


def local_cluster(folder: Path) -> Any:
    """Two workers of one thread, each a process that is started again when it dies."""
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        return LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            local_directory=str(folder),
        )


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with local_cluster(tmp_path_factory.mktemp("dask")) as cluster:
        yield cluster


@pytest.fixture(scope="module")
def vault(tmp_path_factory: pytest.TempPathFactory) -> Path:
    vault = tmp_path_factory.mktemp("vault")
    for number in range(FILES):
        write(vault / f"{number}.wav", noise(0.05, -30.0 + number / 20.0, 2, seed=number), 44_100, "PCM_16")
    return vault


def in_time() -> Callable[[Any], None]:
    """Raises where a cluster never comes back to life, which is the fault of its own guards and would take for ever."""
    until = time.monotonic() + 90.0

    def progress(told: Any) -> None:
        assert time.monotonic() < until, told

    return progress


def lines(log: Path) -> list[str]:
    return log.read_text().split() if log.exists() else []


def test_rows_are_those_of_check_though_workers_are_killed(cluster: Any, vault: Path, tmp_path: Path) -> None:
    log, killed = tmp_path / "log", []

    def kill() -> None:
        with Client(cluster, set_as_default=False) as client:  # type: ignore[no-untyped-call]
            for after in (60, 200):
                wait_for(lambda after=after: len(lines(log)) >= after)  # type: ignore[misc]
                process = next(iter(client.run(os.getpid).values()))
                os.kill(process, signal.SIGKILL)
                killed.append(process)

    killer = threading.Thread(target=kill)
    killer.start()
    found = master_check.catalogue(
        vault,
        tmp_path / "out.parquet",
        "cd",
        scheduler=cluster.scheduler_address,
        opener=partial(counted, log=str(log), seconds=0.005),
        batch_s=BATCH_S,
        progress=in_time(),
    )
    killer.join()
    assert len(set(killed)) == 2
    assert (found.files, found.measured, found.errors) == (FILES, FILES, 0)
    # A dead worker takes along the batch it was at, and those whose rows nobody had fetched yet: each some ten files.
    assert FILES <= len(lines(log)) <= FILES + 2 * 4 * 15
    there = rows(tmp_path / "out.parquet")
    assert len(there) == FILES
    for file in check_files(sorted(vault.iterdir()), "cd"):
        assert_is_what_check_finds(there[file.path], file)


RUN = """
import sys
from functools import partial
from master_check.catalogues import run
from tests.catalogues.openers import counted
run.WRITE_S = 0.05
opener = partial(counted, log=sys.argv[3], seconds=0.02)
run.catalogue(sys.argv[1], sys.argv[2], "cd", scheduler=sys.argv[4], opener=opener, batch_s=0.06)
"""


def test_the_run_is_killed_and_begun_again(cluster: Any, vault: Path, tmp_path: Path) -> None:
    """Nothing is measured twice but what was in flight: at most five batches for two workers, of six files or fewer."""
    (tmp_path / "in").mkdir()
    for number in range(150):
        (tmp_path / "in" / f"{number}.wav").hardlink_to(vault / f"{number}.wav")
    log, out = tmp_path / "log", tmp_path / "out.parquet"
    words = [sys.executable, "-c", RUN, str(tmp_path / "in"), str(out), str(log), cluster.scheduler_address]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *sys.path])}
    with subprocess.Popen(words, env=environment) as process:
        wait_for(lambda: len(lines(log)) >= 70)
        process.kill()
    at_rest = partial(_at_rest, log)
    wait_for(at_rest)
    before = len(lines(log))
    found = master_check.catalogue(
        tmp_path / "in",
        out,
        "cd",
        scheduler=cluster.scheduler_address,
        opener=partial(counted, log=str(log)),
        batch_s=BATCH_S,
        progress=in_time(),
    )
    assert len(rows(out)) == found.files == 150
    assert found.errors == 0 and found.kept is not None and found.measured is not None
    assert found.kept > 0 and found.kept + found.measured == 150
    assert len(lines(log)) - before == found.measured
    assert before - found.kept <= 5 * 6


def _at_rest(log: Path) -> bool:
    before = len(lines(log))
    time.sleep(0.4)
    return len(lines(log)) == before


def test_a_file_that_kills_workers_is_found_and_costs_no_other_its_result(
    cluster: Any, vault: Path, tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    for number in range(12):
        (tmp_path / "in" / f"{number}{' kills' * (number == 4)}.wav").hardlink_to(vault / f"{number}.wav")
    out = tmp_path / "out.parquet"
    found = master_check.catalogue(
        tmp_path / "in",
        out,
        scheduler=cluster.scheduler_address,
        opener=fatal_to_workers,
        batch_s=0.05,
        progress=in_time(),
    )
    assert (found.files, found.errors) == (12, 1)
    there = {Path(path).name: row for path, row in rows(out).items()}
    assert there["4 kills.wav"]["error"].startswith("its worker was lost each time (KilledWorker")
    for file in check_files([tmp_path / "in" / f"{number}.wav" for number in range(12) if number != 4]):
        assert_is_what_check_finds(there[Path(file.path).name], file)


def test_a_worker_of_another_version_is_refused(
    cluster: Any, vault: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("master_check.catalogues.run.MEASUREMENT_VERSION", 99)
    with pytest.raises(master_check.CatalogueError, match="install the same sendoff on both"):
        master_check.catalogue(vault / "0.wav", tmp_path / "out.parquet", scheduler=cluster.scheduler_address)


def test_no_scheduler(vault: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("master_check.catalogues.executors.CONNECT_S", 1)
    with pytest.raises(master_check.CatalogueError, match=r"tcp://127\.0\.0\.1:9: no scheduler answers"):
        master_check.catalogue(vault / "0.wav", tmp_path / "out.parquet", scheduler="tcp://127.0.0.1:9")


def test_the_scheduler_goes_away(vault: Path, tmp_path: Path) -> None:
    """What was measured by then is kept."""
    log, out = tmp_path / "log", tmp_path / "out.parquet"
    with local_cluster(tmp_path / "dask") as cluster:

        def stop() -> None:
            wait_for(lambda: len(lines(log)) >= 60)
            cluster.close()

        stopper = threading.Thread(target=stop)
        stopper.start()
        with pytest.raises(master_check.CatalogueError, match="the scheduler is gone; what was measured is kept"):
            master_check.catalogue(
                vault,
                out,
                scheduler=cluster.scheduler_address,
                opener=partial(counted, log=str(log), seconds=0.05),
                batch_s=0.05,
            )
        stopper.join()
    assert master_check.read_catalogue(out).files > 0
