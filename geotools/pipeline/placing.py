"""Make results in a fresh folder beside the target and put them in place all at once."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import re
import shutil
import stat
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from geotools.errors import OutputError

__all__ = ["RECORD", "check_target", "fresh_folder", "said_of_disk"]

RECORD = "run.json"
"""The record that a run leaves in its folder."""

_EARLIER = "-earlier"
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
"""As the kernel's header files have them."""


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

    Until then only its owner can read it. The folder of a run that was killed goes when the next one begins.

    Parameters
    ----------
    out : pathlib.Path
        Target folder: new, empty, or holding an earlier run. What the user has put beside an earlier run's files stays,
        and so do the folder's permissions. Where it is a link to a folder, the results go where it leads.

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
    if target.is_symlink():
        target = target.resolve()
    held: list[int] = []
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with _alone_in(target.parent):  # or another run would sweep the folder before it is held
            _sweep(target)
            folder = Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target.parent))
            _hold(folder, held)
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
            folder.chmod(stat.S_IMODE(target.stat().st_mode) if target.is_dir() else 0o777 & ~_umask())
            _put_in_place(folder, target)
    except OSError as error:
        raise said_of_disk(error, (folder, target), where=str(out)) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        for descriptor in held:
            os.close(descriptor)


def said_of_disk(error: OSError, places: Iterable[Path], *, where: str) -> Exception:
    """Say an error of the operating system in our words if it is about these places or room on the disk.

    Examples
    --------
    >>> str(said_of_disk(OSError(errno.ENOSPC, "No space left on device"), [], where="maps/screen"))
    "maps/screen: it can't be written: No space left on device; make room or name another folder"
    """
    names = [str(name) for name in (error.filename, error.filename2) if name]
    ours = any(name.startswith(str(place)) for name in names for place in places)
    if not ours and error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS):
        return error
    why = os.strerror(error.errno) if error.errno else error.strerror
    return OutputError(f"it can't be written: {why}", where=where, mend="make room or name another folder")


@contextlib.contextmanager
def _alone_in(parent: Path) -> Iterator[None]:
    """Let runs that write to one folder put their results in place one after the other."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    descriptor = os.open(parent, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


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
    """Put the folder where the target is; what was there goes."""
    if target.exists() and _exchange(folder, target):
        return  # the earlier result bears the folder's name now, and goes with it
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


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change names in one step, where the system can: there is no moment without a result then."""
    try:
        change = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    names = os.fsencode(one), os.fsencode(other)
    return bool(change(_AT_FDCWD, names[0], _AT_FDCWD, names[1], ctypes.c_uint(_RENAME_EXCHANGE)) == 0)


def _prefix(target: Path) -> str:
    return f".{target.name}-unfinished-"


def _hold(folder: Path, held: list[int]) -> bool:
    """Hold a folder until the process ends, however it ends, where the system has such locks; False if another does."""
    try:
        import fcntl
    except ImportError:
        return False
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    held.append(descriptor)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _sweep(target: Path) -> None:
    """Remove what killed runs have left; a result that one had put aside comes back if nothing has taken its place."""
    name = re.compile(re.escape(_prefix(target)) + r"[a-z0-9_]{8}")
    left = [path for path in target.parent.iterdir() if name.fullmatch(path.name.removesuffix(_EARLIER))]
    for path in sorted(left, key=lambda path: path.name.endswith(_EARLIER)):
        held: list[int] = []
        folder = path.with_name(path.name.removesuffix(_EARLIER))
        try:
            if folder.exists() and not _hold(folder, held):
                continue
            if path != folder and (path / RECORD).is_file() and not target.exists():
                path.rename(target)
            else:
                shutil.rmtree(path, ignore_errors=True)
        except OSError:
            continue  # its own run was quicker, or another's result is there now
        finally:
            for descriptor in held:
                os.close(descriptor)
