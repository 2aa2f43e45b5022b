"""The compiled cache: each kernel kept under a digest of all that was compiled into it.

numba keys its cache by the file of a function alone, so an edited callee in another file would be
served stale, and an edited comment compiles a whole file anew. Here a kernel's digest covers what
the compiler reads: its own instructions, those of every kernel it calls, the constants they name,
and the versions of the compiler. A message, a docstring or a limit that no kernel names changes
none of them. Cached code is a pickle, so the folder must belong to the user and be writable by
nobody else; where there is none, the cache is off and a warning says so.
"""

from __future__ import annotations

import enum
import hashlib
import os
import stat
import sys
import time
import types
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import llvmlite
import numba
import numpy as np
from numba.core.caching import CompileResultCacheImpl, FunctionCache, NullCache, _CacheLocator
from numba.core.dispatcher import Dispatcher

CACHE_VARIABLE = "ASCAN_CACHE_DIR"
# What no process has used for so long is removed.
KEPT_DAYS = 60.0
VERSIONS = (sys.version, numba.__version__, llvmlite.__version__, np.__version__)


def cache_root() -> Path | None:
    """Return the folder that holds the cache, or None where no home is known."""
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


def private_folder(root: Path | None) -> Path | None:
    """Return a folder for compiled code that only the user can write to, or None."""
    if root is None:
        return None
    folder = root / "kernels"
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


def find_folder() -> Path | None:
    """Return the folder of compiled code; None, with a warning, where none can be had."""
    if numba.config.DISABLE_JIT:
        return None
    root = cache_root()
    folder = private_folder(root)
    if folder is None:
        warnings.warn(
            f"ascan: compiled code cannot be kept (no private, writable folder at {root}); every "
            f"start compiles afresh, which takes some seconds. Set {CACHE_VARIABLE} to a folder "
            "that only you can write to.",
            RuntimeWarning,
            stacklevel=2,
        )
    return folder


def digest_of(kernel: Dispatcher) -> str:
    """Return a digest of all that compiling a kernel reads.

    Raises
    ------
    TypeError
        The kernel names something whose value cannot be told, such as a module of this package.
    """
    digest = hashlib.sha256(repr(VERSIONS).encode())
    for part in _read_by(kernel, set()):
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()


def _read_by(kernel: Dispatcher, seen: set[int]) -> Iterator[bytes]:
    """Yield what a kernel and its callees are made of; each once, so that they may call another."""
    if id(kernel) in seen:
        return
    seen.add(id(kernel))
    function = kernel.py_func
    options = sorted((key, _ordered(value)) for key, value in kernel.targetoptions.items())
    yield f"{function.__module__}.{function.__qualname__} {options}".encode()
    for name in _instructions(function.__code__, function.__doc__):
        if isinstance(name, bytes):
            yield name
        elif name in function.__globals__:
            yield from _value(name, function.__globals__[name], seen)


def _instructions(code: types.CodeType, doc: str | None) -> Iterator[bytes | str]:
    """Yield instructions and constants as bytes and the names they use as texts."""
    inner = [const for const in code.co_consts if isinstance(const, types.CodeType)]
    plain = [_ordered(const) for const in code.co_consts if const not in inner and const != doc]
    yield code.co_code + repr((plain, code.co_names, code.co_varnames, code.co_freevars)).encode()
    yield from code.co_names
    for each in inner:
        yield from _instructions(each, None)


def _ordered(value: object) -> str:
    """Return a value as text, that of a set in an order that no start of Python changes."""
    return str(sorted(map(repr, value))) if isinstance(value, (set, frozenset)) else repr(value)


