"""A surface from its readings: places, cells, figures, joins, changes, named points."""

from ascan.survey.cells import Area, Cells, Coverage, coverage_of, pitch_of, to_cells
from ascan.survey.change import Change, change_between, remaining_years
from ascan.survey.differences import Differences, Outcome, differences_between
from ascan.survey.figures import Below, Figures, figures_of
from ascan.survey.indications import indications_of
from ascan.survey.joining import Overlap, Placement, join
from ascan.survey.places import Places, places_of
from ascan.survey.spots import Spot, spots_of

__all__ = [
    "Area", "Below", "Cells", "Change", "Coverage", "Differences", "Figures", "Outcome", "Overlap",
    "Placement", "Places", "Spot", "change_between", "coverage_of", "differences_between",
    "figures_of", "indications_of", "join", "pitch_of", "places_of", "remaining_years", "spots_of",
    "to_cells",
]  # fmt: skip
