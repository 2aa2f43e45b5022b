"""What a calibration and a procedure make of intervals: thickness, its uncertainty, its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.calibration.scatter import USUAL_PERIODS
from ascan.calibration.thickness import (
    Curve,
    Walls,
    line_parts,
    look_up_thickness,
    to_thickness,
    walls,
)
from ascan.engine.read import Interval
from ascan.kernels.arrays import Columns, FlagArray, FloatArray
from ascan.path.pipe import film_mm, sagitta_mm
from ascan.path.probe import PATH_MM_PER_US, Pipe
from ascan.procedure.written import Procedure
from ascan.results.sources import OWN, Source, combined
from ascan.steps.models import LayeredModel
from ascan.uncertainty.allowances import Allowance
from ascan.uncertainty.coverage import coverage_factor, freedom_of, inverse_effective_freedom

# By how much a coating of unknown thickness moves the spacing of a whole record, in periods: what
# paint of 0.05 to 1 mm did on a train fitted as bare (own study, 1.5 µm at 5 MHz).
COATED_PERIODS = 0.0025
# Signal and calibration: what a reading is uncertain by against the block.
AGAINST_BLOCK = (
    "timing",
    "repeatability",
    "calibration level",
    "calibration velocity",
    "calibration curve",
    "calibration model",
    "scatter of the steps",
    "block as a whole",
    "coating",
    "pipe",
)
# What an allowance is called among the contributions, and whose error it is: the component's on one
# block, the component's, or of these readings alone.
NAMES = {
    "component_velocity_percent": "component velocity",
    "couplant_mm": "couplant",
    "surface_mm": "surface",
    "curvature_mm": "curvature",
    "operator_mm": "operator",
    "temperature": "temperature",
}
COMPONENT = "component"
OF_COMPONENT = ("surface", "curvature")
# Of couplant, which is water or not unlike it.
FILM_MM_PER_US = PATH_MM_PER_US["immersion"]
IN_DOUBT = np.uint32(Flag.CALIBRATION_IN_DOUBT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One contribution to the uncertainty of n readings.

    Attributes
    ----------
    u_mm : ndarray, shape (n,)
        For one standard uncertainty of the source; signed where readings share it.
    source : Source, optional
        What the readings share; None where it differs from reading to reading.
    freedom : float
        Degrees of freedom; 0 where it counts as exactly known.
    allowance : Allowance, optional
        What the procedure allows for, or what is taken where it says nothing.
    """

    u_mm: FloatArray
    source: Source | None = None
    freedom: float = 0.0
    allowance: Allowance | None = None


Parts = dict[str, Contribution]


