"""Diffraction of a round piston that sends and hears, by integration over both faces.

A flat reflector at depth z is a second face at distance 2 z. The mean pressure over it is an
integral over pairs of points, one on each face, of exp(−i k R) / R (Rayleigh 1878). Pairs whose
places differ by ρ across the axis are as many as the overlap of two discs shifted by ρ, and R dR =
ρ dρ: this leaves one integral, with no approximation of short waves or small angles (Williams
1951, J. Acoust. Soc. Am. 23, 1-6, from memory). It is summed here as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence

import numba
import numpy as np

from physics.layers import Complexes, Floats


@numba.njit(cache=True, fastmath=True)  # type: ignore[untyped-decorator]
def _edge_waves(late_us: Floats, weight: Floats, first_mhz: float, step_mhz: float, count: int):  # type: ignore[no-untyped-def]
    """Return Σ weight exp(−2 π i f late) at ``count`` even frequencies, turned step by step."""
    real, imaginary = np.empty(count), np.empty(count)
    c, s = np.cos(2.0 * np.pi * first_mhz * late_us), np.sin(2.0 * np.pi * first_mhz * late_us)
    dc, ds = np.cos(2.0 * np.pi * step_mhz * late_us), np.sin(2.0 * np.pi * step_mhz * late_us)
    for k in range(count):
        in_phase, across = 0.0, 0.0
        for i in range(late_us.size):
            in_phase += weight[i] * c[i]
            across += weight[i] * s[i]
            turned = c[i] * dc[i] - s[i] * ds[i]
            s[i] = s[i] * dc[i] + c[i] * ds[i]
            c[i] = turned
        real[k], imaginary[k] = in_phase, -across
    return real + 1j * imaginary


def node_count(highest_mhz: float, distance_mm: float, radius_mm: float, velocity: float) -> int:
    """Return how many points the integral needs: for its turns, and for its bend on the axis."""
    beyond_mm = np.hypot(distance_mm, 2.0 * radius_mm) - distance_mm
    turns = 2.0 * np.pi * highest_mhz * beyond_mm / velocity
    return int(32.0 + turns + 10.0 * 2.0 * radius_mm / distance_mm)


def mean_pressure(
    frequency_mhz: Floats, distance_mm: float, radius_mm: float, velocity_mm_per_us: float
) -> Complexes:
    """Return the mean pressure over a face like the sending one, over that of the plane wave.

    The plane wave's own phase is taken off. With ρ = 2 a sin θ the integral by parts is

        1 − (4 / π) ∫₀^(π/2) exp(−i k (√(d² + 4 a² sin² θ) − d)) cos² θ dθ,

    the plane wave less the wave of the rims (Williams 1951, from memory). The integrand repeats
    with θ, so that the middle rule converges faster than any power.

    Parameters
    ----------
    frequency_mhz : ndarray, shape (f,)
        Evenly spaced.
    distance_mm : float
        Between the faces: twice the depth of a reflector. Of several media, see
        `scaled_distance_mm`.
    radius_mm : float
        Of 0: a plane wave, and 1 is returned.
    velocity_mm_per_us : float
    """
    frequency = np.asarray(frequency_mhz, np.float64)
    if radius_mm == 0.0:
        return np.ones(frequency.size, np.complex128)
    step = (frequency[-1] - frequency[0]) / max(frequency.size - 1, 1)
    if not np.allclose(np.diff(frequency), step, rtol=1e-6, atol=1e-9):
        raise ValueError("the frequencies must be evenly spaced")
    count = node_count(float(frequency.max()), distance_mm, radius_mm, velocity_mm_per_us)
    angle = (np.arange(count) + 0.5) * (0.5 * np.pi / count)
    late_us = np.hypot(distance_mm, 2.0 * radius_mm * np.sin(angle)) - distance_mm
    weight = np.cos(angle) ** 2 * (2.0 / count)
    rims = _edge_waves(
        late_us / velocity_mm_per_us, weight, float(frequency[0]), float(step), frequency.size
    )
    return np.asarray(1.0 - rims)


def scaled_distance_mm(
    lengths_mm: Sequence[float], velocities_mm_per_us: Sequence[float], in_velocity: float
) -> float:
    """Return the distance in one medium over which a beam spreads as over several in a row.

    A beam spreads by length × wavelength: Fresnel's approximation, across the borders only.
    """
    pairs = zip(lengths_mm, velocities_mm_per_us, strict=True)
    return sum(length * velocity for length, velocity in pairs) / in_velocity
