"""Pulse-echo records of one round element over flat layers, by transfer matrices.

Films, wall and what lies behind give one reflection per frequency (`physics.layers`), multiples
and all. It is taken apart by trips (`physics.trips`), without loss of anything that arrives within
the record: each trip, so often along the path and so often in the wall, keeps its own length and
is given the diffraction of that length (`physics.piston`): the interface echo, every echo of the
wall, every repeat. Reverberations within a film share the trip in which they arise. Of several
media the length is scaled to the path's, in contact to the wall's.

**Time.** ``start_us`` is the time of the first sample after the transmit trigger. The pulse sets
in, strictly zero before, at ``delay_us``; an echo sets in there plus its travel time. Its peaks
come a fraction of a µs later, by the same time in all echoes but for phase: a constant delay that
a calibration takes up. In media whose attenuation disperses the travel time is that at the
medium's reference frequency. Sampling cuts the band off at half its rate, where pulses as drawn
are some 90 dB down at 100 MHz.

**Height.** 1 is full scale times ``gain``: a pulse with a largest peak of 1 is sent into the path;
in contact it is sent in the probe's face, and crosses from there. Grain is heard over the first
trip of the path only, and without diffraction: its level is stated, not derived.

In contact the reflection at the probe's own face is part of the transmit pulse, not of the record;
the transmit pulse and its ringing are ``ring_down``, in fractions of full scale, the same in all
records and starting at the trigger.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.fft import next_fast_len

from physics.grain import Grain, Inside, grain_response, level, scatterers
from physics.layered_setup import CLEAN, Disturbances, Place, Setup, places
from physics.layers import Complexes, Floats, Layer, one_way, scattering, wavenumber
from physics.piston import mean_pressure, scaled_distance_mm
from physics.pulses import length_us, peak_us, samples, spectrum
from physics.records import Records, digitised
from physics.trips import Stack, Trip, trip_weight

__all__ = [
    "CLEAN", "Disturbances", "Grid", "Place", "Setup", "diffraction", "echoes", "grain_of",
    "places", "records", "ringing", "stack_of", "trips",
]  # fmt: skip

QUIET = 1e-7


@dataclass(frozen=True, eq=False)
class Grid:
    """Frequencies that a record is made of: bins 1 to f of a transform of ``size`` samples."""

    size: int
    frequency_mhz: Floats = field(repr=False)
    pulse: Complexes = field(repr=False)

    @staticmethod
    def of(setup: Setup) -> Grid:
        """Return bins from above 0 to where the pulse, or the sampling, ends."""
        whole_us = setup.stop_us + 1.5 * length_us(setup.pulse) + 4.0
        size = next_fast_len(int(whole_us * setup.sample_rate_mhz), real=True)
        frequency = np.arange(1.0, size // 2 + 1) * (setup.sample_rate_mhz / size)
        sent = spectrum(setup.pulse, frequency)
        last = int(np.flatnonzero(np.abs(sent) > QUIET * np.abs(sent).max()).max()) + 1
        return Grid(size, frequency[:last], sent[:last])

    def signal(self, setup: Setup, answer: Complexes, late_us: float) -> Floats:
        """Return the record (samples,) of a spectrum that has its pulse, so much later."""
        shift = np.exp(-2j * np.pi * self.frequency_mhz * (late_us - setup.start_us))
        whole = np.zeros(self.size // 2 + 1, np.complex128)
        whole[1 : 1 + answer.size] = answer * shift * setup.sample_rate_mhz
        return np.asarray(np.fft.irfft(whole, self.size)[: setup.samples])


def stack_of(setup: Setup, place: Place, frequency_mhz: Floats) -> Stack:
    """Return what the parts of a set-up do at one place."""
    near = setup.face if setup.in_contact else setup.path
    path = Layer(setup.path, 0.0 if setup.in_contact else place.path_mm)
    wall = Layer(setup.wall, place.thickness_mm)
    behind = scattering(setup.wall, setup.behind, setup.backing, frequency_mhz)
    face = scattering(setup.path, (), setup.face, frequency_mhz)
    return Stack(
        front=scattering(near, place.films, setup.wall, frequency_mhz),
        wall_twice=one_way(wall, frequency_mhz) ** 2,
        path_twice=one_way(path, frequency_mhz) ** 2,
        back=behind.reflected,
        face=face.reflected,
    )


def trips(setup: Setup, place: Place) -> list[Trip]:
    """Return every trip whose echo sets in before the record ends."""
    wall_us = 2.0 * place.thickness_mm / setup.wall.velocity_mm_per_us
    # A little more: dispersion may bring sound sooner than the reference frequency says.
    left_us = 1.02 * setup.stop_us + 0.2 - setup.delay_us
    if setup.in_contact:
        return [Trip(1, m) for m in range(1, int(left_us / wall_us) + 1)]
    path_us = 2.0 * place.path_mm / setup.path.velocity_mm_per_us
    return [
        Trip(n, m)
        for n in range(1, int(left_us / path_us) + 1)
        for m in range(int((left_us - n * path_us) / wall_us) + 1)
    ]


def diffraction(setup: Setup, place: Place, trip: Trip, frequency_mhz: Floats) -> Complexes:
    """Return the mean pressure that a trip's length leaves, shape (f,)."""
    inner = [(film.thickness_mm, film.material.velocity_mm_per_us) for film in place.films]
    inner = [(2.0 * thick, fast) for thick, fast in inner] if trip.wall else []
    fast = setup.wall.velocity_mm_per_us
    parts = [(2.0 * trip.wall * place.thickness_mm, fast), *inner]
    if not setup.in_contact:
        fast = setup.path.velocity_mm_per_us
        parts.append((2.0 * trip.path * place.path_mm, fast))
    lengths, speeds = zip(*parts, strict=True)
    distance = scaled_distance_mm(lengths, speeds, fast)
    return mean_pressure(frequency_mhz, distance, setup.radius_mm, fast)


