"""Calibrations on disk: all that a reading depends on, in HDF5."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.calibration.fit import Fit
from ascan.calibration.record import Calibration, check_calibration
from ascan.kernels.arrays import FloatArray
from ascan.steps.learned_value import Kind, LearnedValue, LearnedValues
from ascan.steps.means import Steps
from ascan.steps.models import ApertureModel, FirstArrivals, LayeredModel
from ascan.steps.table import StepTable
from ascan.store import schema
from ascan.store.fields import read_fields, write_fields
from ascan.store.old.calibrations import read_old
from ascan.store.provenance import writer
from ascan.store.replacing import whole_file
from ascan.waveform.template import Template

TEXTS = ("health", "signature", "conditions", "written_as")
MODELS: dict[str, type] = {"layered": LayeredModel, "aperture": ApertureModel}


def save_calibration(calibration: Calibration, path: str | Path, *, replace: bool = False) -> None:
    """Write a calibration to HDF5.

    Parameters
    ----------
    calibration : Calibration
        As `ascan.calibrate` returned it.
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
    check_calibration(calibration)
    with whole_file(path, replace=replace) as part, h5py.File(part, "w") as file:
        schema.stamp(file, schema.CALIBRATION, writer())
        _write(file, calibration)


def load_calibration(path: str | Path) -> Calibration:
    """Read a calibration.

    Parameters
    ----------
    path : str or Path
        Of a calibration that `ascan.save_calibration` wrote, in any version.

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
        if schema.version_of(file) < (2, 0):
            return read_old(file, place)
        return _read(file, place)


def _write(group: h5py.Group, calibration: Calibration) -> None:
    """Write a calibration into a group."""
    for name, part in (
        ("fit", calibration.fit),
        ("steps", calibration.steps),
        ("table", calibration.table),
        ("arrivals", calibration.arrivals),
        ("record_model", calibration.record_model),
    ):
        if part is not None:
            write_fields(group.create_group(name), part)
    if calibration.record_model is not None:
        kind = next(k for k, each in MODELS.items() if isinstance(calibration.record_model, each))
        group["record_model"].attrs["kind"] = kind
    for gate, template in calibration.templates.items():
        write_fields(group.create_group(f"templates/{gate}"), template)
    for value, by_gate in calibration.learned.items():
        _write_learned(group.create_group(f"learned/{value.name}"), value, by_gate)
    if calibration.second is not None:
        _write(group.create_group("second"), calibration.second)
    for name in TEXTS:
        group.attrs[name] = json.dumps(dict(getattr(calibration, name)), sort_keys=True)
    group.attrs["digest"] = calibration.digest
    schema.seal(group, {name: group.attrs[name] for name in TEXTS})


def _write_learned(
    group: h5py.Group, value: LearnedValue, by_gate: dict[str, FloatArray] | Any
) -> None:
    """Write a learned value: a dataset for each gate."""
    group.attrs.update(
        {"layout": value.kind.value, "units": value.unit, "long_name": value.meaning}
    )
    for gate, found in by_gate.items():
        item = group.create_dataset(gate, data=found)
        item.attrs.update({"units": value.unit, "long_name": value.meaning})


def _read(group: h5py.Group, place: str) -> Calibration:
    """Return the calibration in a group, checked against its digest."""
    written = {name: schema.attribute(group, name, place) for name in TEXTS}
    schema.check_seal(group, place, written)
    texts = {name: json.loads(text) for name, text in written.items()}
    calibration = Calibration(
        fit=read_fields(Fit, schema.subgroup(group, "fit", place), place),
        steps=read_fields(Steps, schema.subgroup(group, "steps", place), place),
        table=read_fields(StepTable, schema.subgroup(group, "table", place), place),
        **_read_parts(group, place),
        **texts,
    )
    if calibration.digest != schema.attribute(group, "digest", place):
        raise schema.changed(group, place)
    return calibration


def _read_parts(group: h5py.Group, place: str) -> dict[str, Any]:
    """Return what not every calibration has."""
    parts: dict[str, Any] = {}
    if "arrivals" in group:
        own = schema.subgroup(group, "arrivals", place)
        parts["arrivals"] = read_fields(FirstArrivals, own, place)
    if "record_model" in group:
        own = schema.subgroup(group, "record_model", place)
        kind = schema.attribute(own, "kind", place)
        if kind not in MODELS:
            raise fault(f"{place}: record_model", f"is of kind '{kind}'", allowed=", ".join(MODELS))
        parts["record_model"] = read_fields(MODELS[kind], own, place)
    if "templates" in group:
        own = schema.subgroup(group, "templates", place)
        parts["templates"] = {
            str(gate): read_fields(Template, schema.subgroup(own, gate, place), place)
            for gate in own
        }
    if "learned" in group:
        parts["learned"] = _read_learned(schema.subgroup(group, "learned", place), place)
    if "second" in group:
        parts["second"] = _read(schema.subgroup(group, "second", place), place)
    return parts


def _read_learned(group: h5py.Group, place: str) -> LearnedValues:
    """Return all learned values in a group."""
    found = {}
    for name in group:
        own = schema.subgroup(group, name, place)
        value = LearnedValue(
            name=str(name),
            kind=Kind(schema.attribute(own, "layout", place)),
            unit=str(schema.attribute(own, "units", place)),
            meaning=str(schema.attribute(own, "long_name", place)),
        )
        found[value] = {
            str(gate): np.asarray(schema.dataset(own, gate, place)[...], np.float64) for gate in own
        }
    return found
