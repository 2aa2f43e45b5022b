"""A surface from its readings: places, cells, figures, joins, changes, named points."""

from ascan.survey.below import Below
from ascan.survey.cells import Area, Cells, Coverage, coverage_of, pitch_of, to_cells
from ascan.survey.change import Change, change_between, least_years, remaining_years
from ascan.survey.differences import Differences, Outcome, differences_between
from ascan.survey.figures import Figures, figures_of
from ascan.survey.height_map import HeightMap, under_beam
from ascan.survey.indications import indications_of
from ascan.survey.joining import Overlap, Placement, join
from ascan.survey.places import Places, places_of
from ascan.survey.sampling import share_at_most
from ascan.survey.scoring import Score, score
from ascan.survey.sections import critical_profiles, extents_below, section_along
from ascan.survey.spots import Spot, spots_of
from ascan.survey.told import Told
from ascan.survey.trend import Trend, trend_of
from ascan.survey.wrong import Truth, thinner_hidden, value_wrong

__all__ = [
    "Area",
    "Below",
    "Cells",
    "Change",
    "Coverage",
    "Differences",
    "Figures",
    "HeightMap",
    "Outcome",
    "Overlap",
    "Placement",
    "Places",
    "Score",
    "Spot",
    "Told",
    "Trend",
    "Truth",
    "change_between",
    "coverage_of",
    "critical_profiles",
    "differences_between",
    "extents_below",
    "figures_of",
    "indications_of",
    "join",
    "least_years",
    "pitch_of",
    "places_of",
    "remaining_years",
    "score",
    "section_along",
    "share_at_most",
    "spots_of",
    "thinner_hidden",
    "to_cells",
    "trend_of",
    "under_beam",
    "value_wrong",
]  # fmt: skip
