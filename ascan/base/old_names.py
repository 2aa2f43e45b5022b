"""Names of files, procedures and commands of format 1, and those of today: old to new.

What was written under an old name is read for ever. In Python, an old name still works for two
minor versions, with a warning.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from typing import Any

from ascan.base.errors import fault

COLUMNS = {
    "conformity": "conformance",
    "rival_cause": "alternative_cause",
    "rival_mm": "alternative_mm",
    "rival_odds": "alternative_odds",
    "second_off_us": "second_echo_delay_us",
    "second_share": "second_echo_ratio",
    "standing": "check_status",
    "strength": "relative_amplitude",
    "u_witness_mm": "u_second_mm",
    "unexplained": "residual_rms",
    "witness_mm": "second_mm",
    "witness_off": "second_off",
}
# One name had two meanings: behind a single echo, and beside the fit of a whole record.
BETWEEN_MULTIPLES, UNEXPLAINED_ECHO = "between_multiples", "unexplained_echo"
TWO_MEANINGS = {"other_share": (BETWEEN_MULTIPLES, UNEXPLAINED_ECHO)}
GATE_COLUMNS = {"ahead": "before_peak", "behind": "after_peak", "misfit": "shape_residual"}
FLAGS = {
    "at_most": "upper_bound",
    "earlier_echo": "multiple_suspected",
    "frozen": "record_stuck",
    "half_cycle_unsure": "cycle_uncertain",
    "other_echo": "unexpected_echo",
    "repeated": "record_duplicate",
    "rival_reading": "ambiguous",
    "spiked": "spike_repaired",
    "surface_moved": "interface_shifted",
    "surface_repeat": "interface_multiple",
    "turned_over": "polarity_inverted",
    "uneven_echoes": "uneven_spacing",
    "unlike_model": "shape_mismatch",
    "witness_disagrees": "second_disagrees",
}
# Tables of a procedure, and keys and words in them.
TABLES = {"witness": "second_interval"}
LIMITS = {
    "least_record_odds": "min_record_odds",
    "least_rival_odds": "min_alternative_odds",
    "least_snr_db": "min_snr_db",
    "least_strength": "min_relative_amplitude",
    "least_strength_alone": "min_relative_amplitude_alone",
    "most_ahead": "max_before",
    "most_apart": "max_between",
    "most_behind": "max_after",
    "most_misfit": "max_shape_residual",
    "most_moved_periods": "max_interface_shift_periods",
    "most_second_periods": "max_second_echo_delay_periods",
    "most_strength": "max_relative_amplitude",
    "most_witness_off": "max_second_off",
}
GATE_KEYS = {"least_spacing_mm": "min_spacing_mm", "most_spacing_mm": "max_spacing_mm"}
ECHOES = {"head": "first_arrival"}
TIMING_KEYS = {"own_peak_fraction": "peak_fraction"}
COMMANDS = {
    "adopt": "import",
    "differ": "diff",
    "record": "job-report",
    "settle": "apply-checks",
    "sheet": "calibration-report",
    "spots": "points",
    "surface": "map",
}


def renamed(table: Mapping[str, Any], names: Mapping[str, str], place: str) -> dict[str, Any]:
    """Return a table in which old keys have their names of today.

    Raises
    ------
    AscanError
        It holds the old and the new name of one key.

    Examples
    --------
    >>> renamed({"least_snr_db": 20.0}, LIMITS, "checks")
    {'min_snr_db': 20.0}
    """
    out: dict[str, Any] = {}
    for key, value in table.items():
        new = names.get(key, key)
        if new in out:
            old = next(each for each, known in names.items() if known == new)
            raise fault(place, f"holds '{new}' and '{old}', its old name", remedy="leave one out")
        out[new] = value
    return out


def columns_called(name: str) -> list[str]:
    """Return what a column of an old name may be called today, gates' columns included.

    Examples
    --------
    >>> columns_called("witness_mm"), columns_called("wall_misfit"), columns_called("x_mm")
    (['second_mm'], ['wall_shape_residual'], [])
    """
    found = [COLUMNS[name]] if name in COLUMNS else list(TWO_MEANINGS.get(name, ()))
    gate, _, suffix = name.rpartition("_")
    return [*found, f"{gate}_{GATE_COLUMNS[suffix]}"] if suffix in GATE_COLUMNS else found


def warned(old: str, new: str, found: Callable[[], Any]) -> Any:
    """Return what goes by a new name to a caller who used the old one, with a warning."""
    warnings.warn(
        f"'{old}' is now called '{new}'; the old name goes with version 2.2",
        DeprecationWarning,
        stacklevel=3,
    )
    return found()
