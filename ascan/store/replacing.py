"""A file appears under its name whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from ascan.base.errors import file_fault as fault
from ascan.store.schema import refuse_existing


@contextlib.contextmanager
def held(path: str | Path) -> Iterator[None]:
    """Keep other programs that ask for the same from a file that is read and then replaced.

    By a lock on its folder, where the system has them (not on Windows, nor on some networks).
    """
    handle = None
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        handle = os.open(Path(path).parent, os.O_RDONLY)
        fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        yield
    finally:
        if handle is not None:
            os.close(handle)


@contextlib.contextmanager
def whole_file(path: str | Path, *, replace: bool) -> Iterator[Path]:
    """Yield a new file beside ``path``; synced and named so at the end, removed on failure.

    Raises
    ------
    AscanError
        The path exists and may not be replaced (also if it has come to exist meanwhile), or its
        folder cannot be written.
    """
    target = refuse_existing(path, replace)
    part = target.with_name(f".{target.name}.{secrets.token_hex(6)}")
    try:
        part.open("xb").close()
    except OSError as problem:
        raise fault(str(target), f"cannot be written ({problem.strerror})") from None
    try:
        with _named(target):
            yield part
            _sync(part)
            if replace:
                part.replace(target)
            else:
                _name_new(part, target)
        _sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def _named(target: Path) -> Iterator[None]:
    """Say of which file it is that a disk takes no more, or has lost."""
    try:
        yield
    except OSError as problem:
        # HDF5 tells the system's own words within many of its own.
        told = problem.strerror or os.strerror(_number_in(str(problem)) or errno.EIO)
        raise fault(str(target), f"cannot be written ({told})") from None


def _number_in(told: str) -> int:
    """Return the error number in HDF5's words, 0 where there is none."""
    found = re.search(r"errno = (\d+)", told)
    return int(found[1]) if found else 0


def check_room(path: str | Path, needed_bytes: float) -> None:
    """Refuse to begin a file that its disk has no room for.

    Raises
    ------
    AscanError
        Before anything is written.
    """
    free = shutil.disk_usage(Path(path).parent).free
    if needed_bytes > free:
        raise fault(
            str(path),
            f"needs some {needed_bytes / 1e6:.0f} MB, its disk has {free / 1e6:.0f} MB left",
            remedy="make room, or name a file elsewhere",
        )


def _name_new(part: Path, target: Path) -> None:
    """Give a file its name unless another one has come to bear it."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise fault(str(target), "has come to exist meanwhile", remedy="name another") from None
    except OSError:  # a file system without hard links
        part.replace(target)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Make the new name last, where folders can be synced."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