def echoes(setup: Setup, place: Place, grid: Grid) -> tuple[Floats, Floats]:
    """Return a record without noise and ring-down, and the first back-wall echo alone."""
    stack, whole = stack_of(setup, place, grid.frequency_mhz), np.zeros_like(grid.pulse)
    first = np.zeros_like(whole)
    for trip in trips(setup, place):
        lost = diffraction(setup, place, trip, grid.frequency_mhz)
        answer = grid.pulse * trip_weight(stack, trip) * lost
        whole += answer
        if trip == Trip(1, 1):
            first = answer
    late, height = setup.delay_us + place.late_us, setup.gain * place.height
    return height * grid.signal(setup, whole, late), height * grid.signal(setup, first, late)


def grain_of(
    setup: Setup, place: Place, grid: Grid, grain: Grain, rng: np.random.Generator
) -> Floats:
    """Return a record's grain for a back-wall echo of peak 1; of the first trip of the path."""
    f = grid.frequency_mhz
    stack = stack_of(setup, place, f)
    inside = Inside(
        wavenumber=wavenumber(setup.wall, f),
        thickness_mm=place.thickness_mm,
        front=stack.front.reflected_back,
        back=stack.back,
        rounds=sum(trip.path == 1 for trip in trips(setup, place)),
    )
    found = scatterers(grain, place.thickness_mm, rng)
    answer = grain_response(f, inside, found, grain)
    answer = answer * stack.path_twice * stack.front.through * stack.front.through_back
    signal = grid.signal(setup, grid.pulse * answer, setup.delay_us + place.late_us)
    path_us = 0.0 if setup.in_contact else 2.0 * place.path_mm / setup.path.velocity_mm_per_us
    begins = setup.delay_us + path_us + peak_us(setup.pulse) - setup.start_us
    ends = begins + 2.0 * place.thickness_mm / setup.wall.velocity_mm_per_us
    low, high = (int(max(at, 0.0) * setup.sample_rate_mhz) for at in (begins, ends))
    return signal * level(signal, (low, max(high, low + 1)), 1.0, grain)


def records(
    setup: Setup, thickness_mm: Floats, disturbed: Disturbances, rng: np.random.Generator
) -> Records:
    """Return the digitised records of a set-up on flat walls.

    Parameters
    ----------
    setup : Setup
    thickness_mm : ndarray, shape (n,)
    disturbed : Disturbances
    rng : Generator

    Returns
    -------
    Records
        With ``path_mm``, ``film_mm``, ``coupling_db`` and ``snr_db`` of each as columns.
    """
    grid, count = Grid.of(setup), len(thickness_mm)
    each = places(setup, thickness_mm, disturbed, rng)
    signals, peaks = np.zeros((count, setup.samples)), np.zeros(count)
    for row, place in enumerate(each):
        signals[row], first = echoes(setup, place, grid)
        peaks[row] = np.abs(first).max()
        if disturbed.grain is not None:
            grain = grain_of(setup, place, grid, disturbed.grain, rng)
            signals[row] += peaks[row] * grain
    noise = float(np.median(peaks)) * 10.0 ** (-disturbed.snr_db / 20.0)
    signals += noise * rng.standard_normal(signals.shape)
    signals += disturbed.offset + disturbed.offset_spread * rng.standard_normal((count, 1))
    signals += ringing(setup)
    return _with_truth(setup, signals, each, 20.0 * np.log10(np.maximum(peaks / noise, 1e-9)))


def ringing(setup: Setup) -> Floats:
    """Return the transmit pulse and what rings after it, shape (samples,)."""
    if setup.ring_down is None:
        return np.zeros(setup.samples)
    time = setup.start_us + np.arange(setup.samples) / setup.sample_rate_mhz
    return setup.ring_down_height * samples(setup.ring_down, time)


def _with_truth(setup: Setup, signals: Floats, each: list[Place], snr_db: Floats) -> Records:
    thickness = np.array([place.thickness_mm for place in each])
    films = [place.films[0].thickness_mm if place.films else 0.0 for place in each]
    return Records(
        codes=digitised(signals, full_scale=1.0, bits=setup.bits),
        sample_rate_mhz=setup.sample_rate_mhz,
        bits=setup.bits,
        start_us=np.full(thickness.size, setup.start_us),
        axis_mm=thickness,
        mean_mm=thickness.copy(),
        least_mm=thickness.copy(),
        x_mm=np.zeros(thickness.size),
        y_mm=np.zeros(thickness.size),
        columns={
            "path_mm": np.array([place.path_mm for place in each]),
            "film_mm": np.array(films),
            "coupling_db": np.array([20.0 * np.log10(place.height) for place in each]),
            "snr_db": snr_db,
        },
    )
