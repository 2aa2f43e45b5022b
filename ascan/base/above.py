"""What values can do of themselves that a room above does: named here, loaded when first used.

A waveform knows nothing of pictures, but `scan.plot()` is what people expect. As `ascan.__init__`
does for its names, the way up is a table, and nothing above is imported until it is asked for.
"""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

from ascan.base.errors import fault

# name -> its module; the library that it needs, and the extra that brings that
ABOVE = {
    "plot_scan": ("ascan.report.look", "matplotlib", "cli"),
    "plot_readings": ("ascan.report.values", "matplotlib", "cli"),
    "plot_calibration": ("ascan.report.values", "matplotlib", "cli"),
    "dataframe_of": ("ascan.report.frames", "pandas", "frames"),
    "dataset_of": ("ascan.report.frames", "xarray", "frames"),
    "page_of": ("ascan.report.frames", "numpy", "cli"),
}


def from_above(name: str) -> Any:
    """Return a function of a room above.

    Raises
    ------
    AscanError
        The library that it needs is not installed.
    """
    module, library, extra = ABOVE[name]
    if importlib.util.find_spec(library) is None:
        raise fault(name, f"needs {library}", remedy=f"pip install 'ascan[{extra}]'")
    return getattr(importlib.import_module(module), name)
