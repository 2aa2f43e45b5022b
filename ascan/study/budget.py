"""The uncertainty budget of one reading: every contribution, and the same by random draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.engine.read import Interval
from ascan.engine.thickness_stage import (
    Contribution,
    ThicknessStage,
    against_block,
    combined_mm,
    inverse_freedom,
)
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure
from ascan.uncertainty.coverage import coverage_factor
from ascan.uncertainty.monte_carlo import Drawn, propagate

# Parts that the model of `_drawn` holds itself; the others are added as they are.
BY_MODEL = (
    "timing",
    "repeatability",
    "calibration level",
    "calibration velocity",
    "scatter of the steps",
    "temperature rule",
)
FIT = ("calibration level", "calibration velocity")


# More degrees of freedom than this are as good as infinitely many.
MOST_FREEDOM = 1e4


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a budget.

    Attributes
    ----------
    component : str
    value : str
        The input's value and standard uncertainty, or why there is none.
    sensitivity : str
        What of it reaches the thickness.
    u_mm : float
        Contribution to the standard uncertainty of the thickness.
    freedom : float
        Degrees of freedom; 0: counts as exactly known.
    random : bool
        Whether it differs from reading to reading.
    """

    component: str
    value: str
    sensitivity: str
    u_mm: float
    freedom: float
    random: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """All lines of one reading, its thickness, combined and expanded uncertainty."""

    thickness_mm: float
    u_mm: float
    freedom: float
    expanded_mm: float
    on_block_mm: float
    rows: list[Line]
    taken: list[str]
    drawn: Drawn

    def lines(self) -> list[str]:
        """Return the budget as text."""
        out = [
            f"{'component':<22}{'value':<36}{'sensitivity':<18}{'u, mm':>9}  {'freedom':>7}  kind"
        ]
        for row in self.rows:
            freedom = f"{row.freedom:.1f}" if row.freedom else "inf"
            kind = "random" if row.random else "common"
            out.append(
                f"{row.component:<22}{row.value:<36}{row.sensitivity:<18}{row.u_mm:9.5f}  "
                f"{freedom:>7}  {kind}"
            )
        freedom = "infinite" if self.freedom > MOST_FREEDOM else f"{self.freedom:.1f}"
        out += [
            f"thickness {self.thickness_mm:.4f} mm, u {self.u_mm:.5f} mm, effective degrees of "
            f"freedom {freedom}, expanded (95 %) {self.expanded_mm:.5f} mm; on the block "
            f"{self.on_block_mm:.5f} mm",
            f"by {self.drawn_told}",
        ]
        return out + [f"allowed for: {each}" for each in self.taken]

    @property
    def drawn_told(self) -> str:
        """The Monte Carlo twin in words."""
        one = self.drawn
        return f"random draws: u {one.u:.5f} mm, 95 % from {one.low:.4f} to {one.high:.4f} mm"


def budget_of(stage: ThicknessStage, interval_us: float, u_interval_us: float) -> Budget:
    """Return the budget of a reading.

    Parameters
    ----------
    stage : ThicknessStage
        The procedure and the calibration it was measured with.
    interval_us, u_interval_us : float
        Its columns of that name.

    Raises
    ------
    AscanError
        The reading has no interval.

    References
    ----------
    JCGM 100:2008, 5.1.2 and 5.2.2; a table after its annex H.
    """
    flags = np.zeros(1, np.uint32)
    wall, parts = stage.parts(Interval(np.array([interval_us]), np.array([u_interval_us])), flags)
    if not np.isfinite(wall[0]):
        raise fault("budget", "the reading has no thickness", remedy="choose another row")
    thickness = float(wall[0])
    u = combined_mm(parts)
    inverse, on_block = inverse_freedom(u, parts), against_block(parts)
    u_on_block = combined_mm(on_block)
    return Budget(
        thickness_mm=thickness,
        u_mm=float(u[0]),
        freedom=float(1.0 / inverse[0]) if inverse[0] > 0.0 else np.inf,
        expanded_mm=float((u * coverage_factor(inverse))[0]),
        rows=_rows(stage, interval_us, u_interval_us, thickness, parts),
        on_block_mm=float((u_on_block * coverage_factor(inverse_freedom(u_on_block, on_block)))[0]),
        taken=[str(one) for one in stage.allowed if one.why],
        drawn=_drawn(stage, interval_us, u_interval_us, thickness, parts),
    )


def _rows(
    stage: ThicknessStage,
    interval_us: float,
    u_interval_us: float,
    thickness_mm: float,
    parts: Mapping[str, Contribution],
) -> list[Line]:
    """Return the lines, those of the fit split by where they come from."""
    fit, procedure = stage.calibration, stage.procedure
    per_us = float(parts["timing"].u_mm[0]) / u_interval_us
    told = {
        "timing": (f"{interval_us:.5f} µs, u {u_interval_us:.5f}", f"{per_us:.3f} mm/µs"),
        "repeatability": (_repeats_told(stage), f"{per_us:.3f} mm/µs"),
        "scatter of the steps": (f"u {fit.lack_of_fit_us:.5f} µs", f"{per_us:.3f} mm/µs"),
        "calibration curve": (str(getattr(fit.arrivals, "path", "")), "-"),
        "calibration model": ("whole records", "-"),
        "temperature rule": (_temperature_told(procedure), f"{thickness_mm:.3f} mm"),
        "coating": (f"{stage.coat_mm[0]:.4f} mm of wall", "1"),
        "pipe": (f"{stage.sagitta_mm[0]:.4f} mm added", "1"),
    }
    out: list[Line] = []
    for name, part in parts.items():
        if name in FIT:
            if name == FIT[0]:
                out += _fit_lines(stage, thickness_mm, parts)
            continue
        value, sensitivity = told.get(name) or _allowance_told(part, thickness_mm)
        out.append(_line(name, value, sensitivity, abs(float(part.u_mm[0])), part))
    return out


