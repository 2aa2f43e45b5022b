"""Velocity against temperature: what a hot or cold component reads, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.base.tables import number, text
from ascan.kernels.arrays import FloatArray

# 1018 low-carbon steel, longitudinal, 0-50 °C (Do Trung Kien et al., Communications in Physics,
# abstract); its uncertainty is this project's own: the spread of steels (from memory).
STEEL_PER_C_MM_PER_US, U_STEEL_PER_C_MM_PER_US = -0.0008, 0.0001
STEEL_RANGE_C = (0.0, 50.0)
# ASTM E797/E797M-21 9.5: a hot wall reads about 1 % too thick for each 55 °C.
SHARE_PER_C = 0.01 / 55.0
# The rule is an average over steels and temperatures: a quarter either way (own estimate; 1018
# steel has 0.74 % per 55 °C).
U_SHARE = 0.25
# The rule's own example ends here.
HOTTEST_C = 540.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """Temperatures of block and component, and the rule that takes one velocity to the other.

    Attributes
    ----------
    block_c, component_c, u_block_c, u_component_c : float
        In °C, and their standard uncertainties. A scan's column ``temperature_c`` goes before
        ``component_c``.
    rule : str
        ``coefficient``: the velocity changes by ``velocity_per_c_mm_per_us`` for each degree.
        ``one_percent_per_55_c``: the reading is reduced by that share (ASTM E797).
    sensor : str
        What measures the component's temperature. Readings by one sensor share its error.
    velocity_per_c_mm_per_us, u_velocity_per_c_mm_per_us : float, optional
        Of the rule ``coefficient``; without them 1018 steel, −0.0008 from 0 to 50 °C.
    """

    block_c: float = number(least=-60.0, most=HOTTEST_C)
    component_c: float = number(least=-60.0, most=HOTTEST_C)
    u_block_c: float = number(least=0.0, most=100.0)
    u_component_c: float = number(least=0.0, most=100.0)
    rule: str = text("coefficient", choices=("coefficient", "one_percent_per_55_c"))
    sensor: str = text("")
    velocity_per_c_mm_per_us: float | None = number(None, least=-0.05, most=0.05)
    u_velocity_per_c_mm_per_us: float | None = number(None, least=0.0, most=0.05)

    def __post_init__(self) -> None:
        stated = (self.velocity_per_c_mm_per_us, self.u_velocity_per_c_mm_per_us)
        if self.rule != "coefficient":
            if stated != (None, None):
                raise fault("temperature", f"rule '{self.rule}' takes no coefficient")
            return
        if (stated[0] is None) != (stated[1] is None):
            raise fault("temperature", "gives a coefficient without its u, or the u alone")
        low, high = STEEL_RANGE_C
        inside = all(low <= value <= high for value in (self.block_c, self.component_c))
        if stated == (None, None) and not inside:
            raise fault(
                "temperature",
                f"runs from {self.block_c:g} to {self.component_c:g} °C",
                allowed=f"{low:g} to {high:g} °C with the coefficient of 1018 steel",
                remedy="give velocity_per_c_mm_per_us and its u, or take the rule "
                "one_percent_per_55_c",
            )

    def check_column(self, component_c: FloatArray, place: str) -> None:
        """Refuse a scan's temperatures that the rule does not hold for.

        Raises
        ------
        AscanError
            One is not finite, or outside the range of the rule, with its row.
        """
        low, high = -60.0, HOTTEST_C
        if self.rule == "coefficient" and self.velocity_per_c_mm_per_us is None:
            low, high = STEEL_RANGE_C
        wrong = np.flatnonzero(~((component_c >= low) & (component_c <= high)))
        if wrong.size:
            raise fault(
                f"{place}: column 'temperature_c'",
                f"is {component_c[wrong[0]]:g} °C in row {wrong[0]}",
                allowed=f"{low:g} to {high:g} °C by the procedure's [temperature]",
                remedy="mend the column, give a coefficient of your own, or drop the column",
            )

    def factor(
        self, velocity_mm_per_us: float, component_c: float | None = None
    ) -> tuple[float, float, float]:
        """Return what multiplies a reading, its u by the rule, and its u by the temperatures.

        Parameters
        ----------
        velocity_mm_per_us : float
            On the block.
        component_c : float, optional
            Another temperature of the component than the procedure's.
        """
        apart_c = (self.component_c if component_c is None else component_c) - self.block_c
        u_apart_c = float(np.hypot(self.u_block_c, self.u_component_c))
        if self.rule == "coefficient":
            slope, u_slope = self.velocity_per_c_mm_per_us, self.u_velocity_per_c_mm_per_us
            if slope is None or u_slope is None:
                slope, u_slope = STEEL_PER_C_MM_PER_US, U_STEEL_PER_C_MM_PER_US
            share, u_share = slope / velocity_mm_per_us, u_slope / velocity_mm_per_us
        else:
            share, u_share = -SHARE_PER_C, U_SHARE * SHARE_PER_C
        return 1.0 + share * apart_c, u_share * apart_c, share * u_apart_c
