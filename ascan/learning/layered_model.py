"""The model of layered records that an estimate makes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.learning.left_out import RecordFit, follows, record_fit
from ascan.learning.windows import Picked
from ascan.steps.models import LayeredModel, Spreading
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import LayeredFamily
from ascan.whole_record.layered_fit import ECHOES
from ascan.whole_record.learning import left_of
from ascan.whole_record.pulse import PulseBasis, own_stretch
from ascan.whole_record.stage import WHOLE_PERIODS
from ascan.whole_record.step_records import Estimate, Learned, Windows

NODES = 24
# The growth of echoes that so many readings stay below, told up to 12 dB.
USUAL_SHARE, MOST_GROWTH = 0.9, 4.0


class Heights(NamedTuple):
    """Usual heights of echoes.

    Attributes
    ----------
    front : float
        Of the interface echo.
    levels : ndarray, shape (echoes,)
        Of the wall's, the first 1.
    strength, decay : float
        First back-wall echo over the interface echo; each late one over the one before.
    """

    front: float
    levels: FloatArray
    strength: float
    decay: float


def _finished(
    basis: PulseBasis, learned: Learned, windows: Windows, picked: Picked, width: int
) -> RecordFit:
    """Return the part of a calibration that the estimate makes.

    ``width`` is of the windows that readings have.
    """
    estimate, records = learned.estimate, windows.records
    operator, rate = estimate.operator, basis.sample_rate_mhz
    usual = _usual_heights(estimate)
    strength = usual.strength
    way = 1.0 if strength >= 0.0 else -1.0
    front = estimate.pulses[0] @ basis.functions
    wall = way * estimate.pulses[1] @ basis.functions
    first, last = own_stretch(np.stack([front, wall]), basis.before, noise_share(learned, basis))
    picked_us = picked.time_us[picked.rows]
    start_us = picked.known.scan.start_time_us[picked.rows]
    place_us = (windows.begin + estimate.place) / rate + start_us
    nodes = np.geomspace(
        0.4 * float(records.known_mm.min()), 1.6 * float(records.known_mm.max()), NODES
    )
    node_u = _node_uncertainty(learned, windows, nodes, usual, width)
    model = LayeredModel(
        interface_pulse=front[first:last],
        wall_pulse=wall[first:last],
        zero_index=basis.before - first,
        wall_levels=usual.levels,
        strength=abs(strength),
        decay=usual.decay,
        growth=_growth(estimate),
        interface_scatter=_interface_scatter(learned, windows),
        usual_us=float(np.median(picked_us)),
        lag_us=float(np.median(place_us - picked_us)),
        spreading=Spreading(
            reflection_delay_us=operator.turn_us,
            attenuation_db_per_mm=operator.attenuation_db_per_mm,
            radius_mm=operator.radius_mm,
            path_mm2_per_us=operator.path_mm2_per_us,
            path_velocity_mm_per_us=operator.path_velocity_mm_per_us,
        ),
        thickness_mm=nodes,
        u_mm=node_u,
    )
    return record_fit(model, learned, windows.records, picked.used)


def _interface_scatter(learned: Learned, windows: Windows) -> float:
    """Return by how much interface echoes leave their pulse, noise apart, as a share of size."""
    # Imported where it is needed, as a tenth of what the whole package takes to load.
    from scipy.ndimage import maximum_filter1d

    estimate, records, basis = learned.estimate, windows.records, windows.frequencies.basis
    period = basis.sample_rate_mhz / basis.frequency_mhz
    size = maximum_filter1d(np.abs(estimate.pulses[0] @ basis.functions), 2 * int(0.5 * period) + 1)
    shares = []
    for row, place in enumerate(estimate.place):
        left = left_of(learned.family, estimate, records, row)
        first = int(np.rint(place)) - basis.before
        inside = np.zeros(left.size)
        low, high = max(first, 0), min(first + size.size, left.size)
        inside[low:high] = size[low - first : high - first]
        counts = records.weight[row] > 0.0
        under = counts & (inside > 0.1)
        beside = counts & (inside < 0.01)
        if under.sum() < 8 or beside.sum() < 8:
            continue
        beyond = np.mean(left[under] ** 2) - np.mean(left[beside] ** 2)
        shares.append(beyond / np.mean((estimate.heights[row][0] * inside[under]) ** 2))
    return float(np.sqrt(max(np.median(shares), 0.0))) if shares else 0.0


def noise_share(learned: Learned, basis: PulseBasis) -> float:
    """Return which part of the wall pulse's energy is noise that was learned with it."""
    functions = basis.functions
    last = learned.estimate.pulses.size
    inner = slice(last - len(functions), last)
    noise = float(np.sum((learned.covariance[inner, inner] @ functions) * functions))
    wall = learned.estimate.pulses[-1] @ functions
    return noise / float(wall @ wall)


def _usual_heights(estimate: Estimate) -> Heights:
    """Return the usual heights of echoes."""
    levels, decay = np.ones(ECHOES), 0.8
    for n in range(1, ECHOES):
        ratios = [
            heights[n + 1] / heights[n] for heights in estimate.heights if heights.size > n + 1
        ]
        if ratios:
            decay = float(np.clip(abs(np.median(ratios)), 0.2, 0.98))
        levels[n] = levels[n - 1] * decay
    strength = float(np.median([heights[1] / heights[0] for heights in estimate.heights]))
    front = float(np.median([heights[0] for heights in estimate.heights]))
    return Heights(front, levels, strength, decay)


def _growth(estimate: Estimate) -> float:
    """Return by how much a later back-wall echo exceeds its first one, as most readings have it.

    A gain that grows with time makes later echoes of thick walls the higher ones.
    """
    most = [np.abs(heights[1:] / heights[1]).max() for heights in estimate.heights]
    return float(np.clip(np.quantile(most, USUAL_SHARE), 1.0, MOST_GROWTH))


def _node_uncertainty(
    learned: Learned,
    windows: Windows,
    nodes: FloatArray,
    heights: Heights,
    width: int,
) -> FloatArray:
    """Return what the uncertainty of all that was learned does to the thickness of a clean wall."""
    estimate, frequencies = learned.estimate, Frequencies(windows.frequencies.basis, width)
    family = LayeredFamily(frequencies, learned.family.nominal)
    slowness, rate = estimate.operator.slowness_us_per_mm, frequencies.basis.sample_rate_mhz
    usual = float(np.median(windows.records.usual))
    period = rate / frequencies.basis.frequency_mhz
    out = np.empty(nodes.size)
    for k, thickness in enumerate(nodes):
        end = windows.frequencies.width
        # Only a wall that has no room ahead of the repeat is sought in a longer window.
        if usual + thickness * slowness * rate + WHOLE_PERIODS * period > end:
            end = width
        count = int(np.clip((end - period - usual) / (thickness * slowness * rate), 1, ECHOES))
        own = heights.strength * heights.levels[:count]
        sizes = heights.front * np.concatenate([[1.0], own])
        found = family.columns(estimate, usual, float(thickness), sizes, usual)
        weight = np.ones(width)
        weight[min(max(int(usual + (count + 1) * thickness * slowness * rate), 1), end) :] = 0.0
        gain = follows(found.own, found.thicker, weight) @ found.shared.T
        out[k] = np.sqrt(gain @ learned.covariance @ gain)
    return out
