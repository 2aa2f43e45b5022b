"""What a calibration and a procedure make of intervals: thickness, its uncertainty, its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.calibration.thickness import Curve, Line, Walls, look_up_thickness, to_thickness, walls
from ascan.engine.read import Interval
from ascan.kernels.arrays import Columns, FlagArray, FloatArray
from ascan.path.pipe import sagitta_mm
from ascan.procedure.written import Procedure
from ascan.steps.models import LayeredModel
from ascan.uncertainty.coverage import coverage_factor, inverse_effective_freedom

# By how much a coating of unknown thickness moves the spacing of a whole record, in periods: what
# paint of 0.05 to 1 mm did on a train fitted as bare (own study, 1.5 µm at 5 MHz).
COATED_PERIODS = 0.0025
# What decides whether a reading lies outside the steps: its own noise, not what is allowed for.
MEASURED = "u_measured_mm"
OWN = ("timing", "repeatability", "calibration fit", "scatter of the steps", "coating", "pipe")
IN_DOUBT = np.uint32(Flag.CALIBRATION_IN_DOUBT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One contribution to the uncertainty of n readings.

    Attributes
    ----------
    u_mm : ndarray, shape (n,)
    random : bool
        Whether it differs from reading to reading.
    freedom : int
        Degrees of freedom; 0 where it counts as exactly known.
    """

    u_mm: FloatArray
    random: bool = False
    freedom: int = 0


