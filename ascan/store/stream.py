"""Measuring to a file: readings are written as they are made, never held in memory."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ascan.engine.channels import Calibrations, scan_pipelines, shared_by, walk_channels
from ascan.procedure.written import Procedure
from ascan.results.summary import Summary
from ascan.store.provenance import (
    PROVENANCE_VERSION,
    DigestingRows,
    array_digest,
    now,
    software,
)
from ascan.store.readings import csv_file, readings_file
from ascan.store.replacing import check_room
from ascan.waveform.scan import Progress, Scan


def measure_to_file(
    scan: Scan,
    procedure: Procedure,
    calibration: Calibrations,
    path: str | Path,
    *,
    csv: str | Path | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Summary:
    """Measure every waveform of a scan into an HDF5 file, a block at a time.

    Parameters
    ----------
    scan : Scan
        As for `ascan.measure`, and so are the next two and ``progress``.
    procedure : Procedure
        What is measured, and how.
    calibration : Calibration, or mapping of int to Calibration
        One, or one for each channel.
    path : str or Path
        Appears whole or not at all; its layout is described in the guide (files).
    csv : str or Path, optional
        Write the same readings there as CSV, too.
    replace : bool
        Whether existing files may be replaced.
    progress : callable, optional
        Called with (rows done, rows in all) after each block.

    Returns
    -------
    summary : Summary
        Counts and extremes; the readings are in the file (`ascan.load_readings`).

    Raises
    ------
    AscanError
        Calibration or recording do not fit the procedure, or the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from ascan.examples import plate_example
    >>> file = Path(tempfile.mkdtemp()) / "readings.h5"
    >>> print(measure_to_file(*plate_example(thickness_mm=8.0), file).lines()[0])
    1 waveforms: 1 usable, 0 usable with care, 0 not usable
    """
    pipelines = scan_pipelines(
        scan, procedure, calibration
    )  # nothing is written if one does not fit
    rows = DigestingRows(scan.rows)
    summary = Summary()
    with contextlib.ExitStack() as stack:
        table = stack.enter_context(csv_file(csv, replace=replace)) if csv else None
        file = stack.enter_context(readings_file(path, replace=replace))
        digesting = dataclasses.replace(scan, rows=rows)
        for done, columns in walk_channels(digesting, pipelines, progress):
            if done.start == 0:
                a_row = sum(column.dtype.itemsize for column in columns.values())
                check_room(path, a_row * len(scan))
            file.append(columns)
            summary.add(columns)
            if table is not None:
                table.append(columns)
        made_from = _provenance(scan, rows.digest.hexdigest(), procedure, calibration)
        file.finish(made_from | shared_by(procedure, pipelines))
    return summary


def _provenance(
    scan: Scan, sha256: str, procedure: Procedure, calibration: Calibrations
) -> dict[str, Any]:
    return {
        "provenance_version": PROVENANCE_VERSION,
        "made": now(),
        "software": software(),
        "procedure": procedure.text,
        "calibration": _calibrated(calibration),
        "signature": dict(procedure.signature(scan.recording)),
        "input": {
            "name": scan.name,
            "waveforms_sha256": sha256,
            "start_time_us_sha256": array_digest(scan.start_time_us),
            "rows": scan.shape[0],
            "samples": scan.shape[1],
            "recording": {
                key: value
                for key, value in dataclasses.asdict(scan.recording).items()
                if value not in (float("inf"), float("-inf"))
            },
        },
    }


def _calibrated(calibrations: Calibrations) -> dict[str, Any]:
    """Return all that a reading depends on, of one calibration or of each channel's."""
    if isinstance(calibrations, Mapping):
        return {str(channel): _calibrated(one) for channel, one in sorted(calibrations.items())}
    calibration = calibrations
    return {
        "digest": calibration.digest,
        "zero_us": calibration.zero_us,
        "velocity_mm_per_us": calibration.velocity_mm_per_us,
        "covariance": calibration.covariance.tolist(),
        "repeatability_us": calibration.repeatability_us,
        "lack_of_fit_us": calibration.lack_of_fit_us,
        "steps": {
            name: getattr(calibration.steps, name).tolist() for name in calibration.steps.__slots__
        },
        "conditions": dict(calibration.conditions),
        "health": dict(calibration.health),
    }
