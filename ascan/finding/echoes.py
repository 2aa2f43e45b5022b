"""The echoes of one gate, a value for each row of a block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.finding.rows import Masked
from ascan.kernels.arrays import FlagArray, FloatArray, IntArray, SignArray


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
    snr_db : ndarray
        That peak over the noise.
    clutter : ndarray
        Rms of what lies beside the echo beyond noise, fraction of full scale.
    half_cycle : ndarray, int64
        Half-cycles from the first that reached the threshold to the timed one.
    sign : ndarray, int8
    peak : ndarray, int64
        Own peak, as a sample of the record; −1 where there is no echo.
    ahead, behind : ndarray
        Largest half-cycle ahead of the echo in its gate over its own, and behind it.
    misfit : ndarray
        What the steps' mean echo leaves of it, over its root mean square.
    flags : ndarray, uint32
        What this gate showed.
    spacing_us, u_spacing_us : ndarray
        Of a train; NaN of any other echo.
    masked : Masked
        In µs: a first echo that noise may mask, if the one found is a later one.
    """

    time_us: FloatArray
    u_time_us: FloatArray
    envelope_us: FloatArray
    u_envelope_us: FloatArray
    amplitude: FloatArray
    snr_db: FloatArray
    clutter: FloatArray
    half_cycle: IntArray
    sign: SignArray
    peak: IntArray
    ahead: FloatArray
    behind: FloatArray
    misfit: FloatArray
    flags: FlagArray
    spacing_us: FloatArray
    u_spacing_us: FloatArray
    masked: Masked

    def noise(self, full_scale: float) -> FloatArray:
        """Return the noise behind each row's ``snr_db``, in codes."""
        # An echo that is not finite has no noise either.
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(self.amplitude) * full_scale / 10 ** (self.snr_db / 20.0))
