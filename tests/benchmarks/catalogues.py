"""How fast `sendoff catalogue` is here and on a cluster, and what more workers would do.

`python -m tests.benchmarks.catalogues`, or with all of `bench`. Nothing here asserts a time.

The model. W workers of one thread measure batches of B seconds of work. A file takes F seconds of a worker.
- The scheduler takes S seconds a task, of which there are W/B a second: it is busy for W * S / B of its time, and
  becomes the limit at W = B / S.
- Whoever asks takes C seconds a row (unpickling, writing Parquet), of which there are W/F a second: it is busy
  for W * C / F of its time, and becomes the limit at W = F / C.
- Files of M bytes have to come from somewhere: W * M / F bytes a second.
As long as none of them is at its limit, throughput is W times that of one worker, less the share a task costs it,
which was measured with one worker and with two. S is measured with tasks that do nothing, workers and whoever asks
included, so it is too large and the limit too near.
"""

import pickle
import shutil
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from master_check.catalogues.batches import BATCH_S
from master_check.catalogues.folder import Folder
from master_check.catalogues.found import find
from master_check.catalogues.run import catalogue
from master_check.judgement.checked import check_files
from tests.benchmarks.bench import best, music, row
from tests.signals import write

SECONDS: Final = 10.0
WORKERS: Final = (1, 2)
MODELLED: Final = (8, 64, 512)
ROWS: Final = 100_000


def catalogues_table(folder: Path, quick: bool) -> None:
    files = 60 if quick else 300
    vault = folder / "vault"
    vault.mkdir()
    sound = music(60.0, 48_000)
    for number in range(files):
        start = 150 * number % 48_000
        write(vault / f"{number}.wav", sound[start * 40 : start * 40 + int(SECONDS * 48_000)], 48_000)
    print(
        f"\nsendoff catalogue, {files} files of {SECONDS:g} s; target: Dask at most 10 % over threads that check files"
    )
    row("workers", "threads, check", "catalogue", "on Dask", "Dask/threads")
    alone = [_throughput(folder, vault, workers, 1 if quick else 3) for workers in WORKERS]
    share = _scheduler_s()
    each, size = _row_s(folder, vault)
    _model(alone[0] / files, share, each, (vault / "0.wav").stat().st_size, size)
    _resume(folder, ROWS // 20 if quick else ROWS)


def _throughput(folder: Path, vault: Path, workers: int, runs: int) -> float:
    """One row of the table; seconds that the cluster took."""
    from distributed import LocalCluster

    paths = sorted(vault.iterdir())
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers, threads_per_worker=1, dashboard_address="127.0.0.1:0", local_directory=str(folder / "dask")
    ) as cluster:
        fresh = partial(_fresh, folder / "out.parquet", vault)
        plain, threads, dask = best(
            partial(check_files, paths, "streaming", threads=workers),
            partial(fresh, threads=workers),
            partial(fresh, scheduler=cluster.scheduler_address),
            runs=runs,
        )
    row(str(workers), f"{plain:.2f} s", f"{threads:.2f} s", f"{dask:.2f} s", f"{dask / plain:.2f}")
    return dask


def _fresh(out: Path, vault: Path, **options: Any) -> None:
    shutil.rmtree(out, ignore_errors=True)
    catalogue(vault, out, "streaming", **options)


def _nothing(number: int) -> int:
    return number


def _scheduler_s(tasks: int = 2000) -> float:
    """Seconds that a task which does nothing takes from asking to answer, with many at once."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0") as cluster,  # type: ignore[no-untyped-call]
        Client(cluster, set_as_default=False) as client,  # type: ignore[no-untyped-call]
    ):

        def ask() -> None:
            client.gather([client.submit(_nothing, number, pure=False) for number in range(tasks)])

        ask()
        (taken,) = best(ask, runs=3)
    return taken / tasks


def _row_s(folder: Path, vault: Path) -> tuple[float, float]:
    """What a row costs whoever asks, in seconds, where a thousand come at once as with many workers; its bytes."""
    out = folder / "rows.parquet"
    catalogue(vault, out, "streaming")
    there = Folder(out)
    known = there.read(there.parts()[0]).to_pylist()
    rows = [pickle.loads(pickle.dumps(known[n % len(known)])) for n in range(1000)]  # that share nothing
    sent = pickle.dumps(rows)
    written = Folder(folder / "written.parquet")
    written.path.mkdir()
    (taken,) = best(lambda: written.add(pickle.loads(sent)), runs=5)
    return taken / len(rows), len(sent) / len(rows)


def _model(file_s: float, task_s: float, row_s: float, file_bytes: int, row_bytes: float) -> None:
    """The arithmetic that stands at the head of this file, with the constants measured."""
    print(f"\nModel of a cluster, files of {SECONDS:g} s: F = {1e3 * file_s:.1f} ms a file,")
    print(f"S = {1e3 * task_s:.2f} ms a task,", end=" ")
    print(f"C = {1e3 * row_s:.3f} ms a row of {row_bytes / 1e3:.1f} kB, B = {BATCH_S:g} s a batch")
    scheduler, single = BATCH_S / task_s, file_s / task_s
    print(f"The scheduler is the limit at B/S = {scheduler:,.0f} workers (a file a task: at F/S = {single:,.0f}),")
    print(f"whoever asks at F/C = {file_s / row_s:,.0f} workers")
    row("workers", "files/s", "scheduler busy", "asker busy", "bytes read/s")
    for workers in MODELLED:
        busy = max(workers * task_s / BATCH_S, workers * row_s / file_s, 1.0)
        files = workers / file_s / busy
        row(
            str(workers),
            f"{files:,.0f}",
            f"{100 * workers * task_s / BATCH_S / busy:.1f} %",
            f"{100 * workers * row_s / file_s / busy:.1f} %",
            f"{files * file_bytes / 1e9:.2f} GB",
        )


def _resume(folder: Path, count: int) -> None:
    """A run that finds everything there."""
    vault, out = folder / "big", folder / "big.parquet"
    for number in range(count):
        place = vault / str(number % 100)
        if number < 100:
            place.mkdir(parents=True)
        (place / f"{number}.wav").touch()
    one = Folder(folder / "rows.parquet")
    table = one.read(one.parts()[0])
    pattern = table.to_pylist()[0]
    out.mkdir()
    big = Folder(out)
    rng = np.random.default_rng(0)
    found = find([vault]).files
    for start in range(0, count, 5000):
        files = found[start : start + 5000]
        columns: dict[str, Any] = {name: [pattern[name]] * len(files) for name in table.column_names}
        columns["path"] = [file.path for file in files]
        columns["size_bytes"] = [file.size for file in files]
        columns["modified_ns"] = [file.modified_ns for file in files]
        columns |= {
            field.name: rng.normal(-14.0, 3.0, len(files)) for field in table.schema if field.type == pa.float64()
        }
        big.add_table(pa.table(columns, schema=big.schema))
    start_s = time.perf_counter()
    again = catalogue(vault, out, "streaming")
    taken = time.perf_counter() - start_s
    assert again.measured == 0, again
    size = sum(part.stat().st_size for part in out.iterdir())
    print(
        f"\nResume over {again.kept:,} rows that are there: {taken:.1f} s, target 10 s; {size / count:.0f} bytes a row"
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        catalogues_table(Path(name), quick=False)
