"""Echoes of grain: random weak scatterers in the wall, heard through the same pulse.

Each scatters once. What reaches it is the wave in the wall, back and forth between the faces; what
it sends back leaves the same way (reciprocity; first order of Born 1926, from memory), so that
grain goes on behind the back-wall echo as it does in records. What it sends onward is part of the
wall's attenuation and left out. Grains smaller than a wavelength scatter
as the square of frequency (Rayleigh 1871). The pulse limits the band.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from physics.layers import DB_PER_NEPER, Complexes, Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Grain:
    """How much grain a wall has.

    Attributes
    ----------
    below_db : float
        Of the grain's rms between the wall's faces below the peak of its first back-wall echo.
    per_mm : float
        Scatterers in a mm of wall.
    decay_db_per_mm : float
        By which an echo from deeper in the wall is lower, on top of the wall's attenuation.
    power : float
        Of frequency; the reference is 5 MHz.
    """

    below_db: float
    per_mm: float = 25.0
    decay_db_per_mm: float = 0.0
    power: float = 2.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Scatterers:
    """Depths below the front of the wall and how much each reflects; shape (s,)."""

    depth_mm: Floats
    reflects: Floats


def scatterers(grain: Grain, thickness_mm: float, rng: np.random.Generator) -> Scatterers:
    """Return scatterers at even chances over a wall, of normal reflectivity, decay included."""
    count = max(1, int(rng.poisson(grain.per_mm * thickness_mm)))
    depth = rng.uniform(0.0, thickness_mm, count)
    decay = np.exp(-grain.decay_db_per_mm / DB_PER_NEPER * depth)
    return Scatterers(depth_mm=depth, reflects=rng.standard_normal(count) * decay)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Inside:
    """The wave in the wall; arrays have shape (f,).

    Attributes
    ----------
    wavenumber : ndarray of complex
        In rad/mm.
    thickness_mm : float
    front, back : ndarray of complex
        Reflection at the wall's faces, seen from inside.
    rounds : int
        How often it goes back and forth; the series ends there.
    """

    wavenumber: Complexes
    thickness_mm: float
    front: Complexes
    back: Complexes
    rounds: int


def grain_response(
    frequency_mhz: Floats, inside: Inside, scattered: Scatterers, grain: Grain
) -> Complexes:
    """Return what all scatterers send back to the wall's front, shape (f,), at no set level.

    A scatterer at z meets one wave going down, exp(−i k z) Σ q^m with q once round the wall, and
    one going up, r_b exp(−i k (2 d − z)) Σ q^m. It turns each back on its own way.
    """
    k, far = inside.wavenumber, 2.0 * inside.thickness_mm
    # Evenly spaced frequencies would allow a faster sum; a few hundred scatterers need none.
    sent = np.zeros_like(k)
    for depth, reflects in zip(scattered.depth_mm, scattered.reflects, strict=True):
        down = np.exp(-2j * k * depth)
        up = inside.back**2 * np.exp(-2j * k * (far - depth))
        sent += reflects * (down + up)
    q = inside.front * inside.back * np.exp(-1j * k * far)
    rounds = np.zeros_like(k)
    for m in reversed(range(inside.rounds + 1)):
        rounds = rounds * q + (m + 1)
    return np.asarray(sent * rounds * (frequency_mhz / 5.0) ** grain.power)


def level(signal: Floats, between: tuple[int, int], peak: float, grain: Grain) -> float:
    """Return the factor that sets a grain signal's rms between two samples as stated."""
    rms = float(np.sqrt(np.mean(signal[slice(*between)] ** 2)))
    return peak * 10.0 ** (-grain.below_db / 20.0) / rms if rms > 0.0 else 0.0
