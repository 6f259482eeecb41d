"""Do pieces of work on the workers of a dask cluster: processes of this machine, or a scheduler's."""

from __future__ import annotations

import importlib
import os
import tempfile
from typing import TYPE_CHECKING, Any, TypeVar

from geotools.errors import EngineError, GeotoolsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

__all__ = ["do_each"]

Task = TypeVar("Task")
Result = TypeVar("Result")

_CONNECT_S = 20
_LOST_WORKERS = 3
"""A piece of work that has taken so many workers down with it is given up (the engine's own default)."""


def do_each(
    work: Callable[[Task], Result], tasks: Sequence[Task], *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[Result]:
    """Do pieces of work on several processes, each as soon as a worker is free.

    A worker that dies is replaced and its piece of work done again by another one. Without a scheduler's address the
    workers are processes of this machine, which listen on the loopback address alone.

    Parameters
    ----------
    work : callable
        Found by its module and name on every worker.
    tasks : sequence
        What it is called with; small, for it goes over the network.
    workers : int, optional
        How many processes of this machine; one for each core without it.
    scheduler : str, optional
        Address of a running scheduler, such as `tcp://10.0.0.5:8786`, whose workers have this toolkit and see the same
        folders.

    Yields
    ------
    object
        What the work gave, in the order in which it gets done.

    Raises
    ------
    EngineError
        If the engine is not installed, the scheduler can't be reached, or workers keep dying.
    GeotoolsError
        What the work itself refuses.

    Examples
    --------
    >>> sorted(do_each(abs, [-1, 2], workers=2))  # doctest: +SKIP
    [1, 2]
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise EngineError(
            "the packages of the engine are not there", where="--engine dask", mend="pip install 'bajada[dask]'"
        ) from None
    if workers is not None and scheduler is not None:
        raise EngineError(
            f"{workers} workers and a scheduler", where="--workers", mend="leave one out: a scheduler has its workers"
        )
    with tempfile.TemporaryDirectory(prefix="bajada-") as scratch:
        cluster: Any = None
        if scheduler is None:
            cluster = distributed.LocalCluster(
                n_workers=workers or os.cpu_count() or 1,
                threads_per_worker=1,
                host="127.0.0.1",
                dashboard_address="127.0.0.1:0",  # loopback, any free port
                memory_limit=0,
                local_directory=scratch,
                silence_logs=50,
            )
        try:
            try:
                client = distributed.Client(cluster or scheduler, timeout=_CONNECT_S, set_as_default=False)
            except (OSError, ValueError) as error:
                raise EngineError(
                    f"the scheduler can't be reached: {error}",
                    where=f"--scheduler {scheduler}",
                    mend="check the address, and that it runs",
                ) from None
            with client:
                futures = client.map(work, tasks, pure=False, retries=0)
                try:
                    for future in distributed.as_completed(futures, loop=client.loop):
                        yield future.result()
                except distributed.KilledWorker:
                    raise EngineError(
                        f"a piece of work has ended {_LOST_WORKERS} workers, which is mostly too little memory",
                        where="--engine dask",
                        mend="make the tiles smaller (--set tiles.lots=1000), then go on with --resume",
                    ) from None
                except GeotoolsError:
                    client.cancel(futures)
                    raise
        finally:
            if cluster is not None:
                cluster.close()
