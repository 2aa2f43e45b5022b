"""What values can do of themselves that a room above does: named here, loaded when first used.

A waveform knows nothing of pictures, but `scan.plot()` is what people expect. As `ascan.__init__`
does for its names, the way up is a table, and nothing above is imported until it is asked for.
"""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

from ascan.base.errors import fault

ABOVE = {
    "plot_scan": "ascan.report.look",
}


def from_above(name: str) -> Any:
    """Return a function of a room above.

    Raises
    ------
    AscanError
        matplotlib is not installed.
    """
    if importlib.util.find_spec("matplotlib") is None:
        raise fault("plot", "needs matplotlib", remedy="pip install 'ascan[cli]'")
    return getattr(importlib.import_module(ABOVE[name]), name)
