"""A calibration as text: parameters, steps with residuals, what is in doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ascan.calibration.record import Calibration


def lines_of(calibration: Calibration) -> list[str]:
    """Return a calibration as lines of text."""
    conditions = calibration.conditions
    out = [*_line_lines(calibration), *_step_lines(calibration)]
    for name in ("lack_of_fit_test", "doubted_step"):
        if name in conditions:
            out.append(f"{name.replace('_', ' ')}: {conditions[name]}")
    fit = calibration.fit
    if np.isfinite(fit.fitted_zero_us):
        out.append(
            f"free zero offset would be {fit.fitted_zero_us * 1e3:+.2f} ns "
            f"(u {fit.u_fitted_zero_us * 1e3:.2f} ns); echo to echo it is 0 by definition"
        )
    if calibration.arrivals is not None:
        out.append(f"path: {conditions['path']}")
        out.append(
            f"timed on the {conditions['timed_half_cycle']} half-cycle that opens the echo; "
            f"steps moved by half-cycles: {conditions['half_cycles_moved']}"
        )
    if calibration.record_model is not None:
        out += calibration.record_model.lines()
        out.append(f"steps left out in turn: {conditions['left_out_steps_test']}")
        out.append(f"not learned from these steps: {conditions['not_learned']}")
    for name, template in calibration.templates.items():
        out.append(
            f"template of gate '{name}': mean of {template.echoes} echoes; each differs from "
            f"it by {100.0 * template.scatter:.1f} % of its height (rms)"
        )
    if conditions.get("rows_left_out", "none") != "none":
        out.append(f"left out: {conditions['rows_left_out']}")
        if "readings_kept" in conditions:
            out.append(f"readings used: {conditions['readings_kept']}")
    out += calibration.remarks
    if calibration.second is not None:
        out += ["second interval:", *(f"  {line}" for line in lines_of(calibration.second))]
    return out


def _line_lines(calibration: Calibration) -> list[str]:
    """Return zero, velocity, range and scatter."""
    fit, span = calibration.fit, (calibration.minimum_mm, calibration.maximum_mm)
    material = calibration.conditions.get("material_velocity")
    return [
        f"effective velocity over {span[0]:g} to {span[1]:g} mm  {fit.velocity_mm_per_us:.5f} "
        f"mm/µs  u {calibration.u_velocity_mm_per_us:.5f}",
        *([f"velocity of the material  {material}"] if material else []),
        f"zero      {fit.zero_us:+.5f} µs     u {calibration.u_zero_us:.5f}",
        f"range     {span[0]:g} to {span[1]:g} mm, mode {calibration.mode}",
        f"repeated readings scatter {fit.repeatability_us * 1e3:.2f} ns beyond noise; "
        f"lack of fit {fit.lack_of_fit_us * 1e3:.2f} ns",
    ]


def _step_lines(calibration: Calibration) -> list[str]:
    """Return the table of the steps."""
    steps = calibration.steps
    columns = zip(
        steps.thickness_mm,
        steps.u_thickness_mm,
        steps.readings,
        steps.interval_us,
        steps.residual_mm,
        calibration.leverage,
        strict=True,
    )
    row = "{:<9g} {:<8.4f} {:<10d} {:<13.5f} {:<+13.4f} {:.2f}"
    head = "step mm   u mm     readings   interval µs   residual mm   leverage"
    return [head, *(row.format(*values) for values in columns)]
