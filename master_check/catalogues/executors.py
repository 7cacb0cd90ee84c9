"""Where batches are measured: threads of this machine, each with a process of its own, or the workers of a cluster."""

import logging
import time
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Final, Protocol

from master_check import cores
from master_check.catalogues.batches import Batch, Row
from master_check.catalogues.child import CHILDREN, measured
from master_check.catalogues.errors import CatalogueError, library
from master_check.measurement.one_pass import MEASUREMENT_VERSION

_ASK_S: Final = 2.0
"""How often a scheduler is asked for its workers, which may come and go."""

_FETCH_S: Final = 60.0
"""Within this the rows of a batch have to come, once they are made."""

CONNECT_S: Final = 10
"""Within this a scheduler has to answer."""


def measure_batch(batch: Batch) -> list[Row]:
    """The rows of a batch's files, in their order; what every executor runs, on whichever machine.

    Raises
    ------
    CatalogueError
        This machine measures otherwise than the one that asks.
    """
    if batch.request.version != MEASUREMENT_VERSION:
        raise CatalogueError(
            f"a worker has measurement version {MEASUREMENT_VERSION}, but here it is {batch.request.version}; "
            "install the same sendoff on both"
        )
    return measured(batch.files, batch.request)


class Place(Protocol):
    """Where batches are measured."""

    def slots(self) -> int:
        """How many are measured at once; 0 while there is nobody to do it."""
        ...

    def submit(self, batch: Batch) -> "Future[list[Row]]":
        """Have one measured, some time."""
        ...

    def lost(self) -> str | None:
        """Why nothing more can be had of it; None as long as it is there."""
        ...

    def close(self) -> None:
        """Nothing more is wanted."""
        ...


class Threads:
    """This machine's cores."""

    def __init__(self, threads: int | None = None) -> None:
        self._slots = cores.threads(threads)
        self._pool = ThreadPoolExecutor(self._slots)

    def slots(self) -> int:
        return self._slots

    def submit(self, batch: Batch) -> "Future[list[Row]]":
        return self._pool.submit(measure_batch, batch)

    def lost(self) -> str | None:
        return None

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)
        CHILDREN.end()


class Cluster:
    """The workers of a Dask cluster that is there already.

    Parameters
    ----------
    address : str
        Of its scheduler, such as tcp://scheduler:8786.

    Raises
    ------
    CatalogueError
        There is no scheduler, or a library is missing.
    """

    def __init__(self, address: str) -> None:
        distributed = library("distributed")
        self._address = address
        try:
            self._client: Any = distributed.Client(address, set_as_default=False, name="sendoff", timeout=CONNECT_S)
        except (OSError, ValueError) as error:
            raise CatalogueError(f"{address}: no scheduler answers ({' '.join(str(error).split())})") from None
        self._slots, self._asked = 0, -_ASK_S

    def slots(self) -> int:
        """The threads of all workers there are now.

        Raises
        ------
        CatalogueError
            The scheduler is gone.
        """
        if time.monotonic() - self._asked >= _ASK_S:
            try:
                threads: dict[str, int] = self._client.nthreads()
            except Exception:  # of several kinds, by what was under way
                raise CatalogueError(self.lost() or self._gone()) from None
            self._slots, self._asked = sum(threads.values()), time.monotonic()
        return self._slots

    def submit(self, batch: Batch) -> "Future[list[Row]]":
        asked = self._client.submit(measure_batch, batch, pure=False)
        made: Future[list[Row]] = Future()
        asked.add_done_callback(lambda done: _settle(made, done))
        return made

    def lost(self) -> str | None:
        return None if self._client.status == "running" else self._gone()

    def _gone(self) -> str:
        return f"{self._address}: the scheduler is gone; what was measured is kept, run again to go on"

    def close(self) -> None:
        self._client.close()


def quiet() -> None:
    """Keep Dask's own lines off standard error: what goes wrong is told once, and what mends itself is not."""
    library("distributed")  # which sets its loggers up
    for name in ("distributed", "distributed.client", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _settle(made: "Future[list[Row]]", done: Any) -> None:
    """Hand on what became of a task of a cluster: rows that cannot be fetched from a worker in time are lost."""
    try:
        made.set_result(done.result(timeout=_FETCH_S))
    except BaseException as error:
        made.set_exception(error)
