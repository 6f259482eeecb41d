"""Make results in a fresh folder beside the target and put them in place all at once."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from geotools.errors import OutputError

__all__ = ["RECORD", "check_target", "fresh_folder"]

RECORD = "run.json"
"""The record that a run leaves in its folder."""

_UNFINISHED = "-unfinished-"
_EARLIER = "-earlier"


def check_target(out: Path) -> Path:
    """Refuse a target that is a file, or a folder of something else than an earlier run.

    Parameters
    ----------
    out : pathlib.Path
        As the user named it.

    Returns
    -------
    pathlib.Path
        Its absolute path.

    Raises
    ------
    OutputError
        If results can't go there.

    Examples
    --------
    >>> check_target(Path("pyproject.toml"))
    Traceback (most recent call last):
    geotools.errors.OutputError: pyproject.toml: it is a file, not a folder; name another folder with --out
    """
    target = out.absolute()
    if target.exists() and not target.is_dir():
        raise OutputError("it is a file, not a folder", where=str(out), mend="name another folder with --out")
    if target.is_dir() and any(target.iterdir()) and not (target / RECORD).is_file():
        raise OutputError(
            "the folder holds files that are no earlier run",
            where=str(out),
            mend="name a new or empty folder with --out",
        )
    return target


@contextlib.contextmanager
def fresh_folder(out: Path) -> Iterator[Path]:
    """Give a folder beside the target that takes its place when the work in it is whole, and vanishes when it is not.

    Parameters
    ----------
    out : pathlib.Path
        Target folder: new, empty, or holding an earlier run. What the user has put beside an earlier run's files stays.

    Yields
    ------
    pathlib.Path

    Raises
    ------
    OutputError
        If results can't go there.

    Examples
    --------
    >>> with fresh_folder(Path("maps/screen")) as folder:  # doctest: +SKIP
    ...     (folder / "specs.csv").write_text("")
    """
    target = check_target(out)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with _alone_in(target.parent):
            _clear_killed(target)
            folder = Path(tempfile.mkdtemp(prefix=f".{target.name}{_UNFINISHED}", dir=target.parent))
            held = _hold(folder, wait=False)
        folder.chmod(0o777 & ~_umask())
    except OSError as error:
        raise OutputError(
            f"no folder can be made beside it: {error.strerror}",
            where=str(out),
            mend="name a folder that you may write to with --out",
        ) from error
    try:
        yield folder
        with _alone_in(target.parent):
            _keep_foreign_files(target, folder)
            _put_in_place(folder, target)
    except OSError as error:
        if not _is_about(error, folder, target):
            raise
        raise OutputError(
            f"it can't be written: {error.strerror}", where=str(out), mend="make room or name another folder"
        ) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if held is not None:
            os.close(held)


def _hold(folder: Path, *, wait: bool) -> int | None:
    """Lock a folder until what is given is closed or the process ends; None where another has it or locks are unknown.

    The lock is on the folder itself and leaves no file; it goes with the folder when it is renamed.
    """
    try:
        import fcntl
    except ImportError:
        return None
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


@contextlib.contextmanager
def _alone_in(parent: Path) -> Iterator[None]:
    """Let runs that write to one folder make and change places one after the other."""
    handle = _hold(parent, wait=True)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _clear_killed(target: Path) -> None:
    """Take away what killed runs of the same target have left; results taken out of place come back where none are."""
    name = re.compile(re.escape(f".{target.name}{_UNFINISHED}") + rf"[a-z0-9_]{{8}}(?:{_EARLIER})?")
    beside = target.parent.iterdir() if os.access(target.parent, os.R_OK) else ()
    for path in sorted(one for one in beside if name.fullmatch(one.name)):
        held = _hold(path, wait=False)
        if held is None:  # its run goes on
            continue
        try:
            if path.name.endswith(_EARLIER) and not target.exists():
                path.rename(target)
            else:
                shutil.rmtree(path, ignore_errors=True)
        finally:
            os.close(held)


def _is_about(error: OSError, folder: Path, target: Path) -> bool:
    """Whether an error of the operating system is about the results, or about room on the disk."""
    places = [str(name) for name in (error.filename, error.filename2) if name]
    ours = any(place.startswith((str(folder), str(target))) for place in places)
    return ours or error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EROFS)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _keep_foreign_files(target: Path, folder: Path) -> None:
    """Carry over what the user has put beside the results of an earlier run."""
    if not target.is_dir():
        return
    try:
        earlier = set(json.loads((target / RECORD).read_text(encoding="utf-8"))["outputs"])
    except (OSError, ValueError, KeyError, TypeError):
        earlier = set()
    for path in target.iterdir():
        if path.name not in earlier and path.name != RECORD and not (folder / path.name).exists():
            if path.is_dir() and not path.is_symlink():
                shutil.copytree(path, folder / path.name, symlinks=True)
            else:
                shutil.copy2(path, folder / path.name, follow_symlinks=False)


def _put_in_place(folder: Path, target: Path) -> None:
    earlier = folder.with_name(f"{folder.name}{_EARLIER}")
    if target.exists():
        target.rename(earlier)
    try:
        folder.rename(target)
    except OSError:
        if earlier.exists() and not target.exists():
            earlier.rename(target)
        shutil.rmtree(earlier, ignore_errors=True)
        raise
    shutil.rmtree(earlier, ignore_errors=True)
