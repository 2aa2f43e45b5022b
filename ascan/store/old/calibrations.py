"""Calibrations of format 1, as those of today: other names, values of steps instead of one for all.

A calibration keeps the digest that it was written under: readings, joined scans and series of
checks know it by that.
"""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import h5py
import numpy as np

from ascan.calibration.fit import Fit
from ascan.calibration.record import Calibration
from ascan.checks.cycle_uncertain import CYCLE_OFFSET
from ascan.checks.first_interval import EXCESS
from ascan.checks.followers import AFTER_PEAK
from ascan.checks.interface_shifted import INTERFACE_TIME
from ascan.checks.missing_second import SECOND_RATIO
from ascan.checks.multiples import BETWEEN_MULTIPLES
from ascan.checks.second_echo import SECOND_DELAY
from ascan.checks.shape_mismatch import SHAPE_RESIDUAL
from ascan.checks.unexpected_echo import ADJACENT_PEAKS, BEFORE_PEAK
from ascan.checks.weak_echo import RELATIVE_AMPLITUDE
from ascan.engine.readers.dual import RECORD_RESIDUAL
from ascan.engine.taught import AMPLITUDE_RANGE, ARRIVAL_RATIO
from ascan.kernels.arrays import FloatArray
from ascan.steps.learned_value import Kind, LearnedValue
from ascan.steps.means import Steps
from ascan.steps.models import ApertureModel, FirstArrivals, LayeredModel, Spreading
from ascan.steps.table import table_in_fit
from ascan.store import schema
from ascan.store.old.digests import APERTURE, DUAL, FOUND, LAYERED, STEPS, digests_of
from ascan.timing.gating import in_words_of_today
from ascan.waveform.template import Template

SCALARS = (
    "zero_us", "velocity_mm_per_us", "repeatability_us", "lack_of_fit_us", "fitted_zero_us",
    "u_fitted_zero_us",
)  # fmt: skip
LEARNED: dict[str, LearnedValue] = {
    "lags_us": CYCLE_OFFSET,
    "heights": AMPLITUDE_RANGE,
    "arrivals_us": INTERFACE_TIME,
    "beside": ADJACENT_PEAKS,
    "misfits": SHAPE_RESIDUAL,
    "strengths": RELATIVE_AMPLITUDE,
    "followers": AFTER_PEAK,
    "leads_us": EXCESS,
    "shares": ARRIVAL_RATIO,
    "lefts": RECORD_RESIDUAL,
    "seconds": SECOND_RATIO,
    "second_late_us": SECOND_DELAY,
    "others": BETWEEN_MULTIPLES,
    "aheads": BEFORE_PEAK,
}


def read_old(group: h5py.Group, place: str) -> Calibration:
    """Return the calibration of format 1 in a group, checked against its digest."""
    scalars = {name: float(schema.dataset(group, name, place)[()]) for name in SCALARS}
    covariance = np.asarray(schema.dataset(group, "covariance", place)[...], np.float64)
    kept = schema.subgroup(group, "steps", place)
    steps = Steps(**{name: schema.read_column(schema.dataset(kept, name, place)) for name in STEPS})
    texts = {
        name: json.loads(schema.attribute(group, name, place))
        for name in ("health", "signature", "conditions")
    }
    digest = schema.attribute(group, "digest", place)
    texts["signature"] = _in_words_of_today(texts["signature"])
    parts = _parts(group, place)
    if digest not in digests_of(group):
        raise schema.changed(group, place)
    calibration = Calibration(
        fit=Fit(covariance=covariance, **scalars),
        steps=steps,
        table=table_in_fit(steps),
        learned=_learned(group, steps.thickness_mm.size),
        **parts,
        **texts,
    )
    return dataclasses.replace(calibration, written_as={calibration.digest: digest})


def _in_words_of_today(signature: dict[str, Any]) -> dict[str, Any]:
    """Return a signature with the keys and words of today."""
    echoes = {}
    for name, gate in signature.get("echoes", {}).items():
        own = in_words_of_today(gate, name)
        if "against" in own:
            own["against"] = in_words_of_today(own["against"], name)
        echoes[name] = own
    return signature | {"echoes": echoes}


