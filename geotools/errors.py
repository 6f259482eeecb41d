"""Say what is wrong with an input, or what was assumed about it: what was found, where, and how to mend it."""

from __future__ import annotations

from functools import partial

__all__ = [
    "Assumed",
    "CrsError",
    "DesignError",
    "EngineError",
    "GeotoolsError",
    "LayerError",
    "Noticed",
    "OutputError",
    "PipelineError",
    "RasterError",
    "StepError",
    "UnitError",
    "in_plain_words",
]


class GeotoolsError(Exception):
    """An input that can't be used; every error that a user can mend is one of these.

    Parameters
    ----------
    what : str
        What was found, in plain words.
    where : str
        The place: source, layer, row, id, value.
    mend : str
        What the user can do about it.

    Examples
    --------
    >>> str(GeotoolsError("the height is -3 in", where="[design] buffer", mend="give a height of 0 in or more"))
    '[design] buffer: the height is -3 in; give a height of 0 in or more'
    """

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.what = what
        self.where = where
        self.mend = mend
        super().__init__(what, where, mend)

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}; {self.mend}" if self.mend else head

    def __reduce__(self) -> tuple[partial[GeotoolsError], tuple[()]]:
        """Let an error cross to another process with all its parts."""
        return partial(type(self), self.what, where=self.where, mend=self.mend), ()

    def at(self, where: str) -> GeotoolsError:
        """Return the same error with a place named in front of it."""
        place = f"{where}, {self.where}" if self.where else where
        return type(self)(self.what, where=place, mend=self.mend)


class UnitError(GeotoolsError):
    """A length, angle or unit that can't be read."""


class DesignError(GeotoolsError):
    """A design value outside what can be built."""


class LayerError(GeotoolsError):
    """A vector source or layer that can't be used."""


class RasterError(GeotoolsError):
    """A raster that can't be used."""


class CrsError(GeotoolsError):
    """A coordinate reference system that is missing, wrong or unfit for lengths."""


class StepError(GeotoolsError):
    """A step that is unknown, broken or claimed twice."""


class PipelineError(GeotoolsError):
    """A pipeline file that can't be run as written."""


class EngineError(GeotoolsError):
    """An engine that is not there, can't be reached, or gave up."""


class OutputError(GeotoolsError):
    """A result that can't be written."""


class Noticed(UserWarning):
    """Something in the data that the user should know; a run lists it under `warnings` in run.json."""


class Assumed(Noticed):
    """Something that was missing and is assumed openly; a run lists it under `assumptions` in run.json."""


def in_plain_words(told: str) -> str:
    """Say what the checking library found wrong with a value as this toolkit says it.

    Examples
    --------
    >>> in_plain_words("Input should be a valid number, unable to parse string as a number")
    'it must be a number'
    """
    return told.partition(", unable")[0].replace("Input should be", "it must be").replace("a valid", "a").lower()
