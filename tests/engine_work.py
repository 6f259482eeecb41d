"""Pieces of work that a test gives to an engine: in a module of their own, which a worker finds by its name."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from geotools.errors import LayerError


def square(number: int) -> int:
    return number * number


def die_once(task: tuple[str, int]) -> int:
    """End the worker without a word when the mark is not there yet."""
    mark = Path(task[0])
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return task[1]


def always_die(task: int) -> int:
    os.kill(os.getpid(), signal.SIGKILL)
    return task


def refuse(task: int) -> int:
    raise LayerError("it is crooked", where=f"row {task}", mend="straighten it")