def _parts(group: h5py.Group, place: str) -> dict[str, Any]:
    """Return what not every calibration has."""
    return {
        key: read(schema.subgroup(group, name, place), place)
        for name, key, read in (
            ("dual", "arrivals", _arrivals),
            ("whole_record", "record_model", _model),
            ("templates", "templates", _templates),
            ("witness", "second", read_old),
        )
        if name in group
    }


def _learned(group: h5py.Group, steps: int) -> dict[LearnedValue, dict[str, FloatArray]]:
    """Return what the steps taught, by gate."""
    found = {}
    for name in FOUND:
        by_gate = json.loads(group.attrs.get(name, "{}"))
        if by_gate:
            value = LEARNED[name]
            found[value] = {gate: _laid_out(value, each, steps) for gate, each in by_gate.items()}
    if ADJACENT_PEAKS in found and BEFORE_PEAK not in found:
        # Before 1.7: the most over all steps.
        most = found[ADJACENT_PEAKS].items()
        found[BEFORE_PEAK] = {gate: np.full(steps, pair[0]) for gate, pair in most}
    return found


def _laid_out(value: LearnedValue, found: float | list[float], steps: int) -> FloatArray:
    """Return a value as its kind is laid out; some were kept for fewer steps than all."""
    array = np.array(found, np.float64)
    if value.kind is not Kind.PER_STEP:
        return array
    if array.size == steps:
        return array.reshape(steps)
    out = np.full(steps, np.nan)
    if array.size == 1:
        # Format 1.4 kept one number for all steps.
        out[:] = array
    else:
        # Before 1.6: those of the first and the last step.
        out[[0, -1]] = array
    return out


def _arrivals(group: h5py.Group, place: str) -> FirstArrivals:
    arrays = {
        name: np.asarray(schema.dataset(group, name, place)[...], np.float64) for name in DUAL
    }
    return FirstArrivals(
        path=str(schema.attribute(group, "model", place)),
        half_separation_mm=float(schema.attribute(group, "half_separation_mm", place)),
        polarity=int(schema.attribute(group, "polarity", place)),
        zero_index=int(schema.attribute(group, "before", place)),
        shapes=arrays.pop("heads"),
        arrival_us=arrays.pop("heads_us"),
        **arrays,
    )


def _model(group: h5py.Group, place: str) -> LayeredModel | ApertureModel:
    dual = "values" in group
    arrays = {
        name: np.asarray(schema.dataset(group, name, place)[...], np.float64)
        for name in (APERTURE if dual else LAYERED)
    }

    def number(name: str) -> float:
        return float(schema.attribute(group, name, place))

    if dual:
        return ApertureModel(
            pulse=arrays["pulse"],
            zero_index=int(number("before")),
            values=arrays["values"],
            width_mm=number("width_mm"),
            length_mm=number("length_mm"),
            thickness_mm=arrays["thickness_mm"],
            u_mm=arrays["u_mm"],
        )
    # Format 1.2 did not know how far interface echoes scatter: each counts as the learned one.
    scatter = number("front_scatter") if "front_scatter" in group.attrs else 0.0
    return LayeredModel(
        interface_pulse=arrays["front"],
        wall_pulse=arrays["wall"],
        zero_index=int(number("before")),
        wall_levels=arrays["levels"],
        strength=number("strength"),
        decay=number("decay"),
        interface_scatter=scatter,
        usual_us=number("usual_us"),
        lag_us=number("lag_us"),
        spreading=Spreading(
            reflection_delay_us=number("turn_us"),
            attenuation_db_per_mm=number("attenuation_db_per_mm"),
            radius_mm=number("radius_mm"),
            path_mm2_per_us=number("path_mm2_per_us"),
            path_velocity_mm_per_us=number("path_velocity_mm_per_us"),
        ),
        second_trip=np.asarray(group.attrs.get("repeat", ()), np.float64),
        thickness_mm=arrays["thickness_mm"],
        u_mm=arrays["u_mm"],
    )


def _templates(group: h5py.Group, place: str) -> dict[str, Template]:
    out = {}
    for gate in group:
        item = schema.dataset(group, gate, place)
        out[str(gate)] = Template(
            np.asarray(item[...], np.float64),
            echoes=int(schema.attribute(item, "echoes", place)),
            scatter=float(schema.attribute(item, "scatter", place)),
            drift=np.asarray(item.attrs.get("drift", ()), np.float64),
        )
    return out
