"""A file appears under its name whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from ascan.errors import fault
from ascan.store.schema import refuse_existing


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
        yield part
        _sync(part)
        if replace:
            part.replace(target)
        else:
            _name_new(part, target)
        _sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)


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
