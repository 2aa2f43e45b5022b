"""What a probe hears of a wall, as spectra: contact, delay line, immersion, dual element."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from scipy.interpolate import CubicSpline

from ascan_synthetic.aperture import DualProbe, Piston
from ascan_synthetic.layers import IntArray, Layer, Plate, diffraction, reverberated
from ascan_synthetic.medium import AIR, STEEL_SHEAR_MM_PER_US, Medium
from ascan_synthetic.pulse import ComplexArray, FloatArray, sum_of_delays


@dataclass(frozen=True, eq=False, slots=True)
class Band:
    """The angular frequencies that carry the pulse, and how long the record runs.

    Attributes
    ----------
    omega : ndarray, shape (frequencies,), rad/µs
    end_us : float
        Echoes that arrive later are left out.
    """

    omega: FloatArray
    end_us: float


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """What n waveforms look at; ``depth_mm`` is of shape (n, points), ``weight`` (points,).

    ``path_mm`` and ``coupling`` are of shape (n,): length of delay line or water, and the share of
    the beam that is coupled (1: all of it).
    """

    depth_mm: FloatArray
    weight: FloatArray
    path_mm: FloatArray
    coupling: FloatArray


class Response(Protocol):
    """Spectra of what n waveforms hear for a pulse of spectrum 1 at time 0."""

    def spectra(self, band: Band, place: Place) -> ComplexArray:
        """Return an array of shape (n, frequencies)."""

    def rounds(self, band: Band, place: Place) -> int:
        """Return how many times over the record can be filled: what the transform must hold."""


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class SingleElement:
    """Contact, delay line or immersion.

    Attributes
    ----------
    plate : Plate
        Its path is the delay line or the water; for a contact probe, the probe's face.
    piston : Piston, optional
        With one, diffraction is included: echo by echo, by the legs each has run.
    face : float
        Reflection coefficient of the probe's face, for the path's repeats.
    contact : bool
        Without a path: no surface echo, no repeats.
    """

    plate: Plate
    piston: Piston | None = None
    face: float = 0.5
    contact: bool = False

    def rounds(self, band: Band, place: Place) -> int:
        """Return how often sound can run the path before the record ends."""
        if self.contact:
            return 1
        run_us = 2.0 * float(place.path_mm.min()) / self.plate.path.velocity_mm_per_us
        return max(1, int(band.end_us / run_us))

    def spectra(self, band: Band, place: Place) -> ComplexArray:
        """Return an array of shape (n, frequencies)."""
        omega, plate = band.omega, self.plate
        path = np.zeros_like(place.path_mm) if self.contact else place.path_mm
        walls = self._walls(band, place, path)
        coupled = place.coupling[:, None] * walls
        if self.contact:
            return coupled
        # Where coupling is lost a delay line ends on air; water always touches.
        touching = plate.surface(omega).front
        surface = touching * place.coupling[:, None] - (1.0 - place.coupling[:, None])
        surface = surface * diffraction(self.piston, omega, [(plate.path, 2.0 * path)])
        run = plate.path.travel(omega, 2.0 * path[:, None])
        return reverberated(surface + coupled, run, self.face, self.rounds(band, place))

    def _walls(self, band: Band, place: Place, path: FloatArray) -> ComplexArray:
        """Return the sum of the back-wall echoes, footprint and diffraction included."""
        omega, plate = band.omega, self.plate
        run_us = 2.0 * place.depth_mm.min(axis=1) / plate.wall.velocity_mm_per_us
        echoes = (band.end_us / run_us).astype(np.int64) + 1
        flat = place.depth_mm.shape[1] == 1
        if flat and self.piston is None:
            down = plate.wall.travel(omega, 2.0 * place.depth_mm)
            return plate.train(omega, down, echoes)
        runs = self._runs(omega, place, path, echoes)
        return np.asarray(sum(plate.echoes(omega, runs)))

    def _runs(
        self, omega: FloatArray, place: Place, path: FloatArray, echoes: IntArray
    ) -> list[ComplexArray]:
        """Return, for each echo, the coherent sum over the footprint of its runs of the wall."""
        wall = self.plate.wall
        runs = []
        mean = place.depth_mm @ place.weight
        # Loss and dispersion are those of the mean depth; each point has its own delay.
        apart_us = 2.0 * (place.depth_mm - mean[:, None]) / wall.velocity_mm_per_us
        weight = np.broadcast_to(place.weight, apart_us.shape)
        once = wall.travel(omega, 2.0 * mean[:, None])
        run = np.ones_like(once)
        for number in range(1, int(echoes.max()) + 1):
            run = run * once * (number <= echoes)[:, None]
            legs = [(self.plate.path, 2.0 * path), (wall, 2.0 * number * mean)]
            spread = sum_of_delays(omega, number * apart_us, weight)
            runs.append(run * spread * diffraction(self.piston, omega, legs))
        return runs


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class DualElement:
    """Two elements on roofed wedges; echo train, mode-converted arrival, cross-talk.

    Attributes
    ----------
    echoes : int
        Back-wall echoes that are kept.
    conversion : float
        Strength of the mode-converted arrival against plane-wave theory; 0 leaves it out.
    cross_talk : float
        Amplitude through the barrier, against the back-wall echo of 5 mm.
    cross_talk_us : float
        When it arrives.
    least_mm, most_mm : float
        Range of depth that the library of spectra covers; outside it `spectra` raises ValueError.
    """

    probe: DualProbe
    echoes: int = 3
    conversion: float = 1.0
    cross_talk: float = 0.0
    cross_talk_us: float = 1.5
    least_mm: float = 0.3
    most_mm: float = 60.0
    _library: dict[str, list[CubicSpline]] = field(default_factory=dict)

    def rounds(self, band: Band, place: Place) -> int:
        """Return how many times over the record can be filled by the kept echoes."""
        last = 2.0 * self.echoes * float(place.depth_mm.max()) / self.probe.wall.velocity_mm_per_us
        wedge = 3.0 * self.probe.height_mm / self.probe.wedge.velocity_mm_per_us
        return 1 + int((last + wedge) / band.end_us)

    def spectra(self, band: Band, place: Place) -> ComplexArray:
        """Return an array of shape (n, frequencies)."""
        omega, wall = band.omega, self.probe.wall
        least, most = float(place.depth_mm.min()), float(place.depth_mm.max())
        if least < self.least_mm or most > self.most_mm:
            raise ValueError(
                f"the dual probe is worked out for walls of {self.least_mm} to {self.most_mm} mm; "
                f"these are {least:.3g} to {most:.3g} mm"
            )
        total = np.zeros((len(place.path_mm), omega.size), np.complex128)
        for (number, delay), spline in zip(self._kinds(), self._splines(omega), strict=True):
            for depth, weight in zip(place.depth_mm.T, place.weight, strict=True):
                turn = np.exp(-1j * np.multiply.outer(delay * depth, omega))
                loss = np.abs(wall.travel(omega, 2.0 * number * depth[:, None]))
                total += weight * spline(np.log(depth)) * turn * loss
        total *= place.coupling[:, None]
        reference = np.abs(self.probe.echo(omega, 5.0)).max()
        talk = self.cross_talk * reference * np.exp(-1j * omega * self.cross_talk_us)
        return np.asarray((total + talk) / reference)

    def _kinds(self) -> list[tuple[int, float]]:
        """Return (echo number, µs per mm of depth) of each arrival, the converted one last.

        What is left of an arrival's delay must turn its spectrum little from node to node.
        """
        slowness = 2.0 / self.probe.wall.velocity_mm_per_us
        kinds = [(number, number * slowness) for number in range(1, self.echoes + 1)]
        one_way = 1.0 / STEEL_SHEAR_MM_PER_US
        return [*kinds, (1, 0.5 * slowness + one_way)] if self.conversion else kinds

    def _splines(self, omega: FloatArray) -> list[CubicSpline]:
        """Return each arrival's spectrum over log depth, the straight path's delay taken out."""
        key = f"{omega.size} {omega[0]!r} {omega[-1]!r}"
        if key not in self._library:
            depths = np.geomspace(self.least_mm, self.most_mm, 160)
            splines = []
            for k, (number, delay) in enumerate(self._kinds()):
                shear = 1 if k == self.echoes else 0
                # Longitudinal down, shear up, and the other way round: twice the same arrival.
                size = 2.0 * self.conversion if shear else 1.0
                table = [
                    size * self.probe.echo(omega, depth, number, shear)
                    * np.exp(1j * omega * delay * depth)
                    for depth in depths
                ]  # fmt: skip
                splines.append(CubicSpline(np.log(depths), np.array(table)))
            self._library[key] = splines
        return self._library[key]


def single_element(
    arrangement: str,
    path: Medium,
    layers: tuple[Layer, ...],
    wall: Medium,
    backing: Medium = AIR,
    piston: Piston | None = None,
    face: float = 0.5,
) -> SingleElement:
    """Return the response of a contact, delay-line or immersion probe."""
    if arrangement not in ("contact", "delay_line", "immersion"):
        raise ValueError(f"arrangement is '{arrangement}'")
    plate = Plate(path=path, layers=layers, wall=wall, backing=backing)
    return SingleElement(plate=plate, piston=piston, face=face, contact=arrangement == "contact")
