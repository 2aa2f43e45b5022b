"""Digitised records with their truth, whatever physics made them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Records:
    """Waveforms with the truth beneath each; every array but ``codes`` has shape (n,).

    Attributes
    ----------
    codes : ndarray of int16, shape (n, samples)
        As a digitiser of ``bits`` bits gives them: 0 is no signal, full scale is ±2^(bits−1).
    sample_rate_mhz, bits : float, int
    start_us : ndarray
        Time of the first sample after the transmit pulse.
    axis_mm, mean_mm, least_mm : ndarray
        Wall under the beam's axis; its mean and its least under the −6 dB footprint. Of a flat wall
        all three are the same.
    truth_u_mm : float
        How well the truth is known: the grid's own error.
    x_mm, y_mm : ndarray
        Where it was taken; zeros where there is no raster.
    columns : dict of ndarray
        Anything else a record carries, such as ``gain_db``.
    """

    codes: NDArray[np.int16]
    sample_rate_mhz: float
    bits: int
    start_us: Floats
    axis_mm: Floats
    mean_mm: Floats
    least_mm: Floats
    truth_u_mm: float = 0.0
    x_mm: Floats = field(default_factory=lambda: np.zeros(0))
    y_mm: Floats = field(default_factory=lambda: np.zeros(0))
    columns: dict[str, Floats] = field(default_factory=dict)


def digitised(signals: Floats, *, full_scale: float, bits: int) -> NDArray[np.int16]:
    """Return codes of signals (n, samples): rounded, and clipped at full scale."""
    top = 2 ** (bits - 1)
    return np.clip(np.rint(signals * (top / full_scale)), -top, top - 1).astype(np.int16)
