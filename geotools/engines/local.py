"""Do pieces of work one after the other, in this process."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from geotools.errors import EngineError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

__all__ = ["do_each"]

Task = TypeVar("Task")
Result = TypeVar("Result")


def do_each(
    work: Callable[[Task], Result], tasks: Sequence[Task], *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[Result]:
    """Do pieces of work in their order.

    Parameters
    ----------
    work : callable
    tasks : sequence
    workers : int, optional
        One, if given.
    scheduler : str, optional
        None: there is none.

    Yields
    ------
    object
        What the work gave, as it gets done.

    Raises
    ------
    EngineError
        If more than one worker, or a scheduler, is asked for.

    Examples
    --------
    >>> list(do_each(abs, [-1, 2]))
    [1, 2]
    """
    if workers not in (None, 1) or scheduler is not None:
        asked = f"{workers} workers" if scheduler is None else f"the scheduler {scheduler}"
        raise EngineError(
            f"{asked}: the engine 'local' is one process", where="--engine local", mend="add --engine dask"
        )
    for task in tasks:
        yield work(task)
