"""Rasters of records over corroded ground, and step blocks, by the physics of `kirchhoff`.

What an hour at a plant adds is added: a probe that is not quite where the encoder says, lines that
were not scanned, places without couplant, couplant of uneven thickness, another gain from a line
on, an interface echo that drifts, noise and a digitiser. Truth is taken where the probe really was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from physics.grounds import Ground, flat
from physics.kirchhoff import Probe, response, signals
from physics.records import Records, digitised

Floats = NDArray[np.float64]
ORDERS = (1, 2, 3)
# In units of a plane wave wholly reflected: the transmit pulse, and what of the surface's echo the
# element sends down the line again. Chosen, not derived.
TRANSMITTED, SENT_AGAIN = 1.5, 0.5


@dataclass(frozen=True, slots=True)
class Digitiser:
    """How a waveform becomes codes.

    ``snr_db`` is the peak of the echo of an even wall of ``reference_mm`` over the noise's standard
    deviation; the larger of that echo and the surface's reaches ``top`` of full scale.
    """

    sample_rate_mhz: float = 100.0
    samples: int = 2400
    bits: int = 12
    snr_db: float = 40.0
    reference_mm: float = 8.0
    top: float = 0.6


@dataclass(frozen=True, slots=True)
class Scanning:
    """How a ground is scanned; the raster's middle is (0, 0).

    ``jitter_mm``, ``drift_us`` and ``coupling`` (of the logarithm of an echo's height) are standard
    deviations; ``missing`` and ``uncoupled`` are shares of lines and of places. ``beam_mm`` is the
    diameter of the −6 dB beam that the truth is taken under.
    """

    columns: int = 20
    rows: int = 20
    pitch_mm: float = 1.8
    beam_mm: float = 2.7
    jitter_mm: float = 0.1
    missing: float = 0.05
    uncoupled: float = 0.03
    coupling: float = 0.1
    drift_us: float = 0.003
    gain_change_db: float = -4.0


@dataclass(frozen=True, eq=False, slots=True)
class Contact:
    """What befalls each waveform, shape (n,): echo height, drift, gain; whether it is coupled."""

    height: Floats
    late_us: Floats
    gain_db: Floats
    coupled: NDArray[np.bool_]


def wall_echoes(
    ground: Ground, probe: Probe, places_mm: Floats, time_us: Floats, late_us: Floats
) -> Floats:
    """Return the first three back-wall echoes at places (n, 2), without noise, shape (n, samples).

    Heights are in units of a plane wave wholly reflected; an even wall's first echo is negative.
    """
    out = np.zeros((len(places_mm), time_us.size))
    for order in ORDERS:
        found = response(ground, probe, places_mm, order)
        out += probe.height(order) * signals(found, probe, time_us, late_us)
    return out


def other_echoes(probe: Probe, time_us: Floats, contact: Contact) -> Floats:
    """Return transmit pulse, surface echo and its repeat: plain copies of the pulse.

    Without couplant all comes back from the end of the line, with the other sign.
    """
    sent = TRANSMITTED * probe.pulse(time_us - probe.delay_us)
    out = np.repeat(sent[None, :], contact.height.size, axis=0)
    if probe.path_mm > 0.0:
        back = np.where(contact.coupled, probe.reflected, -1.0)[:, None]
        path_us = probe.surface_us - probe.delay_us
        for trip in (1, 2):
            off = time_us[None, :] - probe.delay_us - trip * (path_us + contact.late_us[:, None])
            out += back**trip * SENT_AGAIN ** (trip - 1) * probe.pulse(off)
    return out


def codes(
    walls: Floats, probe: Probe, digitiser: Digitiser, contact: Contact, seed: int
) -> NDArray[np.int16]:
    """Return what the digitiser gives for wall echoes (n, samples)."""
    time = np.arange(digitiser.samples) / digitiser.sample_rate_mhz
    even, none = flat(digitiser.reference_mm, 12.0), np.zeros(1)
    alone = response(even, probe, np.zeros((1, 2)))
    wall = abs(probe.height(1)) * float(np.abs(signals(alone, probe, time, none)).max())
    highest = max(wall, probe.reflected if probe.path_mm > 0.0 else 0.0)
    noise = np.random.default_rng(seed).standard_normal(walls.shape)
    height = np.where(contact.coupled, contact.height, 0.0)[:, None]
    signal = walls * height + other_echoes(probe, time, contact)
    signal += wall * 10.0 ** (-digitiser.snr_db / 20.0) * noise
    signal *= 10.0 ** (contact.gain_db[:, None] / 20.0)
    return digitised(signal, full_scale=highest / digitiser.top, bits=digitiser.bits)


def _scanned(scanning: Scanning, rng: np.random.Generator) -> tuple[Floats, Floats, Contact]:
    """Return x and y as the encoder gives them, and what befalls each waveform."""
    across = scanning.pitch_mm * (
        np.arange(scanning.columns, dtype=np.float64) - 0.5 * (scanning.columns - 1)
    )
    along = scanning.pitch_mm * (np.arange(scanning.rows) - 0.5 * (scanning.rows - 1))
    changed = rng.integers(scanning.rows // 4, max(3 * scanning.rows // 4, 1) + 1)
    kept = rng.random(scanning.rows) >= scanning.missing
    line = np.repeat(np.flatnonzero(kept), scanning.columns)
    x, y = np.tile(across, int(kept.sum())), along[line]
    # The line warms and cools slowly: a walk whose last step is one ``drift_us`` off.
    wander = np.cumsum(rng.standard_normal(x.size)) / math.sqrt(max(x.size, 1))
    contact = Contact(
        height=np.exp(scanning.coupling * rng.standard_normal(x.size)),
        late_us=scanning.drift_us * wander,
        gain_db=np.where(line >= changed, scanning.gain_change_db, 0.0),
        coupled=rng.random(x.size) >= scanning.uncoupled,
    )
    return x, np.asarray(y), contact


def raster(
    ground: Ground, probe: Probe, scanning: Scanning, digitiser: Digitiser, seed: int
) -> Records:
    """Return a raster over a ground, with the truth beneath each place the probe was at.

    Columns: ``gain_db``, and ``coupled`` (1 or 0). The ground must reach some 11 mm beyond.
    """
    rng = np.random.default_rng(seed)
    x, y, contact = _scanned(scanning, rng)
    true_x = x + scanning.jitter_mm * rng.standard_normal(x.size)
    true_y = y + scanning.jitter_mm * rng.standard_normal(x.size)
    time = np.arange(digitiser.samples) / digitiser.sample_rate_mhz
    walls = wall_echoes(ground, probe, np.column_stack([true_x, true_y]), time, contact.late_us)
    return Records(
        codes=codes(walls, probe, digitiser, contact, seed + 1),
        sample_rate_mhz=digitiser.sample_rate_mhz,
        bits=digitiser.bits,
        start_us=np.zeros(x.size),
        axis_mm=ground.axis_mm(true_x, true_y),
        mean_mm=ground.mean_mm(true_x, true_y, scanning.beam_mm),
        least_mm=ground.least_mm(true_x, true_y, scanning.beam_mm),
        truth_u_mm=ground.truth_u_mm,
        x_mm=x,
        y_mm=y,
        columns={"gain_db": contact.gain_db, "coupled": contact.coupled.astype(np.float64)},
    )


def steps(
    thicknesses_mm: tuple[float, ...], readings: int, probe: Probe, digitiser: Digitiser, seed: int
) -> Records:
    """Return a step block: each even wall ``readings`` times, well coupled, by the same physics."""
    time, none = np.arange(digitiser.samples) / digitiser.sample_rate_mhz, np.zeros(1)
    middle = np.zeros((1, 2))
    one = [wall_echoes(flat(each, 12.0), probe, middle, time, none)[0] for each in thicknesses_mm]
    walls = np.repeat(np.array(one), readings, axis=0)
    rng, count = np.random.default_rng(seed), len(walls)
    contact = Contact(
        height=np.exp(0.02 * rng.standard_normal(count)),
        late_us=np.zeros(count),
        gain_db=np.zeros(count),
        coupled=np.ones(count, dtype=np.bool_),
    )
    truth = np.repeat(np.array(thicknesses_mm), readings)
    return Records(
        codes=codes(walls, probe, digitiser, contact, seed + 1),
        sample_rate_mhz=digitiser.sample_rate_mhz,
        bits=digitiser.bits,
        start_us=np.zeros(count),
        axis_mm=truth,
        mean_mm=truth,
        least_mm=truth,
        columns={"gain_db": contact.gain_db, "coupled": np.ones(count)},
    )