def _line(name: str, value: str, sensitivity: str, u_mm: float, part: Contribution) -> Line:
    return Line(
        component=name,
        value=value,
        sensitivity=sensitivity,
        u_mm=u_mm,
        freedom=part.freedom,
        random=part.source is None,
    )


def _fit_lines(
    stage: ThicknessStage, thickness_mm: float, parts: Mapping[str, Contribution]
) -> list[Line]:
    """Return what block, timing and scatter of the steps put into zero and velocity."""
    fit, part = stage.calibration, parts[FIT[0]]
    whole = float(np.hypot(*(parts[name].u_mm[0] for name in FIT)))
    gain, _, by_block_us = fit.gain()
    # Thickness follows zero and slowness s as −1 / s and −d / s: so it follows each step's time.
    follows = 0.5 * fit.velocity_mm_per_us * (gain[0] + thickness_mm * gain[1])
    shares = {
        "block": np.linalg.norm(follows * by_block_us),
        "timing on the steps": np.linalg.norm(follows * fit.steps.u_interval_us),
        "fit of the steps": np.linalg.norm(follows) * fit.lack_of_fit_us,
    }
    rest = whole**2 - sum(float(share) ** 2 for share in shares.values())
    told = f"v {fit.velocity_mm_per_us:.4f} mm/µs, zero {fit.zero_us:+.4f} µs"
    out = [
        _line(name, told, "through the fit", float(share), part)
        for name, share in shares.items()
        if share > 0.0
    ]
    if rest > (0.02 * whole) ** 2:
        out.append(_line("known velocity", told, "through the fit", float(np.sqrt(rest)), part))
    return out


def _repeats_told(stage: ThicknessStage) -> str:
    fit = stage.calibration
    return f"u {fit.repeatability_us:.5f} µs" if fit.is_repeated else "no step read twice"


def _temperature_told(procedure: Procedure) -> str:
    rule = procedure.temperature
    return f"{rule.block_c:g} to {rule.component_c:g} °C" if rule else "none"


def _allowance_told(part: Contribution, thickness_mm: float) -> tuple[str, str]:
    """Return what is allowed for, and whether it was stated."""
    one = part.allowance
    if one is None:
        return "by the temperatures", f"{thickness_mm:.3f} mm"
    by = "" if not one.why or one.size == 0.0 else ", not stated"
    if one.of_wall:
        return f"u {100.0 * one.size:.3g} %{by}", f"{thickness_mm:.3f} mm"
    return f"u {one.size:.3g} mm{by}", "1"


def _drawn(
    stage: ThicknessStage,
    interval_us: float,
    u_interval_us: float,
    wall_mm: float,
    parts: Mapping[str, Contribution],
) -> Drawn:
    """Return the reading by draws of every input: zero and velocity jointly, the rest alone."""
    fit = stage.calibration
    # A line is drawn by its zero and velocity; a curve and a record's model in their own parts.
    held = [*BY_MODEL, *(["temperature"] if stage.procedure.temperature else [])]
    added = [name for name in parts if name not in held]
    read_mm = wall_mm / float(stage.factor()[0][0]) - stage.sagitta_mm[0] + stage.coat_mm[0]
    per_us = float(parts["timing"].u_mm[0]) / u_interval_us
    factor, u_rule, u_degrees = (float(one[0]) for one in stage.factor())

    def model(drawn: Mapping[str, FloatArray]) -> FloatArray:
        time = interval_us + drawn["time"]
        if fit.is_line:
            read = 0.5 * drawn["fit"][:, 1] * (time - drawn["fit"][:, 0])
        else:
            read = read_mm + per_us * drawn["time"]
        wall = (read - stage.coat_mm[0] + stage.sagitta_mm[0]) * drawn["factor"]
        return np.asarray(wall + sum(drawn[name] for name in added))

    def normal(u: float, mean: float = 0.0):  # type: ignore[no-untyped-def]
        return lambda rng, n: mean + u * rng.standard_normal(n)

    def of(name: str):  # type: ignore[no-untyped-def]
        part = parts.get(name)
        u = 0.0 if part is None else float(part.u_mm[0])
        if part is None or part.allowance is None or part.allowance.distribution == "normal":
            return normal(u)
        return lambda rng, n: np.sqrt(3.0) * u * rng.uniform(-1.0, 1.0, n)

    u_repeat_us = float(parts["repeatability"].u_mm[0]) / per_us
    scatter = fit.lack_of_fit_us if "scatter of the steps" in parts else 0.0
    u_time = np.sqrt(u_interval_us**2 + u_repeat_us**2 + scatter**2)
    mean = np.array([fit.zero_us, fit.velocity_mm_per_us])
    covariance = fit.covariance
    draws = {
        "time": normal(float(u_time)),
        "fit": lambda rng, n: rng.multivariate_normal(mean, covariance, n),
        "factor": normal(float(np.hypot(u_rule, u_degrees)), factor),
        **{name: of(name) for name in added},
    }
    return propagate(model, draws)
