"""Wall thickness with its uncertainty from raw ultrasonic waveforms (A-scans).

The names below are loaded when they are first used, so that importing the package is light.

Examples
--------
>>> import ascan
>>> from ascan.examples import plate_example
>>> scan, procedure, calibration = plate_example(thickness_mm=8.0)
>>> readings = ascan.measure(scan, procedure, calibration)
>>> print(readings[0])
8.000 mm, u 0.009 mm on the block, 0.040 mm of this component
"""

import importlib

_HOMES = {
    "AscanError": "ascan.base.errors",
    "Calibration": "ascan.calibration.record",
    "CalibrationError": "ascan.base.errors",
    "FileError": "ascan.base.errors",
    "Flag": "ascan.base.flags",
    "ForeignLayout": "ascan.store.foreign_layout",
    "InputError": "ascan.base.errors",
    "LimitError": "ascan.base.errors",
    "Procedure": "ascan.procedure.written",
    "ProcedureError": "ascan.base.errors",
    "Readings": "ascan.results.readings",
    "Scan": "ascan.waveform.scan",
    "Wishes": "ascan.drafting.wishes",
    "calibrate": "ascan.learning.calibrating",
    "draft_procedure": "ascan.drafting.drafting",
    "load_calibration": "ascan.store.calibrations",
    "load_procedure": "ascan.procedure.written",
    "load_readings": "ascan.store.readings",
    "measure": "ascan.engine.measuring",
    "measure_to_file": "ascan.store.stream",
    "open_scan": "ascan.store.scans",
    "prepare": "ascan.engine.measuring",
    "read_foreign": "ascan.store.foreign",
    "save_calibration": "ascan.store.calibrations",
    "save_scan": "ascan.store.scans",
    "time_echoes": "ascan.engine.measuring",
    "write_csv": "ascan.store.readings",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> object:
    if name == "__version__":
        return importlib.import_module("importlib.metadata").version("ascan")
    if name not in _HOMES:
        raise AttributeError(f"module 'ascan' has no attribute '{name}'")
    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
