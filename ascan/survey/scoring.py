"""Readings scored against a wall that was measured otherwise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.results.readings import Readings
from ascan.survey.height_map import HeightMap, Under, under_beam
from ascan.survey.places import gone_of
from ascan.survey.wrong import OUTCOMES, Verdicts, verdicts

# Of the truth, too, twice its standard uncertainty is allowed.
COVERAGE = 2.0


@dataclass(frozen=True, eq=False, slots=True)
class Score:
    """Truth and verdict of every reading; arrays have shape (n,).

    Attributes
    ----------
    readings : Readings
    under : Under
        Truth under each beam; NaN off the map.
    verdicts : Verdicts
        Of each; those off the map count for nothing.
    """

    readings: Readings
    under: Under
    verdicts: Verdicts

    @property
    def on_the_map(self) -> BoolArray:
        """Which readings have a truth."""
        return np.asarray(np.isfinite(self.under.truth.mean_mm))

    def counts(self) -> dict[str, int]:
        """Return how many readings have which verdict."""
        on, got = self.on_the_map, self.verdicts
        found = {"readings": int(on.size), "on_the_map": int(on.sum())}
        found |= {
            name.replace(" ", "_"): int((on & (got.outcome == name)).sum()) for name in OUTCOMES
        }
        found["thinner_wall_hidden_marked"] = int((on & got.hidden_marked).sum())
        found["thinner_wall_hidden_unmarked"] = int((on & got.hidden_unmarked).sum())
        return found

    def columns(self) -> dict[str, AnyArray]:
        """Return the truth and the verdict of each, as columns."""
        on, truth = self.on_the_map, self.under.truth
        return {
            "row": self.readings.scan_rows,
            "thickness_mm": self.readings.thickness_mm,
            "true_axis_mm": truth.axis_mm,
            "true_mean_mm": truth.mean_mm,
            "true_least_mm": truth.least_mm,
            "u_true_mm": self.under.u_mm,
            "verdict": np.where(on, self.verdicts.outcome, "off the map"),
            "thinner_wall_hidden": on & self.verdicts.hidden,
        }


def score(readings: Readings, ground: HeightMap, *, beam_mm: float, wavelength_mm: float) -> Score:
    """Return readings beside the truth under their beams.

    Parameters
    ----------
    readings : Readings
        With positions and thicknesses.
    ground : HeightMap
        In the readings' coordinates (`HeightMap.moved`).
    beam_mm : float
        Diameter of the beam where the wall is, −6 dB.
    wavelength_mm : float
        In the wall.

    Raises
    ------
    AscanError
        No positions, no thickness, or no reading on the map.
    """
    columns = readings.columns
    for name in ("x_mm", "y_mm"):
        if name not in columns:
            raise fault("readings", f"hold no column {name}", remedy="give the scan its positions")
    if "thickness_mm" not in columns:
        raise fault("readings", "hold no thickness", remedy="measure with a calibration")
    x_mm, y_mm = (np.asarray(columns[name], np.float64) for name in ("x_mm", "y_mm"))
    under = under_beam(ground, x_mm, y_mm, beam_mm)
    expanded = np.hypot(columns["expanded_mm"], COVERAGE * under.u_mm)
    # What a failed check has voided counts as refused.
    thickness = np.where(gone_of(readings), np.nan, columns["thickness_mm"])
    counted = {**columns, "expanded_mm": expanded, "thickness_mm": thickness}
    judged = verdicts(counted, under.truth, wavelength_mm / 8.0)
    return Score(readings, under, judged)
