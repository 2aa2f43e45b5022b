"""Plane waves through any number of flat layers with loss, by 2x2 transfer matrices.

Normal incidence, longitudinal waves, frequency domain. Waves run as exp(i (ω t − k x)), so that a
spectrum is that of `numpy.fft`. A layer's matrix ties pressure and particle velocity at its two
faces (Thomson 1950, J. Appl. Phys. 21, 89-93; Brekhovskikh 1960, from memory). No echo is counted
here: whatever a stack does, its multiples included, is in the one number per frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
DB_PER_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A medium whose attenuation is a power of frequency.

    Attributes
    ----------
    velocity_mm_per_us : float
        Phase velocity of longitudinal waves at ``reference_mhz``.
    density_g_per_cm3 : float
        Times the velocity: the impedance in MRayl.
    attenuation_db_per_mm : float
        At ``reference_mhz``, of one way.
    power : float
        Exponent of the attenuation, 0 to 2.
    reference_mhz : float
    """

    velocity_mm_per_us: float
    density_g_per_cm3: float
    attenuation_db_per_mm: float = 0.0
    power: float = 1.0
    reference_mhz: float = 5.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.power <= 2.0:
            raise ValueError("the power of the attenuation must lie between 0 and 2")


# Handbook values at 5 MHz and 20 °C, from memory.
AIR = Material(velocity_mm_per_us=0.343, density_g_per_cm3=0.0012)
WATER = Material(
    velocity_mm_per_us=1.483, density_g_per_cm3=0.998, attenuation_db_per_mm=0.0055, power=2.0
)
GLYCERIN = Material(
    velocity_mm_per_us=1.92, density_g_per_cm3=1.26, attenuation_db_per_mm=0.03, power=2.0
)
ACRYLIC = Material(
    velocity_mm_per_us=2.73, density_g_per_cm3=1.18, attenuation_db_per_mm=0.5, power=1.05
)
EPOXY_PAINT = Material(
    velocity_mm_per_us=2.6, density_g_per_cm3=1.35, attenuation_db_per_mm=1.2, power=1.1
)
STEEL = Material(
    velocity_mm_per_us=5.92, density_g_per_cm3=7.85, attenuation_db_per_mm=0.02, power=2.0
)
# What sound in a probe's face meets: a ceramic in plastic, behind a hard skin.
PROBE_FACE = Material(velocity_mm_per_us=3.8, density_g_per_cm3=4.4)


@dataclass(frozen=True, slots=True)
class Layer:
    """A flat layer of one medium."""

    material: Material
    thickness_mm: float


def wavenumber(material: Material, frequency_mhz: Floats) -> Complexes:
    """Return k in rad/mm; minus its imaginary part is the attenuation in neper per mm.

    Attenuation ∝ f^y and the dispersion that causality demands of it: together (i ω)^y /
    cos(π y / 2), for y = 1 a logarithm (Szabo 1995, J. Acoust. Soc. Am. 97, 14-24, from memory).

    Parameters
    ----------
    material : Material
    frequency_mhz : ndarray, shape (f,)
        Not negative.
    """
    frequency = np.asarray(frequency_mhz, np.float64)
    ratio = frequency / material.reference_mhz
    loss = material.attenuation_db_per_mm / DB_PER_NEPER
    phase = 2.0 * np.pi * frequency / material.velocity_mm_per_us
    if abs(material.power - 1.0) < 1e-6:
        log = np.log(np.where(ratio > 0.0, ratio, 1.0))
        turned = -2.0 / np.pi * ratio * log
    else:
        turned = np.tan(0.5 * np.pi * material.power) * (ratio**material.power - ratio)
    return np.asarray(phase + loss * turned - 1j * loss * ratio**material.power)


def impedance_mrayl(material: Material, frequency_mhz: Floats) -> Complexes:
    """Return density × ω / k, complex where there is loss; shape (f,), frequencies above 0."""
    omega = 2.0 * np.pi * np.asarray(frequency_mhz, np.float64)
    return np.asarray(material.density_g_per_cm3 * omega / wavenumber(material, frequency_mhz))


def one_way(layer: Layer, frequency_mhz: Floats) -> Complexes:
    """Return exp(−i k d): what one pass through a layer does to a wave; shape (f,)."""
    return np.asarray(np.exp(-1j * wavenumber(layer.material, frequency_mhz) * layer.thickness_mm))


def layer_matrix(layer: Layer, frequency_mhz: Floats) -> Complexes:
    """Return the matrices, shape (f, 2, 2), from (p, v) at a layer's far face to its near face."""
    angle = wavenumber(layer.material, frequency_mhz) * layer.thickness_mm
    z = impedance_mrayl(layer.material, frequency_mhz)
    rows = [[np.cos(angle), 1j * z * np.sin(angle)], [1j * np.sin(angle) / z, np.cos(angle)]]
    return np.moveaxis(np.array(rows), 2, 0)


def stack_matrix(layers: Sequence[Layer], frequency_mhz: Floats) -> Complexes:
    """Return the product of the layers' matrices, near to far; shape (f, 2, 2)."""
    whole = np.tile(np.eye(2, dtype=np.complex128), (np.size(frequency_mhz), 1, 1))
    for layer in layers:
        whole = whole @ layer_matrix(layer, frequency_mhz)
    return whole


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Scattering:
    """What a stack between two half-spaces sends back and lets through, as pressures.

    Attributes
    ----------
    reflected, through : ndarray of complex, shape (f,)
        Of a wave that comes from the near side.
    reflected_back, through_back : ndarray of complex, shape (f,)
        Of one that comes from the far side.
    """

    reflected: Complexes
    through: Complexes
    reflected_back: Complexes
    through_back: Complexes


def scattering(
    near: Material, layers: Sequence[Layer], far: Material, frequency_mhz: Floats
) -> Scattering:
    """Return what the layers between two half-spaces do to waves from either side.

    Pressure and velocity are 1 + r and (1 − r) / Z on the near side, t and t / Z on the far side;
    the matrix ties them, and its determinant of 1 is reciprocity (Brekhovskikh 1960, from memory).

    Parameters
    ----------
    near, far : Material
        The half-spaces.
    layers : sequence of Layer
        From near to far; may be empty.
    frequency_mhz : ndarray, shape (f,)
        Above 0.
    """
    z_near, z_far = impedance_mrayl(near, frequency_mhz), impedance_mrayl(far, frequency_mhz)
    m = stack_matrix(layers, frequency_mhz)
    pressure = m[:, 0, 0] + m[:, 0, 1] / z_far
    velocity = z_near * (m[:, 1, 0] + m[:, 1, 1] / z_far)
    ahead = m[:, 0, 0] + z_near * m[:, 1, 0]
    behind = (m[:, 0, 1] + z_near * m[:, 1, 1]) / z_far
    through = 2.0 / (pressure + velocity)
    return Scattering(
        reflected=(pressure - velocity) / (pressure + velocity),
        through=through,
        reflected_back=(behind - ahead) / (behind + ahead),
        through_back=through * z_near / z_far,
    )
