"""Layered plates at normal incidence, in the frequency domain: exact multiple reflections.

Thin layers (couplant film, coating) between the path and the wall act as one interface with
frequency-dependent coefficients, in closed form. The wall's train is their geometric series, ended
where its echoes leave the record, so that nothing wraps round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ascan_synthetic.aperture import Piston
from ascan_synthetic.medium import AIR, Medium, reflection, transmission
from ascan_synthetic.pulse import ComplexArray, FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Layer:
    """A medium and how thick it is."""

    medium: Medium
    thickness_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class Interface:
    """What a stack of thin layers between two media does, each of shape (frequencies,).

    Attributes
    ----------
    front, back : ndarray
        Reflection seen from the near and from the far medium.
    down, up : ndarray
        Transmission from near to far and from far to near.
    """

    front: ComplexArray
    back: ComplexArray
    down: ComplexArray
    up: ComplexArray


def interface(near: Medium, layers: Sequence[Layer], far: Medium, omega: FloatArray) -> Interface:
    """Return the interface that layers between two media make, layer after layer.

    Two interfaces A and B with a layer of travel E between them join to: front A + t t' B E² /
    (1 − a' b E²) and so on: the reverberation inside the layer summed in closed form.
    """
    one = np.ones_like(omega, dtype=np.complex128)
    media = [near, *(layer.medium for layer in layers), far]
    whole = _plain(media[0], media[1], one)
    for layer, beyond in zip(layers, media[2:], strict=True):
        run = layer.medium.travel(omega, layer.thickness_mm)
        whole = _join(whole, run, _plain(layer.medium, beyond, one))
    return whole


def _plain(near: Medium, far: Medium, one: ComplexArray) -> Interface:
    return Interface(
        front=reflection(near, far) * one,
        back=reflection(far, near) * one,
        down=transmission(near, far) * one,
        up=transmission(far, near) * one,
    )


def _join(a: Interface, run: ComplexArray, b: Interface) -> Interface:
    ring = 1.0 / (1.0 - a.back * b.front * run**2)
    return Interface(
        front=a.front + a.down * run**2 * b.front * a.up * ring,
        back=b.back + b.up * run**2 * a.back * b.down * ring,
        down=a.down * run * b.down * ring,
        up=b.up * run * a.up * ring,
    )


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Plate:
    """A wall behind a path, with thin layers in front and something behind.

    Attributes
    ----------
    path : Medium
        What the sound comes from: delay line, water, or a contact probe's face.
    layers : tuple of Layer
        Between path and wall: couplant film, coating.
    wall, backing : Medium
    """

    path: Medium
    wall: Medium
    layers: tuple[Layer, ...] = ()
    backing: Medium = AIR

    def surface(self, omega: FloatArray) -> Interface:
        """Return the interface between path and wall."""
        return interface(self.path, self.layers, self.wall, omega)

    def train(
        self,
        omega: FloatArray,
        depth: ComplexArray,
        echoes: IntArray,
    ) -> ComplexArray:
        """Return the back-wall echoes as they leave into the path.

        Parameters
        ----------
        omega : ndarray, shape (frequencies,)
        depth : ndarray, shape (n, frequencies)
            What one run down and up the wall does.
        echoes : ndarray, shape (n,), int
            How many echoes the record can hold; later ones would wrap round in the transform.
        """
        face = self.surface(omega)
        once = reflection(self.wall, self.backing) * depth
        ratio = once * face.back
        # Σ ratioᵏ, k < echoes, in closed form; the sum itself where ratio is 1.
        apart = np.abs(1.0 - ratio) > 1e-12
        number = echoes[:, None]
        series = np.where(apart, (1.0 - ratio**number) / np.where(apart, 1.0 - ratio, 1.0), number)
        return np.asarray(face.down * face.up * once * series)

    def echoes(self, omega: FloatArray, depths: Sequence[ComplexArray]) -> list[ComplexArray]:
        """Return each back-wall echo on its own, ``depths[k]`` being k + 1 runs of the wall."""
        face = self.surface(omega)
        back = reflection(self.wall, self.backing)
        return [
            face.down * face.up * back ** (k + 1) * face.back**k * runs
            for k, runs in enumerate(depths)
        ]


def reverberated(
    response: ComplexArray, run: ComplexArray, face: float, rounds: int
) -> ComplexArray:
    """Return what a probe behind a path receives, its own repeats included.

    Parameters
    ----------
    response : ndarray, shape (n, frequencies)
        What the surface and the wall send back into the path.
    run : ndarray, shape (n, frequencies)
        One run down and up the path.
    face : float
        Reflection coefficient of the probe's face.
    rounds : int
        How many times sound can run the path within the record.
    """
    once = run * response
    total = once.copy()
    again = once
    for _ in range(rounds - 1):
        again = face * again * once
        total += again
    return total


def diffraction(
    piston: Piston | None, omega: FloatArray, legs: Sequence[tuple[Medium, FloatArray]]
) -> ComplexArray | float:
    """Return the piston's diffraction over legs of (medium, length mm); 1 without a piston.

    Legs add as length times wavelength (paraxial).
    """
    if piston is None:
        return 1.0
    spread = sum(length * medium.velocity_mm_per_us for medium, length in legs)
    return piston.received(omega, np.asarray(spread))
