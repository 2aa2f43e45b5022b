"""Tells when kernels are being compiled for long: the first run on a machine, or after a change."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from numba.core import event

# Called with how many kernels were compiled so far, and the seconds that they took.
Told = Callable[[int, float], None]
COMPILE = "numba:compile"
# Told after so many seconds, and again after so many more.
LONG_S, AGAIN_S = 2.0, 30.0


class Watch(event.Listener):  # type: ignore[misc]
    """Counts what is compiled, and tells of it when it takes long.

    Attributes
    ----------
    count : int
        Kernels compiled, those that others call included.
    seconds : float
    """

    def __init__(self, told: Told) -> None:
        self.count, self.seconds = 0, 0.0
        self._told, self._next, self._depth, self._began = told, LONG_S, 0, 0.0

    def on_start(self, event: Any) -> None:
        """Begin to count; a kernel that is compiled within another counts to its time."""
        if self._depth == 0:
            self._began = time.monotonic()
        self._depth += 1

    def on_end(self, event: Any) -> None:
        """Count a kernel, and tell where it has taken long."""
        self._depth -= 1
        self.count += 1
        spent = self.seconds + time.monotonic() - self._began
        if self._depth == 0:
            self.seconds = spent
        if spent >= self._next:
            self._next = spent + AGAIN_S
            self._told(self.count, spent)


def watch(told: Told) -> Watch:
    """Begin to watch, and return what counts."""
    found = Watch(told)
    event.register(COMPILE, found)
    return found


def end_watch(found: Watch) -> None:
    """Watch no longer."""
    event.unregister(COMPILE, found)
