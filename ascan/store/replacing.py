"""A file appears under its name whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ascan.errors import fault
from ascan.store.schema import refuse_existing


@contextlib.contextmanager
def whole_file(path: str | Path, *, replace: bool) -> Iterator[Path]:
    """Yield a new file beside ``path``; synced and renamed to it at the end, removed on failure.

    Raises
    ------
    AscanError
        The path exists and may not be replaced, or its folder cannot be written.
    """
    target = refuse_existing(path, replace)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    except OSError as problem:
        raise fault(str(target), f"cannot be written ({problem.strerror})") from None
    os.close(handle)
    part = Path(name)
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        # mkstemp makes files private; a result is as readable as any new file of this user.
        mask = os.umask(0)
        os.umask(mask)
        part.chmod(0o666 & ~mask)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
