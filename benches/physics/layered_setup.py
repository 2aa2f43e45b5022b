"""Probe, layers, digitiser, and what differs from one record of them to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from physics.grain import Grain
from physics.layers import ACRYLIC, AIR, GLYCERIN, PROBE_FACE, STEEL, Floats, Layer, Material
from physics.pulses import Pulse


@dataclass(frozen=True, kw_only=True)
class Setup:
    """Probe, layers and digitiser.

    Attributes
    ----------
    arrangement : str
        ``contact`` (no path), ``delay_line`` or ``immersion``.
    pulse : Pulse
        As sent, heard and amplified.
    path_mm, path : float, Material
        Of the delay line or the water; unused in contact.
    films : tuple of Layer
        Couplant and coating, from the path to the wall.
    wall : Material
    behind : tuple of Layer
        On the wall's far face; behind them ``backing``.
    backing : Material
        Air, a product, water.
    face : Material
        The probe, as sound from outside meets it.
    delay_us : float
        From the trigger to the start of the pulse.
    radius_mm : float
        Of the element; 0 for plane waves.
    ring_down : Pulse or None
        From the trigger on, largest ``ring_down_height`` of full scale.
    sample_rate_mhz, bits, samples, start_us : float, int, int, float
    gain : float
        Fraction of full scale of a wave of height 1.
    """

    arrangement: str
    pulse: Pulse
    path_mm: float = 12.0
    path: Material = ACRYLIC
    films: tuple[Layer, ...] = (Layer(GLYCERIN, 0.01),)
    wall: Material = STEEL
    behind: tuple[Layer, ...] = ()
    backing: Material = AIR
    face: Material = PROBE_FACE
    delay_us: float = 0.35
    radius_mm: float = 3.0
    ring_down: Pulse | None = None
    ring_down_height: float = 1.0
    sample_rate_mhz: float = 100.0
    bits: int = 12
    samples: int = 1500
    start_us: float = 0.0
    gain: float = 0.5

    def __post_init__(self) -> None:
        if self.arrangement not in ("contact", "delay_line", "immersion"):
            raise ValueError("arrangement must be contact, delay_line or immersion")

    @property
    def in_contact(self) -> bool:
        """Whether there is no path between the probe's face and the films."""
        return self.arrangement == "contact"

    @property
    def stop_us(self) -> float:
        """When the record ends."""
        return self.start_us + self.samples / self.sample_rate_mhz


@dataclass(frozen=True, kw_only=True)
class Disturbances:
    """What differs from record to record; spreads are standard deviations.

    Attributes
    ----------
    snr_db : float
        Peak of the first back-wall echo, in the median of the records, over the noise's rms.
    coupling_spread_db : float
        Of the height of everything but the ring-down.
    film_spread_mm : float
        Of the first film's thickness, which is never less than none.
    path_spread_mm : float
        Of the path's length.
    jitter_ns : float
        Of the trigger.
    offset, offset_spread : float
        Constant level and its spread, in fractions of full scale.
    grain : Grain or None
    """

    snr_db: float = 40.0
    coupling_spread_db: float = 0.0
    film_spread_mm: float = 0.0
    path_spread_mm: float = 0.0
    jitter_ns: float = 0.0
    offset: float = 0.0
    offset_spread: float = 0.0
    grain: Grain | None = None


CLEAN = Disturbances()


@dataclass(frozen=True, kw_only=True)
class Place:
    """One record's own lengths, height and clock error."""

    thickness_mm: float
    path_mm: float
    films: tuple[Layer, ...]
    height: float = 1.0
    late_us: float = 0.0


def places(
    setup: Setup, thickness_mm: Floats, disturbed: Disturbances, rng: np.random.Generator
) -> list[Place]:
    """Return each record's own lengths, height and clock error."""
    draws = rng.standard_normal((len(thickness_mm), 4))
    found = []
    for thickness, (louder, film, path, late) in zip(thickness_mm, draws, strict=True):
        films = setup.films
        if films:
            thick = max(0.0, films[0].thickness_mm + disturbed.film_spread_mm * float(film))
            films = (Layer(films[0].material, thick), *films[1:])
        found.append(
            Place(
                thickness_mm=float(thickness),
                path_mm=setup.path_mm + disturbed.path_spread_mm * float(path),
                films=films,
                height=10.0 ** (disturbed.coupling_spread_db * float(louder) / 20.0),
                late_us=1e-3 * disturbed.jitter_ns * float(late),
            )
        )
    return found
