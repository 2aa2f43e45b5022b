"""From stored codes to a centred trace over a window: zero code off, band-pass on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.arrays import AnyArray, FloatArray, IntArray
from ascan.errors import fault
from ascan.kernels.fir import apply_symmetric, band_pass_taps
from ascan.kernels.jit import compiled
from ascan.tables import number, text

# Samples kept on each side of a window beyond an echo's reach, for interpolation at its edges.
MARGIN = 3
MOST_TAPS = 2000
EDGES = "give low_mhz below high_mhz"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """The procedure's filter: ``band_pass`` (zero-phase) or ``none``."""

    kind: str = text("none", choices=("none", "band_pass"))
    low_mhz: float | None = number(None, above=0.0)
    high_mhz: float | None = number(None, above=0.0)

    def __post_init__(self) -> None:
        edges = (self.low_mhz, self.high_mhz)
        if self.kind == "none":
            if edges != (None, None):
                raise fault("filter", "kind 'none' has edges", remedy="set kind = 'band_pass'")
            return
        if self.low_mhz is None or self.high_mhz is None:
            raise fault("filter", "is a band_pass without both edges", remedy=EDGES)
        if self.low_mhz >= self.high_mhz:
            edges_told = f"{self.low_mhz:g} to {self.high_mhz:g} MHz"
            raise fault("filter", f"is a band_pass from {edges_told}", remedy=EDGES)

    def taps(self, sample_rate_mhz: float) -> FloatArray:
        """Return the taps from the middle one outwards; ``[1.0]`` without a filter.

        Raises
        ------
        AscanError
            The upper edge lies above half the sample rate.
        """
        if self.low_mhz is None or self.high_mhz is None:
            return np.ones(1)
        if self.high_mhz >= sample_rate_mhz / 2.0:
            raise fault(
                "filter.high_mhz",
                f"is {self.high_mhz:g} MHz",
                allowed=f"below half the sample rate, {sample_rate_mhz / 2.0:g} MHz",
            )
        taps = band_pass_taps(sample_rate_mhz, self.low_mhz, self.high_mhz)
        if taps.size > MOST_TAPS:
            raise fault(
                "filter.low_mhz",
                f"is {self.low_mhz:g} MHz, which takes {2 * taps.size - 1} taps",
                allowed=f"at most {2 * MOST_TAPS - 1} taps at {sample_rate_mhz:g} MHz sampling",
                remedy="raise the lower edge",
            )
        return taps


def working_type(dtype: str) -> type[np.float32] | type[np.float64]:
    """Return the type a trace is worked on in: float32 where it holds every code exactly."""
    return np.float64 if dtype in ("int32", "float64") else np.float32


@compiled
def condition_rows(
    block: AnyArray, zero_code: float, origin: IntArray, taps: AnyArray, trace: AnyArray
) -> None:
    """Write the conditioned samples from ``origin`` on, one window per row, into ``trace``.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    zero_code : float
        In codes.
    origin : ndarray, shape (n,), int64
        Sample index of the window's first sample; may lie outside the record, where the nearest
        sample of the record stands in.
    taps : ndarray, shape (k + 1,), working type
    trace : ndarray, shape (n, width), working type
        Output, in codes from zero.
    """
    samples = block.shape[1]
    half = taps.size - 1
    width = trace.shape[1]
    padded = np.empty(width + 2 * half, trace.dtype)
    zero = trace.dtype.type(zero_code)
    for row in range(block.shape[0]):
        begin = origin[row] - half
        low = min(max(-begin, 0), padded.size)
        high = max(min(samples - begin, padded.size), low)
        inside, recorded = padded[low:high], block[row, begin + low : begin + high]
        for j in range(high - low):
            inside[j] = trace.dtype.type(recorded[j]) - zero
        padded[:low] = trace.dtype.type(block[row, 0]) - zero
        padded[high:] = trace.dtype.type(block[row, samples - 1]) - zero
        apply_symmetric(padded, taps, trace[row])
