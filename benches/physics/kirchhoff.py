"""Pulse-echo of a round element over a rough back wall: physical optics on true facets.

The back wall is free: the pressure vanishes there, and its derivative along the wall is taken as
twice that of the wave coming in (Kirchhoff; Beckmann and Spizzichino 1963, from memory). With the
element's own field H out and back (`round_element`), the mean pressure on the element, over that
of a plane wave that all comes back, is

    E = −R (k² / A) ∫ H (−1/ik) ∂H/∂n dA,    R = −1, A the element's area.

Both obliquities are in it, for out and back are the same element. Spreading, aperture and the near
field are exact, and over an even wall E is the field of the mirrored element (Rayleigh's integral).
The sum is worked out at each frequency of the pulse, not on a grid of times: no delay is rounded.

Behind a delay line or water the element stands over the steel at the distance that diffracts as the
path does: path × its velocity / velocity of steel (paraxial). Lens effects, bent couplant and the
ray's bending at steep angles are left out.

The n-th echo takes n times the depths and slopes: the path unfolded in the flat front surface, each
wall hit at one and the same place. Hits at different places, which would fade the later echoes of
rough walls less, are left out; so are waves between facets, converted and surface waves, corner
echoes of pits, and attenuation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from physics.facets import facet_sum, horizons
from physics.grounds import Ground
from physics.round_element import points, two_way

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
RHO_STEP_MM, DEPTH_STEP_MM, POINTS = 0.025, 0.05, 24
FAR_MM = 9.0  # beyond the element's rim, facets count no more
SIGMAS = 4.2  # of the pulse: −77 dB


@dataclass(frozen=True, slots=True)
class Probe:
    """A round element, its pulse, and what lies between it and the steel.

    The pulse is a Gaussian: exp(−t²/2s²) cos(2πft + phase). ``path_mm`` is 0 in contact.
    ``reflected`` is the front surface's reflection coefficient, from outside; −``reflected`` meets
    the wave from within. In contact it only scales the later echoes.
    """

    frequency_mhz: float = 5.0
    bandwidth: float = 0.6  # −6 dB width over centre frequency
    phase_deg: float = 0.0
    element_mm: float = 6.0
    velocity_mm_per_us: float = 5.92
    path_mm: float = 0.0
    path_velocity_mm_per_us: float = 2.73
    reflected: float = 0.8
    delay_us: float = 0.64

    @property
    def lift_mm(self) -> float:
        """Path ahead of the steel as steel that diffracts alike."""
        return self.path_mm * self.path_velocity_mm_per_us / self.velocity_mm_per_us

    @property
    def surface_us(self) -> float:
        """Time of the front surface's echo."""
        return self.delay_us + 2.0 * self.path_mm / self.path_velocity_mm_per_us

    @property
    def spectrum_sigma_mhz(self) -> float:
        """Standard deviation of the pulse's Gaussian spectrum."""
        return 0.5 * self.bandwidth * self.frequency_mhz / math.sqrt(2.0 * math.log(2.0))

    def pulse(self, time_us: Floats) -> Floats:
        """Return the pulse at times from its middle."""
        width = 1.0 / (2.0 * math.pi * self.spectrum_sigma_mhz)
        carrier = 2.0 * math.pi * self.frequency_mhz * time_us + math.radians(self.phase_deg)
        return np.asarray(np.exp(-0.5 * (time_us / width) ** 2) * np.cos(carrier))

    def spectrum(self, frequency_mhz: Floats) -> Complexes:
        """Return the pulse's spectrum at positive frequencies, in µs."""
        sigma = self.spectrum_sigma_mhz
        height = 0.5 / (math.sqrt(2.0 * math.pi) * sigma)
        off = (frequency_mhz - self.frequency_mhz) / sigma
        turn = np.exp(1j * math.radians(self.phase_deg))
        return np.asarray(height * np.exp(-0.5 * off**2) * turn)

    def height(self, order: int) -> float:
        """Return the plane-wave height and sign of a back-wall echo."""
        through = 1.0 - self.reflected**2 if self.path_mm > 0.0 else 1.0
        return -through * self.reflected ** (order - 1)


# Steel 46.5, cross-linked plastic 3.2, water 1.48 MPa s/m: handbook impedances, from memory.
CONTACT = Probe()
DELAY_LINE = Probe(path_mm=12.0, reflected=0.871)
IMMERSION = Probe(path_mm=25.0, path_velocity_mm_per_us=1.48, reflected=0.938)


