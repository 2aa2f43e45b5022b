"""From stored codes to a centred trace over a window: zero code off, band-pass on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.tables import number, text
from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.fir import apply_symmetric, band_pass_taps, gaussian_taps
from ascan.kernels.jit import compiled

# Samples kept on each side of a window beyond an echo's reach, for interpolation at its edges.
MARGIN = 3
MOST_TAPS = 2000
EDGES = "give low_mhz below high_mhz"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """The procedure's filter, zero-phase: ``band_pass``, ``gaussian``, or ``none``.

    A Gaussian as wide as the probe's own band is the matched filter of a Gaussian pulse: whatever
    is timed after it is timed in the least noise.

    Attributes
    ----------
    kind : str
        ``none``, ``band_pass``, or ``gaussian``. Without the table: none where all gates are timed
        by learned shapes, for trains, whole records of single elements and rectified records; else
        the probe's band, 0.4 to 1.6 of its frequency (0.3 to 1.8 of a dual probe's).
    low_mhz, high_mhz : float, optional
        Edges of a ``band_pass``.
    centre_mhz, bandwidth_mhz : float, optional
        Of a ``gaussian``; best the probe's own.
    """

    kind: str = text("none", choices=("none", "band_pass", "gaussian"))
    low_mhz: float | None = number(None, above=0.0)
    high_mhz: float | None = number(None, above=0.0)
    centre_mhz: float | None = number(None, above=0.0)
    bandwidth_mhz: float | None = number(None, above=0.0)

    def __post_init__(self) -> None:
        edges = (self.low_mhz, self.high_mhz)
        bell = (self.centre_mhz, self.bandwidth_mhz)
        if self.kind != "band_pass" and edges != (None, None):
            raise fault("filter", f"kind '{self.kind}' has edges", remedy="set kind = 'band_pass'")
        if self.kind != "gaussian" and bell != (None, None):
            raise fault(
                "filter", f"kind '{self.kind}' has a centre", remedy="set kind = 'gaussian'"
            )
        if self.kind == "none":
            return
        if self.kind == "gaussian":
            if self.centre_mhz is None or self.bandwidth_mhz is None:
                raise fault(
                    "filter", "is a gaussian", allowed="centre_mhz and bandwidth_mhz, both given"
                )
            return
        if self.low_mhz is None or self.high_mhz is None:
            raise fault("filter", "is a band_pass without both edges", remedy=EDGES)
        if self.low_mhz >= self.high_mhz:
            edges_told = f"{self.low_mhz:g} to {self.high_mhz:g} MHz"
            raise fault("filter", f"is a band_pass from {edges_told}", remedy=EDGES)

    def signature(self) -> dict[str, str | float | None]:
        """Return what a calibration is bound to; the Gaussian's keys only where there is one."""
        bound = {"kind": self.kind, "low_mhz": self.low_mhz, "high_mhz": self.high_mhz}
        if self.kind == "gaussian":
            bound |= {"centre_mhz": self.centre_mhz, "bandwidth_mhz": self.bandwidth_mhz}
        return bound

    def taps(self, sample_rate_mhz: float) -> FloatArray:
        """Return the taps from the middle one outwards; ``[1.0]`` without a filter.

        Raises
        ------
        AscanError
            The upper edge lies above half the sample rate.
        """
        if self.centre_mhz is not None and self.bandwidth_mhz is not None:
            top = self.centre_mhz + 0.5 * self.bandwidth_mhz
            if top >= sample_rate_mhz / 2.0:
                raise fault(
                    "filter",
                    f"reaches up to {top:g} MHz",
                    allowed=f"below half the sample rate, {sample_rate_mhz / 2.0:g} MHz",
                )
            return gaussian_taps(sample_rate_mhz, self.centre_mhz, self.bandwidth_mhz)
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
def condition_window(
    record: AnyArray, zero: Any, begin: int, taps: AnyArray, padded: AnyArray, out: AnyArray
) -> None:
    """Write the conditioned samples from ``begin`` on into ``out``; ``padded`` is room for them.

    Outside the record its nearest sample stands in.
    """
    samples, half = record.size, taps.size - 1
    start = begin - half
    low = min(max(-start, 0), padded.size)
    high = max(min(samples - start, padded.size), low)
    inside, recorded = padded[low:high], record[start + low : start + high]
    for j in range(high - low):
        inside[j] = padded.dtype.type(recorded[j]) - zero
    padded[:low] = padded.dtype.type(record[0]) - zero
    padded[high:] = padded.dtype.type(record[samples - 1]) - zero
    apply_symmetric(padded, taps, out)


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
    padded = np.empty(trace.shape[1] + 2 * (taps.size - 1), trace.dtype)
    zero = trace.dtype.type(zero_code)
    for row in range(block.shape[0]):
        condition_window(block[row], zero, origin[row], taps, padded, trace[row])


@compiled
def condition_pieces(
    block: AnyArray, zero_code: float, origin: IntArray, taps: AnyArray, trace: AnyArray
) -> None:
    """Do as `condition_rows` for several windows per row; those with origin −1 are left out.

    ``origin`` has shape (n, pieces), ``trace`` (n, pieces, width).
    """
    padded = np.empty(trace.shape[2] + 2 * (taps.size - 1), trace.dtype)
    zero = trace.dtype.type(zero_code)
    for row in range(block.shape[0]):
        for piece in range(origin.shape[1]):
            begin = origin[row, piece]
            if begin >= 0:
                condition_window(block[row], zero, begin, taps, padded, trace[row, piece])