@dataclass(frozen=True, eq=False, slots=True)
class ThicknessStage:
    """A procedure and a calibration bound for turning intervals into thickness; immutable."""

    procedure: Procedure
    calibration: Calibration
    sagitta_mm: tuple[float, float] = field(init=False)
    coat_mm: tuple[float, float] = field(init=False)
    allowed: tuple[Allowance, ...] = field(init=False)
    decidable: bool = field(init=False)
    of_calibration: str = field(init=False)
    of_block: str = field(init=False)
    of_component: str = field(init=False)

    def __post_init__(self) -> None:
        matched = self.calibration.is_matched
        component = f"{COMPONENT} {self.procedure.component}".strip()
        allowed, unknown = self.procedure.allowances(velocity_matched=matched)
        for name, value in (
            ("sagitta_mm", self._sagitta_mm()),
            ("coat_mm", self._coat_mm()),
            ("allowed", tuple(allowed)),
            ("decidable", not unknown),
            ("of_calibration", f"calibration {self.calibration.digest}"),
            ("of_block", f"{component} on block {self.calibration.block_digest}"),
            ("of_component", component),
        ):
            object.__setattr__(self, name, value)

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
        u, on_block = combined_mm(parts), against_block(parts)
        u_on_block = combined_mm(on_block)
        shared = {part.source.column: part.u_mm for part in parts.values() if part.source}
        alone = {name: part for name, part in parts.items() if not part.source}
        u_random = combined_mm(alone)
        return {
            "thickness_mm": thickness,
            "u_mm": u,
            "u_random_mm": u_random,
            "random_freedom": freedom_of(inverse_freedom(u_random, alone)),
            "u_common_mm": combined(list(shared.values())),
            "expanded_mm": u * coverage_factor(inverse_freedom(u, parts)),
            "u_on_block_mm": u_on_block,
            "expanded_on_block_mm": u_on_block
            * coverage_factor(inverse_freedom(u_on_block, on_block)),
            **shared,
        }

    def sources(self) -> dict[str, dict[str, Any]]:
        """Return what its readings share, by name, as their provenance keeps it."""
        one = np.ones(1)
        _, parts = self.parts(Interval(one, one), np.zeros(1, np.uint32))
        shared = [part.source for part in parts.values() if part.source]
        return {source.name: source.to_table() for source in shared}

    def parts(
        self, interval: Interval, flags: FlagArray, component_c: FloatArray | None = None
    ) -> tuple[FloatArray, Parts]:
        """Return thickness in mm and all that its uncertainty is made of, by name."""
        found = self._looked_up(interval, flags)
        read = found.thickness - self.coat_mm[0] + self.sagitta_mm[0]
        factor, u_rule, u_degrees = self.factor(component_c)
        wall = read * factor
        parts: Parts = {
            "timing": Contribution(u_mm=found.per_us * interval.u_us),
            "repeatability": self._repeatability(found.per_us),
            **self._of_calibration(found, interval.u_growth),
        }
        if self.procedure.temperature is not None:
            by = self.procedure.temperature.sensor
            sensor = Source(name="temperature", of=f"sensor {by}" if by else OWN)
            rule = Source(name="temperature_rule", of=self.of_component)
            parts["temperature rule"] = Contribution(u_mm=read * u_rule, source=rule)
            parts["temperature"] = Contribution(u_mm=read * u_degrees, source=sensor)
        n = np.where(np.isnan(wall), np.nan, 1.0)
        if self.procedure.coating is not None:
            source = Source(name="coating", of=self.of_component)
            parts["coating"] = Contribution(u_mm=n * self.coat_mm[1], source=source)
        if self.procedure.pipe is not None:
            source = Source(name="pipe", of=self.of_component)
            parts["pipe"] = Contribution(u_mm=n * self.sagitta_mm[1], source=source)
        for one in self.allowed:
            u_mm = (wall if one.of_wall else n) * one.size
            whose = None if one.differs else self._source_of(one)
            parts[NAMES[one.key]] = Contribution(u_mm=u_mm, source=whose, allowance=one)
        return wall, parts

    def _repeatability(self, per_us: FloatArray) -> Contribution:
        """Return what coupling adds: as the steps show it, else as stated, else as usual."""
        fit, stated = self.calibration, self.procedure.uncertainty.stated("repeatability_mm")
        if fit.is_repeated:
            return Contribution(u_mm=per_us * fit.repeatability_us, freedom=fit.repeat_freedom)
        if stated is not None:
            return Contribution(u_mm=stated + 0.0 * per_us)
        return Contribution(u_mm=per_us * USUAL_PERIODS / self.procedure.probe.frequency_mhz)

    def _source_of(self, one: Allowance) -> Source:
        """Return whose error an allowance is that does not differ from reading to reading."""
        name = NAMES[one.key]
        of = self.of_component if name in OF_COMPONENT else OWN
        if one.key == "component_velocity_percent":
            of = self.of_block
        return Source(name=name.replace(" ", "_"), of=of, distribution=one.distribution)

    def _of_calibration(self, found: Walls, growth: FloatArray | None) -> Parts:
        """Return what the calibration leaves uncertain, in independent parts."""
        parts = self._of_fit(found, growth)
        if self.calibration.fit.u_block_common_mm > 0.0:
            source = Source(name="block", of=f"block {self.calibration.block_digest}")
            u_mm = self.calibration.by_block_mm(found.thickness)
            parts["block as a whole"] = Contribution(u_mm=u_mm, source=source)
        return parts

    def _of_fit(self, found: Walls, growth: FloatArray | None) -> Parts:
        """Return what the fit leaves uncertain."""
        fit, whole = self.calibration, self.calibration.record_model

        def part(name: str, u_mm: FloatArray) -> Contribution:
            source = Source(name=name, of=self.of_calibration, freedom=fit.fit_freedom)
            return Contribution(u_mm=u_mm, source=source, freedom=fit.fit_freedom)

        scatter = part("lack_of_fit", found.per_us * fit.lack_of_fit_us)
        if whole is not None:
            u_mm = np.interp(found.thickness, whole.thickness_mm, whole.u_mm)
            u_mm = u_mm if growth is None else u_mm * growth
            model = part("calibration_model", u_mm)
            return {"calibration model": model, "scatter of the steps": scatter}
        if fit.arrivals is not None:
            curve = part("calibration_curve", found.u_curve)
            return {"calibration curve": curve}
        level, velocity = line_parts(found.thickness, fit.velocity_mm_per_us, fit.fit.covariance)
        return {
            "calibration level": part("calibration_level", level),
            "calibration velocity": part("calibration_velocity", velocity),
            "scatter of the steps": scatter,
        }

    def factor(
        self, component_c: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return by what temperature multiplies readings, and its u by rule and by degrees."""
        rule = self.procedure.temperature
        if rule is None:
            return np.ones(1), np.zeros(1), np.zeros(1)
        velocity = self.calibration.velocity_mm_per_us
        degrees = [None] if component_c is None else component_c.tolist()
        each = np.array([rule.factor(velocity, value) for value in degrees])
        return each[:, 0], each[:, 1], each[:, 2]

    def _looked_up(self, interval: Interval, flags: FlagArray) -> Walls:
        """Return thickness by the calibration alone, and what a µs is worth there."""
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
        else:
            zero_us = fit.zero_us if whole is None else 0.0
            to_thickness(interval.us, zero_us, fit.velocity_mm_per_us, out, flags)
        return out

    def _sagitta_mm(self) -> tuple[float, float]:
        """Return what a pipe's curvature adds to every reading, and its standard uncertainty."""
        pipe, curve, layout = self.procedure.pipe, self.calibration.arrivals, self.procedure.layout
        if pipe is not None and not layout.is_dual:
            return self._film_mm(pipe)
        if pipe is None or pipe.barrier == "across":
            return 0.0, 0.0
        if curve is None or not np.isfinite(curve.half_separation_mm):
            raise fault(
                "pipe",
                "cannot be corrected for: the calibration does not know where the sound enters",
                remedy="give the probe's dimensions, or calibrate on five steps or more",
            )
        return sagitta_mm(curve.half_separation_mm, pipe.outside_diameter_mm)

    def _film_mm(self, pipe: Pipe) -> tuple[float, float]:
        """Return what the film under a flat element on a pipe adds to readings, and its u."""
        if not self.procedure.layout.crosses_film:
            return 0.0, 0.0
        wide = self.procedure.probe.element_diameter_mm
        if wide is None:
            raise fault(
                "pipe",
                "cannot be allowed for: the element's diameter is not stated",
                remedy="give element_diameter_mm",
            )
        film, u_film = film_mm(wide, pipe.outside_diameter_mm)
        as_wall = self.calibration.velocity_mm_per_us / FILM_MM_PER_US
        return -as_wall * film, as_wall * u_film

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
    return combined([part.u_mm for part in parts.values()])


def against_block(parts: Mapping[str, Contribution]) -> Parts:
    """Return the parts that a reading on the block has, too: signal and calibration."""
    return {name: part for name, part in parts.items() if name in AGAINST_BLOCK}


def widen(columns: Columns, more_mm: FloatArray) -> None:
    """Widen the random uncertainty of readings by what a check has found, shape (n,)."""
    for name, expanded in (("u_mm", "expanded_mm"), ("u_on_block_mm", "expanded_on_block_mm")):
        u = np.hypot(columns[name], more_mm)
        columns[expanded] = columns[expanded] * (u / columns[name])
        columns[name] = u
    random = np.hypot(columns["u_random_mm"], more_mm)
    # What widens counts as known: degrees of freedom grow (Welch and Satterthwaite).
    columns["random_freedom"] = columns["random_freedom"] * (random / columns["u_random_mm"]) ** 4
    columns["u_random_mm"] = random
