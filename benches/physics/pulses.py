"""Random causal pulses that look measured, known in closed form in time and in frequency.

A pulse is the derivative of a sum of resonances t^p exp(−σ t) cos(2 π f t + φ), zero before its
start: it sets in smoothly, rings after, has any phase, and sends no constant pressure. What such a
sum becomes in frequency is the Laplace transform p! / s^(p+1) (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial

import numpy as np

from physics.layers import Complexes, Floats

ORDER = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """One ringing part of a pulse.

    Attributes
    ----------
    frequency_mhz, damping_per_us : float
        What it rings at, and σ.
    height : float
        Of its envelope ahead of the derivative; 1 is the pulse's main part.
    phase_deg : float
    """

    frequency_mhz: float
    damping_per_us: float
    height: float = 1.0
    phase_deg: float = 0.0

    @property
    def scale(self) -> float:
        """What makes t^p exp(−σ t) as high as stated."""
        return self.height * float((self.damping_per_us * np.e / ORDER) ** ORDER)


@dataclass(frozen=True, slots=True)
class Pulse:
    """A pulse that starts at 0 µs; ``gain`` makes its largest peak 1.

    ``gain`` is in µs: it multiplies a derivative.
    """

    resonances: tuple[Resonance, ...]
    gain: float = 1.0


def samples(pulse: Pulse, time_us: Floats) -> Floats:
    """Return a pulse at any times, exactly 0 where they are not positive."""
    time = np.maximum(np.asarray(time_us, np.float64), 0.0)
    out = np.zeros_like(time)
    for part in pulse.resonances:
        omega = 2.0 * np.pi * part.frequency_mhz
        angle = omega * time + np.radians(part.phase_deg)
        slope = (ORDER - part.damping_per_us * time) * np.cos(angle) - omega * time * np.sin(angle)
        out += part.scale * time ** (ORDER - 1) * np.exp(-part.damping_per_us * time) * slope
    return np.asarray(pulse.gain * out)


def spectrum(pulse: Pulse, frequency_mhz: Floats) -> Complexes:
    """Return ∫ pulse exp(−2 π i f t) dt in µs, shape (f,); exactly 0 at 0 MHz."""
    s = 2j * np.pi * np.asarray(frequency_mhz, np.float64)
    out = np.zeros(s.shape, np.complex128)
    for part in pulse.resonances:
        turn = 2j * np.pi * part.frequency_mhz
        phase = np.exp(1j * np.radians(part.phase_deg))
        up = phase / (s + part.damping_per_us - turn) ** (ORDER + 1)
        down = np.conj(phase) / (s + part.damping_per_us + turn) ** (ORDER + 1)
        out += 0.5 * factorial(ORDER) * part.scale * (up + down)
    return np.asarray(pulse.gain * s * out)


def length_us(pulse: Pulse, down_db: float = 100.0) -> float:
    """Return when a pulse has fallen so far below its peak for good."""
    slowest = min(part.damping_per_us for part in pulse.resonances)
    time = np.arange(0.0, 60.0 / slowest, 0.002)
    loud = np.abs(samples(pulse, time)) > 10.0 ** (-down_db / 20.0)
    return float(time[loud].max())


def peak_us(pulse: Pulse) -> float:
    """Return when a pulse is largest, to 2 ns."""
    time = np.arange(0.0, length_us(pulse), 0.002)
    return float(time[np.abs(samples(pulse, time)).argmax()])


def scaled(resonances: tuple[Resonance, ...]) -> Pulse:
    """Return the pulse of these resonances with a largest peak of 1."""
    slowest = min(part.damping_per_us for part in resonances)
    time = np.arange(0.0, 30.0 / slowest, 0.001)
    return Pulse(resonances, 1.0 / float(np.abs(samples(Pulse(resonances), time)).max()))


def damping_per_us(frequency_mhz: float, bandwidth: float) -> float:
    """Return σ of one resonance whose −6 dB width is ``bandwidth`` times its frequency."""
    return float(np.pi * bandwidth * frequency_mhz / np.sqrt(2.0 ** (2.0 / (ORDER + 1)) - 1.0))


def drawn(
    rng: np.random.Generator,
    centre_mhz: float,
    *,
    bandwidth: tuple[float, float] = (0.45, 0.8),
    ringing_db: tuple[float, float] = (-34.0, -20.0),
    second_db: tuple[float, float] = (-20.0, -8.0),
) -> Pulse:
    """Return a random pulse: a main resonance, a second one to the side, and a tail that rings.

    Parameters
    ----------
    rng : Generator
    centre_mhz : float
        The main resonance lies within 6 % of it.
    bandwidth : pair of float
        Bounds of the main part's −6 dB width over its frequency; every phase is as likely.
    ringing_db, second_db : pair of float
        Bounds of how high tail and second resonance stand against the main part. The second lies
        at 0.5 to 0.8 or at 1.25 to 1.7 times the frequency: one flank of the band is the longer.
    """

    def between(bounds: tuple[float, float]) -> float:
        return float(rng.uniform(*bounds))

    main_mhz = centre_mhz * between((0.94, 1.06))
    sigma = damping_per_us(main_mhz, between(bandwidth))
    aside = between((0.5, 0.8)) if rng.random() < 0.5 else between((1.25, 1.7))
    phases = [between((-180.0, 180.0)) for _ in range(3)]
    rates = (1.0, between((0.7, 1.1)), between((0.25, 0.45)))
    places = (1.0, aside, between((0.9, 1.1)))
    heights = (1.0, *(10.0 ** (between(bounds) / 20.0) for bounds in (second_db, ringing_db)))
    parts = zip(places, rates, heights, phases, strict=True)
    return scaled(
        tuple(
            Resonance(
                frequency_mhz=main_mhz * place,
                damping_per_us=sigma * rate,
                height=height,
                phase_deg=phase,
            )
            for place, rate, height, phase in parts
        )
    )
