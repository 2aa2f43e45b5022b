"""The material of block and component: its longitudinal velocity and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ascan.base.tables import number, text

# Velocity of calibration-block steel S355J0 and its tolerance (EN 15317:2013, as summarised in
# secondary sources): 5920 ± 30 m/s, taken as rectangular.
STEEL_VELOCITY_MM_PER_US = 5.920
STEEL_U_VELOCITY_MM_PER_US = 0.030 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What the wall is made of; the defaults are those of calibration-block steel.

    Attributes
    ----------
    name : str
        For the records.
    velocity_mm_per_us : float
        Longitudinal velocity. Used to place gates given in mm before a calibration exists, and
        as the known velocity when one step has to serve for the zero offset.
    u_velocity_mm_per_us : float
        Its standard uncertainty.
    """

    name: str = text("calibration-block steel")
    velocity_mm_per_us: float = number(STEEL_VELOCITY_MM_PER_US, above=0.0, most=30.0)
    u_velocity_mm_per_us: float = number(STEEL_U_VELOCITY_MM_PER_US, least=0.0, most=3.0)