def _value(name: str, value: Any, seen: set[int]) -> Iterator[bytes]:
    """Yield what stands behind a name."""
    if isinstance(value, Dispatcher):
        yield from _read_by(value, seen)
    elif isinstance(value, np.ndarray):
        yield f"{name} {value.dtype.str} {value.shape}".encode() + value.tobytes()
    elif isinstance(value, type) and issubclass(value, enum.Enum):
        yield f"{name} {[(each.name, each.value) for each in value]}".encode()
    elif isinstance(value, (bool, int, float, complex, str, np.generic)) or value is None:
        yield f"{name} {type(value).__name__} {value!r}".encode()
    elif isinstance(value, tuple):
        for k, each in enumerate(value):
            yield from _value(f"{name}[{k}]", each, seen)
    elif isinstance(value, type):
        fields = getattr(value, "_fields", "")
        yield f"{name} {value.__module__}.{value.__qualname__} {fields}".encode()
    elif isinstance(value, types.FunctionType):
        yield f"{name} {value.__module__}.{value.__qualname__}".encode() + value.__code__.co_code
    elif _is_of_a_library(value):
        yield f"{name} {getattr(value, '__module__', '')}.{value.__name__}".encode()
    else:
        raise TypeError(f"a kernel names '{name}', whose value cannot be told: {value!r}")


def _is_of_a_library(value: Any) -> bool:
    """Tell whether a module or function is none of this package: the versions say what it is."""
    home = value.__name__ if isinstance(value, types.ModuleType) else value.__module__
    return str(home).split(".")[0] != "ascan"


class _Place(_CacheLocator):  # type: ignore[misc]
    """Where a kernel's compiled code lies, and what it is bound to."""

    def __init__(self, folder: Path, digest: str) -> None:
        self._folder, self._digest = folder, digest

    def get_cache_path(self) -> str:
        return str(self._folder)

    def get_source_stamp(self) -> str:
        return self._digest

    def get_disambiguator(self) -> str:
        return self._digest[:20]

    @classmethod
    def from_function(cls, py_func: Any, py_file: str) -> _Place:
        folder, digest = py_func.ascan_place
        return cls(folder, digest)


class _Kept(CompileResultCacheImpl):  # type: ignore[misc]
    _locator_classes = (_Place,)


class _OneKernel(FunctionCache):  # type: ignore[misc]
    _impl_class = _Kept


class KernelCache(NullCache):  # type: ignore[misc]
    """The cache of one kernel, opened when it is first called: then all it names is there."""

    def __init__(self, kernel: Dispatcher, folder: Path) -> None:
        self._kernel, self._folder = kernel, folder
        self._opened: FunctionCache | None = None

    @property
    def cache_path(self) -> str:
        """Folder of the compiled code."""
        return str(self._folder)

    def _open(self) -> FunctionCache:
        if self._opened is None:
            function: Any = self._kernel.py_func
            function.ascan_place = (self._folder, digest_of(self._kernel))
            self._opened = _OneKernel(function)
        return self._opened

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return what was compiled for a signature, or None."""
        opened = self._open()
        found = opened.load_overload(sig, target_context)
        if found is not None:
            _touch(Path(opened._cache_file._index_path))
        return found

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep what was compiled for a signature, and remove what nobody uses any more."""
        self._open().save_overload(sig, data)
        _prune_once(self._folder)

    def flush(self) -> None:
        """Forget what was compiled."""
        self._open().flush()


def _touch(index: Path) -> None:
    """Note that an index was used; once a day is enough."""
    try:
        if time.time() - index.stat().st_mtime > 86400.0:
            os.utime(index)
    except OSError:
        pass


_pruned: set[Path] = set()


def _prune_once(folder: Path) -> None:
    if folder not in _pruned:
        _pruned.add(folder)
        prune(folder)


def prune(folder: Path) -> None:
    """Remove compiled code that no process has used for `KEPT_DAYS`."""
    oldest = time.time() - 86400.0 * KEPT_DAYS
    for index in folder.glob("*.nbi"):
        try:
            if index.stat().st_mtime < oldest:
                index.unlink()
                for data in folder.glob(f"{index.stem}.*.nbc"):
                    data.unlink()
        except OSError:
            # Another process was faster.
            continue
