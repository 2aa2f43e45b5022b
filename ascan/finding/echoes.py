"""The echoes of one gate, a value for each row of a block."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan.finding.rows import Masked
from ascan.kernels.arrays import Columns, FlagArray, FloatArray, IntArray, SignArray


class Spacing(NamedTuple):
    """Spacing of the echoes of a train, shape (n,)."""

    us: FloatArray
    u_us: FloatArray


@dataclass(slots=True, kw_only=True)
class GateEchoes:
    """What one gate gave for a block of n rows; every array has shape (n,).

    Attributes
    ----------
    time_us, u_time_us : ndarray
        Time of the echo after the transmit pulse; NaN where there is none.
    envelope_us, u_envelope_us : ndarray
        Time of the top of its envelope; NaN where none can be told.
    amplitude : ndarray
        Timed half-cycle's peak as a signed fraction of full scale.
    clutter : ndarray
        Rms of what lies beside the echo beyond noise, fraction of full scale.
    half_cycle : ndarray, int64
        Half-cycles from the first that reached the threshold to the timed one.
    sign : ndarray, int8
    peak : ndarray, int64
        Own peak, as a sample of the record; −1 where there is no echo.
    shape_residual : ndarray
        What the steps' mean echo leaves of it, over its root mean square.
    flags : ndarray, uint32
        What this gate showed.
    spacing : Spacing
        Of a train; NaN of any other echo.
    masked : Masked
        In µs: a first echo that noise may mask, if the one found is a later one.
    measured : dict of ndarray
        What the checks of a gate measured, by column: ``snr_db`` (dB, echo peak over the noise) and
        others (`ascan.checks.table`).
    """

    time_us: FloatArray
    u_time_us: FloatArray
    envelope_us: FloatArray
    u_envelope_us: FloatArray
    amplitude: FloatArray
    clutter: FloatArray
    half_cycle: IntArray
    sign: SignArray
    peak: IntArray
    shape_residual: FloatArray
    flags: FlagArray
    spacing: Spacing
    masked: Masked
    measured: Columns

    @property
    def snr_db(self) -> FloatArray:
        """Own peak over the noise."""
        return self.measured["snr_db"]

    def noise(self, full_scale: float) -> FloatArray:
        """Return the noise behind each row's ``snr_db``, in codes."""
        # An echo that is not finite has no noise either.
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(self.amplitude) * full_scale / 10 ** (self.snr_db / 20.0))

    def columns(self) -> Columns:
        """Return what stands in readings besides what was measured, by suffix."""
        return {
            "time_us": self.time_us,
            "u_time_us": self.u_time_us,
            "envelope_us": self.envelope_us,
            "amplitude": self.amplitude,
            "clutter": self.clutter,
            "shape_residual": self.shape_residual,
            "half_cycle": self.half_cycle,
            "flags": self.flags,
        }
