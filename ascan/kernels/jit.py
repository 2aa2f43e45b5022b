"""Every compiler option and the compiled cache, once.

numba keys its cache by the file of a function alone, so an edited callee in another file would be
served stale. Here the cache lies in a folder named by a digest of every source file of the package:
one edit anywhere and the folder is another. Cached code is a pickle, so the folder must belong to
the user and be writable by nobody else; where there is none, the cache is off and a warning says
so.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import numba

Function = TypeVar("Function", bound=Callable[..., Any])

PACKAGE = Path(__file__).resolve().parent.parent
CACHE_VARIABLE = "ASCAN_CACHE_DIR"


def source_digest(package: Path = PACKAGE) -> str:
    """Return a digest of every source file below a package folder, names included."""
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        digest.update(path.relative_to(package).as_posix().encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()[:20]


def cache_root() -> Path | None:
    """Return the folder that holds the caches of all versions, or None where no home is known."""
    named = os.environ.get(CACHE_VARIABLE)
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
        return Path(base) / "ascan" / "cache" if base else None
    base = os.environ.get("XDG_CACHE_HOME")
    try:
        return (Path(base) if base else Path.home() / ".cache") / "ascan"
    except RuntimeError:
        return None


def _is_private(folder: Path) -> bool:
    """Tell whether only this user can write to a folder."""
    if not hasattr(os, "getuid"):
        return True
    status = folder.stat()
    shared = stat.S_IWGRP | stat.S_IWOTH
    return status.st_uid == os.getuid() and not status.st_mode & shared


def private_folder(root: Path | None, digest: str) -> Path | None:
    """Return a folder for this digest that only the user can write to, or None."""
    if root is None:
        return None
    folder = root / f"kernels-{digest}"
    probe = folder / f"probe-{os.getpid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_private(folder):
            return None
        probe.touch()
        probe.unlink()
    except OSError:
        return None
    return folder


def _find_cache() -> Path | None:
    if numba.config.DISABLE_JIT:
        return None
    root = cache_root()
    folder = private_folder(root, source_digest())
    if folder is None:
        warnings.warn(
            f"ascan: compiled code cannot be kept (no private, writable folder at {root}); every "
            f"start compiles afresh, which takes some seconds. Set {CACHE_VARIABLE} to a folder "
            "that only you can write to.",
            RuntimeWarning,
            stacklevel=2,
        )
    return folder


CACHE_FOLDER = _find_cache()


@contextmanager
def _numba_cache_in(folder: Path) -> Iterator[None]:
    """Point numba's cache to a folder for the length of one decoration, then put it back."""
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder)
    try:
        yield
    finally:
        numba.config.CACHE_DIR = before


def compiled(function: Function) -> Function:
    """Compile a function for the types it is first called with; it releases the GIL.

    Division follows numpy (inf and NaN, no exception), and no flag gives up NaN or infinity.
    """
    return _compile(function, fastmath=False)


def compiled_sums(function: Function) -> Function:
    """Compile a function whose sums may be taken in another order, so that they fill vectors.

    For figures that need not agree to the last bit when a record is shifted, such as a noise level.
    NaN and infinity are kept all the same.
    """
    return _compile(function, fastmath={"reassoc", "contract"})


def _compile(function: Function, fastmath: bool | set[str]) -> Function:
    dispatcher = numba.njit(nogil=True, error_model="numpy", fastmath=fastmath)(function)
    if CACHE_FOLDER is not None:
        with _numba_cache_in(CACHE_FOLDER):
            dispatcher.enable_caching()
    return dispatcher  # type: ignore[no-any-return]
