"""Arrivals from a parallel plate at normal incidence: times and amplitudes of the echo train.

Everything is an `Arrivals` list, and reverberation is the composition of such lists: what comes
back once is sent in again by the probe's face and comes back as the list convolved with itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan_synthetic.medium import AIR, Medium, reflection, transmission
from ascan_synthetic.pulse import FloatArray, GaussianPulse

# Echoes weaker than this part of the incident pulse are left out: far below any noise.
SMALLEST = 1e-4


@dataclass(frozen=True, eq=False, slots=True)
class Arrivals:
    """Echoes of one or of n plates: ``time_us`` and ``amplitude``, both of shape (n, echoes)."""

    time_us: FloatArray
    amplitude: FloatArray

    def later(self, delay_us: FloatArray | float, factor: FloatArray | float = 1.0) -> Arrivals:
        """Return all echoes delayed and weighed."""
        return Arrivals(self.time_us + delay_us, self.amplitude * factor)

    def after(self, other: Arrivals) -> Arrivals:
        """Return the echoes that each echo of ``other`` gives rise to: the two lists convolved."""
        time = other.time_us[:, :, None] + self.time_us[:, None, :]
        amplitude = other.amplitude[:, :, None] * self.amplitude[:, None, :]
        flat = Arrivals(time.reshape(len(time), -1), amplitude.reshape(len(time), -1))
        heard = (np.abs(flat.amplitude) > SMALLEST).any(axis=0)
        return Arrivals(flat.time_us[:, heard], flat.amplitude[:, heard])

    def __add__(self, other: Arrivals) -> Arrivals:
        return Arrivals(
            np.concatenate([self.time_us, other.time_us], axis=1),
            np.concatenate([self.amplitude, other.amplitude], axis=1),
        )

    def sample(
        self, pulse: GaussianPulse, sample_rate_mhz: float, start_us: FloatArray, samples: int
    ) -> FloatArray:
        """Return waveforms, shape (n, samples), sample 0 at ``start_us`` (shape (n,))."""
        width = 2 * int(np.ceil(pulse.reach_us * sample_rate_mhz)) + 1
        # A pulse's width on each side takes up what sticks out of the record.
        out = np.zeros((len(self.time_us), samples + 2 * width))
        row = np.arange(len(out))
        for time, amplitude in zip(self.time_us.T, self.amplitude.T, strict=True):
            place = (time - start_us) * sample_rate_mhz
            first = np.ceil(place).astype(np.int64) - width // 2
            heard = (first > -width) & (first < samples)
            index = first[heard, None] + np.arange(width)
            after_us = (index - place[heard, None]) / sample_rate_mhz
            out[row[heard, None], index + width] += amplitude[heard, None] * pulse(after_us)
        return out[:, width:-width]


def _loss(medium: Medium, path_mm: FloatArray | float) -> FloatArray | float:
    return 10.0 ** (-medium.attenuation_db_per_mm * np.asarray(path_mm) / 20.0)


def wall_train(
    wall: Medium,
    thickness_mm: FloatArray,
    front: Medium,
    back: Medium = AIR,
    echoes: int = 12,
) -> Arrivals:
    """Return the back-wall echoes inside a wall, as they stand at its front, before leaving it.

    Echo n has run 2 n d, met the back n times and the front, from inside, n − 1 times.
    """
    number = np.arange(1, echoes + 1)
    path = 2.0 * thickness_mm[:, None] * number
    strength = reflection(wall, back) ** number * reflection(wall, front) ** (number - 1)
    return Arrivals(path / wall.velocity_mm_per_us, strength * _loss(wall, path))


def contact(wall: Medium, thickness_mm: FloatArray, probe: Medium, delay_us: float) -> Arrivals:
    """Return the echoes of a contact probe: wear face and couplant are a delay."""
    return wall_train(wall, thickness_mm, probe).later(delay_us)


def behind_path(
    wall: Medium,
    thickness_mm: FloatArray,
    path: Medium,
    path_mm: FloatArray,
    delay_us: float,
    back: Medium = AIR,
    face: float = 0.5,
    rounds: int = 3,
) -> Arrivals:
    """Return the echoes of a wall behind a delay line or water path, its repeats included.

    Parameters
    ----------
    path, path_mm : Medium, ndarray of shape (n,)
        The delay line or the water between the probe's face and the surface.
    face : float
        Reflection coefficient of the probe's face, which sends what arrives there in again.
    rounds : int
        How many times sound may run the path.
    """
    count = len(thickness_mm)
    here, there = np.zeros((count, 1)), np.full((count, 1), reflection(path, wall))
    through = transmission(path, wall) * transmission(wall, path)
    response = Arrivals(here, there)
    response += wall_train(wall, thickness_mm, path, back).later(0.0, through)
    run_us = 2.0 * path_mm[:, None] / path.velocity_mm_per_us
    once = response.later(run_us, _loss(path, 2.0 * path_mm[:, None]))
    heard = generation = once
    for _ in range(rounds - 1):
        generation = once.after(generation).later(0.0, face)
        heard = heard + generation
    return heard.later(delay_us)
