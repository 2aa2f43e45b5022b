"""Calibrations on disk: all that a reading depends on, in HDF5."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.base.errors import fault
from ascan.calibration.record import FOUND, Calibration, Steps, plain
from ascan.steps.parts import (
    APERTURE_ARRAYS,
    APERTURE_NUMBERS,
    DUAL_ARRAYS,
    RECORD_ARRAYS,
    RECORD_NUMBERS,
    AperturePart,
    DualPart,
    RecordPart,
    names_of,
)
from ascan.store import schema
from ascan.store.old.digests import digests_of
from ascan.store.provenance import writer
from ascan.store.replacing import whole_file
from ascan.waveform.template import Template

SCALARS = {
    "zero_us": ("us", "zero offset"),
    "velocity_mm_per_us": ("mm/us", "velocity"),
    "repeatability_us": ("us", "spread of repeated readings beyond noise"),
    "lack_of_fit_us": ("us", "spread of the steps beyond block and timing"),
    "fitted_zero_us": ("us", "zero offset a free fit would give"),
    "u_fitted_zero_us": ("us", "its standard uncertainty"),
}
DUAL_UNITS = {
    "thickness_mm": ("mm", "thickness at the curve's nodes"),
    "time_us": ("us", "calibrated time of a wall"),
    "u_time_us": ("us", "its standard uncertainty, common to all readings"),
    "second_us": ("us", "by how much the second echo comes later"),
    "heads": ("1", "learned head of the echo on each step"),
    "heads_us": ("us", "when they arrived"),
    "cross_talk": ("us, 1", "times, and the fraction of full scale an arrival must exceed"),
}
RECORD_UNITS = {
    "front": ("1", "pulse of the surface echo"),
    "wall": ("1", "pulse of the wall echoes"),
    "pulse": ("1", "pulse of every echo"),
    "values": (
        "us/mm, mm, deg, mm, mm/us, 1, dB/mm",
        "slowness there and back, wedge height, roof, element gap, wedge velocity, transverse "
        "against longitudinal velocity, attenuation",
    ),
    "levels": ("1", "usual heights of the wall echoes, the first one's 1"),
    "thickness_mm": ("mm", "thickness at the nodes of u_mm"),
    "u_mm": ("mm", "what the calibration's own uncertainty makes of a reading"),
}
STEP_COLUMNS = {
    "thickness_mm": ("mm", "certified thickness"),
    "u_thickness_mm": ("mm", "its standard uncertainty"),
    "interval_us": ("us", "mean interval"),
    "u_interval_us": ("us", "its random standard uncertainty"),
    "readings": ("1", "readings the mean is of"),
    "residual_mm": ("mm", "calibrated thickness minus certified thickness"),
}


def save_calibration(calibration: Calibration, path: str | Path, *, replace: bool = False) -> None:
    """Write a calibration to HDF5.

    Parameters
    ----------
    calibration : Calibration
    path : str or Path
        Appears whole or not at all.
    replace : bool
        Whether an existing file may be replaced.

    Raises
    ------
    AscanError
        The file exists, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from ascan.examples import plate_example
    >>> _, _, calibration = plate_example(thickness_mm=8.0)
    >>> file = Path(tempfile.mkdtemp()) / "calibration.h5"
    >>> save_calibration(calibration, file)
    >>> save_calibration(calibration, file, replace=True)
    """
    with whole_file(path, replace=replace) as part, h5py.File(part, "w") as file:
        schema.stamp(file, schema.CALIBRATION, writer())
        _write(file, calibration)


def _write(group: h5py.Group, calibration: Calibration) -> None:
    for name, (unit, meaning) in SCALARS.items():
        item = group.create_dataset(name, data=getattr(calibration, name))
        item.attrs.update({"units": unit, "long_name": meaning})
    covariance = group.create_dataset("covariance", data=calibration.covariance)
    covariance.attrs["units"] = "us, mm/us"
    covariance.attrs["long_name"] = "covariance of zero_us and velocity_mm_per_us"
    steps = group.create_group("steps")
    for name, (unit, meaning) in STEP_COLUMNS.items():
        schema.write_column(steps, name, getattr(calibration.steps, name), unit, meaning)
    if calibration.dual is not None:
        _write_dual(group.create_group("dual"), calibration.dual)
    if calibration.whole is not None:
        _write_whole(group.create_group("whole_record"), calibration.whole)
    for name, template in calibration.templates.items():
        _write_template(group.require_group("templates"), name, template)
    if calibration.witness is not None:
        _write(group.create_group("witness"), calibration.witness)
    for name in FOUND:
        if found := getattr(calibration, name):
            group.attrs[name] = json.dumps(plain(found), sort_keys=True)
    for name in ("health", "signature", "conditions", "written_as"):
        group.attrs[name] = json.dumps(dict(getattr(calibration, name)), sort_keys=True)
    group.attrs["digest"] = calibration.digest


def _write_dual(group: h5py.Group, dual: DualPart) -> None:
    for name, (unit, meaning) in DUAL_UNITS.items():
        item = group.create_dataset(name, data=getattr(dual, name))
        item.attrs.update({"units": unit, "long_name": meaning})
    for name in ("model", "half_separation_mm", "polarity", "before"):
        group.attrs[name] = getattr(dual, name)


def _write_whole(group: h5py.Group, whole: RecordPart | AperturePart) -> None:
    arrays, numbers = names_of(whole)
    for name in arrays:
        unit, meaning = RECORD_UNITS[name]
        item = group.create_dataset(name, data=getattr(whole, name))
        item.attrs.update({"units": unit, "long_name": meaning})
    for name in numbers:
        group.attrs[name] = getattr(whole, name)
    if isinstance(whole, RecordPart) and whole.repeat.size:
        group.attrs["repeat"] = whole.repeat


def _read_whole(group: h5py.Group, place: str) -> RecordPart | AperturePart:
    dual = "values" in group
    parts: dict[str, Any] = {
        name: np.asarray(schema.dataset(group, name, place)[...], np.float64)
        for name in (APERTURE_ARRAYS if dual else RECORD_ARRAYS)
    }
    for name in APERTURE_NUMBERS if dual else RECORD_NUMBERS:
        # Format 1.2 did not know how far surface echoes scatter: each counts as the learned one.
        known = name in group.attrs or name != "front_scatter"
        parts[name] = float(schema.attribute(group, name, place)) if known else 0.0
    parts["before"] = int(parts["before"])
    if dual:
        return AperturePart(**parts)
    return RecordPart(**parts, repeat=np.asarray(group.attrs.get("repeat", ()), np.float64))


def _write_template(group: h5py.Group, gate: str, template: Template) -> None:
    item = group.create_dataset(gate, data=template.samples)
    item.attrs.update({"units": "1", "long_name": "what an echo of this gate looks like"})
    item.attrs.update({"echoes": template.echoes, "scatter": template.scatter})
    if template.drift.any():
        item.attrs["drift"] = template.drift


def _read_templates(group: h5py.Group, place: str) -> dict[str, Template]:
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


def _read_dual(group: h5py.Group, place: str) -> DualPart:
    arrays = {
        name: np.asarray(schema.dataset(group, name, place)[...], np.float64)
        for name in DUAL_ARRAYS
    }
    return DualPart(
        model=str(schema.attribute(group, "model", place)),
        half_separation_mm=float(schema.attribute(group, "half_separation_mm", place)),
        polarity=int(schema.attribute(group, "polarity", place)),
        before=int(schema.attribute(group, "before", place)),
        **arrays,
    )


def load_calibration(path: str | Path) -> Calibration:
    """Read a calibration.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    calibration : Calibration

    Raises
    ------
    AscanError
        Not a calibration file, incomplete, or changed since it was written.

    Examples
    --------
    >>> import tempfile
    >>> from ascan.examples import plate_example
    >>> _, _, calibration = plate_example(thickness_mm=8.0)
    >>> file = Path(tempfile.mkdtemp()) / "calibration.h5"
    >>> save_calibration(calibration, file)
    >>> load_calibration(file).digest == calibration.digest
    True
    """
    place = str(path)
    with schema.opened(path, schema.CALIBRATION) as file:
        return _read(file, place)


def _values(found: Any, name: str) -> Any:
    """Return what was found for one gate; format 1.4 kept one number for all steps."""
    if isinstance(found, list):
        return tuple(found)
    return found if name == "lags_us" else (found,)


def _read(group: h5py.Group, place: str) -> Calibration:
    """Return the calibration in a group, checked against its digest."""
    scalars: dict[str, Any] = {
        name: float(schema.dataset(group, name, place)[()]) for name in SCALARS
    }
    covariance = np.asarray(schema.dataset(group, "covariance", place)[...], np.float64)
    kept = schema.subgroup(group, "steps", place)
    steps = Steps(
        **{name: schema.read_column(schema.dataset(kept, name, place)) for name in STEP_COLUMNS}
    )
    texts = {
        name: json.loads(schema.attribute(group, name, place))
        for name in ("health", "signature", "conditions")
    }
    digest = schema.attribute(group, "digest", place)
    parts: dict[str, Any] = {"written_as": json.loads(group.attrs.get("written_as", "{}"))}
    for name in FOUND:
        found = json.loads(group.attrs.get(name, "{}"))
        parts[name] = {gate: _values(value, name) for gate, value in found.items()}
    for name, key, read in (
        ("dual", "dual", _read_dual),
        ("whole_record", "whole", _read_whole),
        ("templates", "templates", _read_templates),
        ("witness", "witness", _read),
    ):
        if name in group:
            parts[key] = read(schema.subgroup(group, name, place), place)
    calibration = Calibration(covariance=covariance, steps=steps, **parts, **scalars, **texts)
    if calibration.digest != digest and digest in digests_of(group):
        # Readings, joined scans and series of checks know it by the formula of its day.
        calibration = replace(calibration, written_as={calibration.digest: digest})
    if calibration.digest != digest:
        if tuple(group.file.attrs["format_version"]) > schema.VERSION:
            raise fault(place, "holds more than this engine knows of", remedy="update ascan")
        raise fault(place, "was changed since it was written", remedy="calibrate anew")
    return calibration
