"""Digests of calibrations of format 1, by the formulas of their day; frozen.

They are taken from what stands in the file, so that no later change of the code moves them. Within
format 1 the formula grew twice: the first calibrations left their health out, and whole records
of 1.2 did not know how far surface echoes scatter.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

import h5py

STEPS = (
    "thickness_mm", "u_thickness_mm", "interval_us", "u_interval_us", "readings", "residual_mm",
)  # fmt: skip
DUAL = ("thickness_mm", "time_us", "u_time_us", "second_us", "heads", "heads_us", "cross_talk")
LAYERED = ("front", "wall", "levels", "thickness_mm", "u_mm")
LAYERED_NUMBERS = (
    "before", "strength", "decay", "front_scatter", "usual_us", "lag_us", "turn_us",
    "attenuation_db_per_mm", "radius_mm", "path_mm2_per_us", "path_velocity_mm_per_us",
)  # fmt: skip
APERTURE = ("pulse", "values", "thickness_mm", "u_mm")
APERTURE_NUMBERS = ("before", "width_mm", "length_mm")
FOUND = (
    "lags_us", "heights", "arrivals_us", "beside", "misfits", "strengths", "followers", "leads_us",
    "shares", "lefts", "seconds", "second_late_us", "others", "aheads",
)  # fmt: skip


def digests_of(group: h5py.Group) -> set[str]:
    """Return what the digest of a calibration of format 1 may be, by every formula it had."""
    parts = _parts(group)
    without_health = parts[:3] + parts[4:]
    return {_sha256(parts), _sha256(without_health)}


def _sha256(parts: list[Any]) -> str:
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _parts(group: h5py.Group) -> list[Any]:
    numbers = [float(group[name][()]) for name in ("zero_us", "velocity_mm_per_us")]
    numbers += group["covariance"][...].ravel().tolist()
    numbers += [float(group[name][()]) for name in ("repeatability_us", "lack_of_fit_us")]
    steps = {name: group["steps"][name][...].tolist() for name in STEPS}
    parts = [numbers, steps, *(json.loads(group.attrs[name]) for name in ("signature", "health"))]
    if "dual" in group:
        dual = group["dual"]
        parts += [[dual[name][...].tolist() for name in DUAL], str(dual.attrs["model"])]
        parts += [int(dual.attrs["polarity"]), int(dual.attrs["before"])]
        parts.append(repr(float(dual.attrs["half_separation_mm"])))
    if "whole_record" in group:
        parts += _whole(group["whole_record"])
    for name in sorted(group.get("templates", ())):
        parts += _template(str(name), group["templates"][name])
    if "witness" in group:
        parts.append(str(group["witness"].attrs["digest"]))
    found = (json.loads(group.attrs.get(name, "{}")) for name in FOUND)
    return parts + [each for each in found if each]


def _whole(whole: h5py.Group) -> list[Any]:
    aperture = "values" in whole
    arrays, numbers = (APERTURE, APERTURE_NUMBERS) if aperture else (LAYERED, LAYERED_NUMBERS)
    parts: list[Any] = [whole[name][...].tolist() for name in arrays]
    for name in numbers:
        if name in whole.attrs:
            value = whole.attrs[name]
            parts.append(repr(int(value) if name == "before" else float(value)))
    if len(whole.attrs.get("repeat", ())):
        parts.append(whole.attrs["repeat"].tolist())
    return parts


def _template(name: str, item: h5py.Dataset) -> list[Any]:
    parts = [name, item[...].tolist(), int(item.attrs["echoes"]), float(item.attrs["scatter"])]
    drift = item.attrs.get("drift")
    return parts if drift is None else [*parts, drift.tolist()]