@dataclass(frozen=True, eq=False, slots=True)
class Response:
    """Lines of one back-wall echo at places over a ground.

    Attributes
    ----------
    frequency_mhz : ndarray, shape (lines,)
    lines : ndarray of complex, shape (places, lines)
        E / R: against a plane wave wholly reflected; time zero is the element, ``lift_mm`` ahead.
    start_us, span_us : float
        Where the echo may lie; it repeats beyond.
    """

    frequency_mhz: Floats
    lines: Complexes
    start_us: float
    span_us: float


def reach_mm(ground: Ground, probe: Probe, order: int) -> float:
    """Return how far from the axis facets count: out to some 30° from the element's rim."""
    deepest = probe.lift_mm + order * float(ground.thickness_mm.max())
    return 0.5 * probe.element_mm + min(1.0 + 0.5 * deepest, FAR_MM)


def _window(ground: Ground, probe: Probe, order: int) -> tuple[float, float]:
    """Return start and span of all that facets may send back, with the pulse's ends."""
    least, most = float(ground.thickness_mm.min()), float(ground.thickness_mm.max())
    ends = 5.5 / (2.0 * math.pi * probe.spectrum_sigma_mhz)
    near = 2.0 * (probe.lift_mm + order * least) / probe.velocity_mm_per_us
    aside = reach_mm(ground, probe, order) + 0.5 * probe.element_mm
    far = 2.0 * math.hypot(probe.lift_mm + order * most, aside) / probe.velocity_mm_per_us
    return near - ends, far - near + 2.0 * ends


def band(probe: Probe, span_us: float) -> Floats:
    """Return the pulse's frequencies, 1 / span apart."""
    half = SIGMAS * probe.spectrum_sigma_mhz
    first = max(1, math.ceil((probe.frequency_mhz - half) * span_us))
    last = math.floor((probe.frequency_mhz + half) * span_us)
    return np.asarray(np.arange(first, last + 1) / span_us)


def response(
    ground: Ground,
    probe: Probe,
    places_mm: Floats,
    order: int = 1,
    frequency_mhz: Floats | None = None,
) -> Response:
    """Return the echo of one order at places (n, 2).

    ``frequency_mhz`` (evenly spaced, at least two) replaces the pulse's own band.
    """
    start, span = _window(ground, probe, order)
    lines = band(probe, span) if frequency_mhz is None else frequency_mhz
    turns = 2.0 * math.pi / probe.velocity_mm_per_us
    wavenumber = turns * np.array([lines[0], lines[1] - lines[0]])
    radius, reach = 0.5 * probe.element_mm, reach_mm(ground, probe, order)
    depth = probe.lift_mm + order * np.array([ground.thickness_mm.min(), ground.thickness_mm.max()])
    step = DEPTH_STEP_MM * order
    depths = depth[0] + step * np.arange(-1, math.ceil((depth[1] - depth[0]) / step) + 2)
    rho = RHO_STEP_MM * np.arange(math.ceil(reach / RHO_STEP_MM) + 8, dtype=np.float64)
    table = two_way(rho, depths, radius, wavenumber, lines.size)
    area = math.pi * radius**2
    horizon = horizons(ground.thickness_mm, ground.cell_mm)
    geometry = (ground.cell_mm, ground.x0_mm, ground.y0_mm, reach, probe.lift_mm, float(order))
    tools = (
        table,
        (RHO_STEP_MM, depths[0], step, wavenumber),
        points(radius, POINTS),
        np.zeros((2, lines.size)),
    )
    steepest, wall = horizon.max(axis=2), ground.thickness_mm
    found = [
        facet_sum(wall, horizon, steepest, (*geometry, radius), (float(x), float(y)), tools)
        for x, y in places_mm
    ]
    scale = -((turns * lines) ** 2) / area
    return Response(lines, scale * np.array(found), start, span)


def signals(found: Response, probe: Probe, time_us: Floats, late_us: Floats) -> Floats:
    """Return the echo of a wall that reflects all with no change of sign, shape (n, samples).

    Parameters
    ----------
    found : Response
    probe : Probe
    time_us : ndarray, shape (samples,)
        After the transmit pulse.
    late_us : ndarray, shape (n,)
        Drift of each waveform.
    """
    shift = probe.surface_us - 2.0 * probe.lift_mm / probe.velocity_mm_per_us
    turns, out = 2.0j * math.pi * found.frequency_mhz, np.zeros((len(found.lines), time_us.size))
    after = time_us - shift - found.start_us
    inside = np.flatnonzero((after >= 0.0) & (after < found.span_us))
    weights = 2.0 / found.span_us * probe.spectrum(found.frequency_mhz)
    lines = found.lines * weights * np.exp(-turns * late_us[:, None])
    out[:, inside] = (lines @ np.exp(turns[:, None] * (time_us[inside] - shift))).real
    return out
