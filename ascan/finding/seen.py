"""The echo of one gate as it was found and timed, for the checks to look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.finding.rows import Trace
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class GateSeen:
    """One gate of n rows, its echoes found and timed.

    Attributes
    ----------
    trace : Trace
        The gate's samples, conditioned.
    alone : ndarray, shape (n, width)
        The same without what of the usual echo's shape stands ahead of each echo's reach.
    origin : ndarray, shape (n,)
        First sample of each trace in its record.
    peak : ndarray, shape (n,)
        Own peak, in samples of the trace; negative where there is none.
    position : ndarray, shape (n,)
        Where the echo was timed, in samples of the trace; NaN where there is none.
    electronic : ndarray, shape (n,)
        Standard deviation of the noise, clutter left out, in codes.
    """

    trace: Trace
    alone: AnyArray
    origin: IntArray
    peak: IntArray
    position: FloatArray
    electronic: FloatArray

    @property
    def has_echo(self) -> BoolArray:
        """Which rows have one."""
        return np.isfinite(self.position)

    @property
    def place(self) -> FloatArray:
        """Where it was timed, in samples of the record."""
        return np.add(self.position, self.origin)

    @property
    def echo_peak(self) -> FloatArray:
        """Its echo peak, in samples of the record; NaN where there is none."""
        return np.where(self.has_echo, (self.peak + self.origin).astype(np.float64), np.nan)

    @property
    def top(self) -> FloatArray:
        """Height of the echo peak, in codes; NaN where there is none."""
        top = self.trace.samples[np.arange(self.peak.size), np.maximum(self.peak, 0)]
        return np.where(self.has_echo, top, np.nan)