@dataclass(frozen=True, eq=False, slots=True)
class ThicknessStage:
    """A procedure and a calibration bound for turning intervals into thickness; immutable."""

    procedure: Procedure
    calibration: Calibration
    sagitta_mm: tuple[float, float] = field(init=False)
    coat_mm: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sagitta_mm", self._sagitta_mm())
        object.__setattr__(self, "coat_mm", self._coat_mm())

    def run(
        self, interval: Interval, flags: FlagArray, component_c: FloatArray | None = None
    ) -> Columns:
        """Return the thickness columns of a block, and set its flags.

        Parameters
        ----------
        interval : Interval
        flags : ndarray, shape (n,), uint32
        component_c : ndarray, shape (n,), optional
            Temperature under each reading, where the scan holds it.
        """
        thickness, parts = self.parts(interval, flags, component_c)
        if self.calibration.is_in_doubt:
            flags |= IN_DOUBT
        u_random = _combined([part for part in parts.values() if part.random])
        u_common = _combined([part for part in parts.values() if not part.random])
        u = np.hypot(u_random, u_common)
        return {
            "thickness_mm": thickness,
            "u_mm": u,
            "u_random_mm": u_random,
            "u_common_mm": u_common,
            "expanded_mm": u * coverage_factor(inverse_freedom(u, parts)),
            MEASURED: _combined([part for name, part in parts.items() if name in OWN]),
        }

    def parts(
        self, interval: Interval, flags: FlagArray, component_c: FloatArray | None = None
    ) -> tuple[FloatArray, dict[str, Contribution]]:
        """Return thickness in mm and all that its uncertainty is made of, by name."""
        fit, allowed = self.calibration, self.procedure.uncertainty
        thickness, u_random, u_common = self._looked_up(interval, flags)
        per_us = u_random / np.hypot(interval.u_us, fit.repeatability_us)
        scatter = np.zeros_like(per_us) if fit.arrivals else per_us * fit.lack_of_fit_us
        square = np.maximum(u_common**2 - scatter**2, 0.0)
        thickness = thickness - self.coat_mm[0] + self.sagitta_mm[0]
        factor, u_factor = self.factor(component_c)
        wall = thickness * factor
        n = np.ones_like(wall) * np.where(np.isnan(wall), np.nan, 1.0)
        return wall, {
            "timing": Contribution(u_mm=per_us * interval.u_us, random=True),
            "repeatability": Contribution(
                u_mm=per_us * fit.repeatability_us, random=True, freedom=fit.repeat_freedom
            ),
            "calibration fit": Contribution(u_mm=np.sqrt(square), freedom=fit.fit_freedom),
            "scatter of the steps": Contribution(u_mm=scatter, freedom=fit.fit_freedom),
            "component velocity": Contribution(u_mm=wall * allowed.common_share),
            "temperature": Contribution(u_mm=thickness * u_factor),
            "coating": Contribution(u_mm=n * self.coat_mm[1]),
            "pipe": Contribution(u_mm=n * self.sagitta_mm[1]),
            "couplant": Contribution(u_mm=n * (allowed.couplant_mm or 0.0), random=True),
            "surface": Contribution(u_mm=n * (allowed.surface_mm or 0.0), random=True),
            "curvature": Contribution(u_mm=n * (allowed.curvature_mm or 0.0)),
            "operator": Contribution(u_mm=n * (allowed.operator_mm or 0.0), random=True),
        }

    def factor(self, component_c: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Return by what temperature multiplies readings, and the standard uncertainty of that."""
        rule = self.procedure.temperature
        if rule is None:
            return np.ones(1), np.zeros(1)
        velocity = self.calibration.velocity_mm_per_us
        if component_c is None:
            each = [rule.factor(velocity)]
        else:
            each = [rule.factor(velocity, float(value)) for value in component_c]
        return np.array([one[0] for one in each]), np.array([one[1] for one in each])

    def _looked_up(self, interval: Interval, flags: FlagArray) -> Walls:
        """Return thickness by the calibration alone, with its uncertainty."""
        fit, whole = self.calibration, self.calibration.record_model
        out, curve = walls(len(flags)), fit.arrivals
        if whole is None and curve is not None:
            nodes = Curve(
                thickness_mm=curve.thickness_mm,
                time_us=curve.time_us,
                u_time_us=curve.u_time_us,
                earliest_us=float(curve.time_us[0]) - 2.0 * self.procedure.layout.reach_us,
                thinnest_mm=fit.minimum_mm,
                repeatability_us=fit.repeatability_us,
            )
            look_up_thickness(interval.us, interval.u_us, nodes, out, flags)
            return out
        line = Line(
            zero_us=fit.zero_us if whole is None else 0.0,
            velocity_mm_per_us=fit.velocity_mm_per_us,
            covariance=fit.covariance if whole is None else np.zeros((2, 2)),
            repeatability_us=fit.repeatability_us,
            lack_of_fit_us=fit.lack_of_fit_us,
        )
        to_thickness(interval.us, interval.u_us, line, out, flags)
        if whole is None:
            return out
        learned = np.interp(out.thickness, whole.thickness_mm, whole.u_mm)
        growth = 1.0 if interval.u_growth is None else interval.u_growth
        return out._replace(u_common=np.hypot(out.u_common, learned * growth))

    def _sagitta_mm(self) -> tuple[float, float]:
        """Return what a pipe's curvature adds to every reading, and its standard uncertainty."""
        pipe, curve = self.procedure.pipe, self.calibration.arrivals
        if pipe is None or pipe.barrier == "across":
            return 0.0, 0.0
        if curve is None or not np.isfinite(curve.half_separation_mm):
            raise fault(
                "pipe",
                "cannot be corrected for: the calibration does not know where the sound enters",
                remedy="give the probe's dimensions, or calibrate on five steps or more",
            )
        return sagitta_mm(curve.half_separation_mm, pipe.outside_diameter_mm)

    def _coat_mm(self) -> tuple[float, float]:
        """Return what a coating of known thickness reads as, and its standard uncertainty.

        It takes as long as velocity / coating velocity times its thickness of wall.
        """
        coating, whole = self.procedure.coating, self.calibration.record_model
        if coating is not None and isinstance(whole, LayeredModel):
            # It is fitted with the record.
            return 0.0, 0.0
        if coating is not None and whole is not None:
            # Successive back-wall echoes turn at the coating, each a little later or earlier.
            periods = COATED_PERIODS / self.procedure.probe.frequency_mhz
            return 0.0, 0.5 * self.calibration.velocity_mm_per_us * periods
        if coating is None or coating.thickness_mm is None or coating.u_thickness_mm is None:
            return 0.0, 0.0
        ratio = self.calibration.velocity_mm_per_us / coating.velocity_mm_per_us
        by_velocity = coating.thickness_mm * coating.u_velocity_mm_per_us
        by_velocity /= coating.velocity_mm_per_us
        u = ratio * np.hypot(coating.u_thickness_mm, by_velocity)
        return ratio * coating.thickness_mm, float(u)


def inverse_freedom(u_mm: FloatArray, parts: Mapping[str, Contribution]) -> FloatArray:
    """Return 1 / ν_eff of readings whose combined standard uncertainty is ``u_mm``."""
    few = [(part.u_mm, part.freedom) for part in parts.values() if part.freedom]
    return inverse_effective_freedom(u_mm, few)


def combined_mm(parts: Mapping[str, Contribution]) -> FloatArray:
    """Return the combined standard uncertainty of all parts."""
    return _combined(list(parts.values()))


def _combined(parts: list[Contribution]) -> FloatArray:
    total = parts[0].u_mm ** 2
    for part in parts[1:]:
        total = total + part.u_mm**2
    return np.asarray(np.sqrt(total))


def widen(columns: Columns, more_mm: FloatArray) -> None:
    """Widen the random uncertainty of readings by what a check has found, shape (n,)."""
    u = np.hypot(columns["u_mm"], more_mm)
    columns["expanded_mm"] = columns["expanded_mm"] * (u / columns["u_mm"])
    columns["u_random_mm"], columns["u_mm"] = np.hypot(columns["u_random_mm"], more_mm), u
