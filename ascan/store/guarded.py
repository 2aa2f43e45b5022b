"""A first look at a file in a child process: one that hangs or crashes its reader is refused.

The library that reads HDF5 is compiled code: a damaged index can send it round in circles, out of
reach of Ctrl-C, or crash it. A forked child looks first: at every name, type, attribute and chunk
index, and at what is small. Only if it comes back does this process open the file.
"""

from __future__ import annotations

import contextlib
import faulthandler
import os
import select
import signal
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py

from ascan.base.errors import file_fault as fault
from ascan.base.errors import limit_fault

# So long may a look last; a sound file of any size takes a small part of it.
LONGEST_S = 10.0
# So much memory a look may take besides what this process has.
MOST_BYTES = 2 * 1024**3
# What is so small is read whole, of the rest the ends.
SMALL_BYTES = 1 << 20
# Files that were looked at and have not changed since, by place, size, time and inode.
_seen: set[tuple[str, int, int, int]] = set()


def look_first(path: str | Path, look: Callable[[str], None]) -> None:
    """Let a child process look at a file before this one does.

    What the child finds wrong in an orderly way is left for this process to find again and tell.
    Where processes cannot be forked there is no such look.

    Parameters
    ----------
    path : str or Path
    look : callable
        Reads the file; its exceptions do not matter.

    Raises
    ------
    AscanError
        The look crashed, took too much memory, or took longer than 10 s.
    """
    place = str(path)
    state = os.stat(path)
    key = (os.path.abspath(place), state.st_size, state.st_mtime_ns, state.st_ino)
    if key in _seen or not hasattr(os, "fork"):
        return
    ended = _child(lambda: look(place))
    if ended is None:
        raise limit_fault(
            place,
            f"keeps its reader busy for more than {LONGEST_S:g} s",
            remedy="it is damaged: fetch it again from where it came",
        )
    if os.WIFSIGNALED(ended):
        raise fault(
            place,
            f"crashes its reader ({signal.Signals(os.WTERMSIG(ended)).name})",
            remedy="it is damaged: fetch it again from where it came",
        )
    _seen.add(key)


def _child(look: Callable[[], None]) -> int | None:
    """Return how a child that looks ended; None where it had to be stopped."""
    sys.stdout.flush()
    sys.stderr.flush()
    ours, theirs = os.pipe()
    with warnings.catch_warnings():
        # Other threads of this process do not read files while it forks.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        _look_and_end(look, ours)
    os.close(theirs)
    try:
        done, _, _ = select.select([ours], [], [], LONGEST_S)
        if not done:
            os.kill(child, signal.SIGKILL)
        _, ended = os.waitpid(child, 0)
        return ended if done else None
    except BaseException:
        # Ctrl-C while it looks.
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        raise
    finally:
        os.close(ours)


def _look_and_end(look: Callable[[], None], pipe: int) -> None:
    """Look, with limits, in silence; end without any of this process's clean-up."""
    code = 1
    try:
        os.close(pipe)
        faulthandler.disable()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_DFL)
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        _limit_memory()
        look()
        code = 0
    except BaseException:
        code = 1
    finally:
        os._exit(code)


def _limit_memory() -> None:
    """Hold this process to what it has and some more, where the system can."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        pages = int(Path("/proc/self/statm").read_text().split()[0])
        most = pages * os.sysconf("SC_PAGE_SIZE") + MOST_BYTES
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def look_at_hdf5(place: str) -> None:
    """Walk through an HDF5 file: names, types, attributes, chunk indices, and what is small."""
    with h5py.File(place, "r") as file:
        list(file.attrs.items())
        file.visititems(_look_at)


def _look_at(_: str, item: Any) -> None:
    list(item.attrs.items())
    if not isinstance(item, h5py.Dataset) or item.is_virtual or item.external:
        return
    if item.chunks is not None:
        item.id.get_num_chunks()
    if item.nbytes <= SMALL_BYTES:
        item[()]
    elif item.shape:
        item[0], item[-1]
