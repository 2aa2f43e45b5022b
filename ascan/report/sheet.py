"""A calibration on one page: steps, fit, residuals, range, health, conditions, budget, picture."""

from __future__ import annotations

import html
from collections.abc import Iterable

import numpy as np

from ascan.calibration.record import Calibration
from ascan.engine.taught import AMPLITUDE_RANGE
from ascan.report.cautions import CAUTION

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 640, 240, 70, 40, 15
STYLE = (
    "body{font:14px/1.45 Georgia,serif;max-width:46em;margin:2em auto;color:#222}"
    "h1{font-size:1.3em}h2{font-size:1.05em;margin:1.2em 0 .3em}"
    "h3{font-size:1em;margin:.9em 0 .2em}"
    "table{border-collapse:collapse}td,th{padding:.15em .9em .15em 0;text-align:right}"
    "td:first-child,th:first-child{text-align:left}.doubt{font-weight:bold}"
    "@media print{body{margin:0}}"
)


def sheet_of(calibration: Calibration, title: str, budget: Iterable[str] = ()) -> str:
    """Return the page as HTML that needs nothing else.

    Parameters
    ----------
    calibration : Calibration
    title : str
    budget : iterable of str
        Lines of a budget at one thickness.
    """
    parts = [f"<h1>{_safe(title)}</h1>", *sheet_parts(calibration)]
    lines = list(budget)
    if lines:
        parts.append(f"<h2>Budget</h2><pre>{_safe(chr(10).join(lines))}</pre>")
    parts.append(f"<p>{_safe(CAUTION)}</p>")
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{_safe(title)}</title>'
        f"<style>{STYLE}</style>{''.join(parts)}</html>\n"
    )


def sheet_parts(calibration: Calibration) -> list[str]:
    """Return fit, steps with their picture, and conditions, as pieces of HTML."""
    steps = calibration.steps
    rows = zip(
        steps.thickness_mm,
        steps.u_thickness_mm,
        steps.readings,
        steps.interval_us,
        steps.u_interval_us,
        steps.residual_mm,
        calibration.leverage,
        strict=True,
    )
    head = "step mm|u mm|readings|interval µs|u µs|residual mm|leverage"
    forms = ("{:g}", "{:.4f}", "{:d}", "{:.5f}", "{:.5f}", "{:+.4f}", "{:.2f}")
    table = row_of("th", head.split("|")) + "".join(
        row_of("td", [form.format(value) for form, value in zip(forms, row, strict=True)])
        for row in rows
    )
    fitted = [
        f"effective velocity {calibration.velocity_mm_per_us:.5f} mm/µs, u "
        f"{calibration.u_velocity_mm_per_us:.5f}",
        f"zero {calibration.zero_us:+.5f} µs, u {calibration.u_zero_us:.5f}",
        f"repeatability {1e3 * calibration.repeatability_us:.2f} ns on "
        f"{calibration.repeat_freedom} degrees of freedom; scatter of the steps "
        f"{1e3 * calibration.lack_of_fit_us:.2f} ns",
        f"good from {calibration.minimum_mm:g} to {calibration.maximum_mm:g} mm, mode "
        f"{calibration.mode}",
    ]
    fitted += [
        f"echoes of gate {name}: {low:.3f} to {high:.3f} of full scale"
        for name, (low, high) in calibration.learned.get(AMPLITUDE_RANGE, {}).items()
    ]
    doubts = "".join(f'<p class="doubt">{_safe(line)}</p>' for line in calibration.remarks)
    kept = "".join(row_of("td", [name, value]) for name, value in calibration.conditions.items())
    return [
        f"<p>digest {calibration.digest}</p>",
        "<h3>Fit</h3>" + "".join(f"<p>{_safe(line)}</p>" for line in fitted) + doubts,
        f"<h3>Steps</h3><table>{table}</table>{_picture(calibration)}",
        f"<h3>Conditions</h3><table>{kept}</table>",
    ]


def _picture(calibration: Calibration) -> str:
    """Return the residuals with twice their u over the thickness, as SVG."""
    steps = calibration.steps
    u_time_mm = 0.5 * calibration.velocity_mm_per_us * steps.u_interval_us
    wide = 2.0 * np.hypot(steps.u_thickness_mm, u_time_mm)
    most = 1.1 * float(np.max(np.abs(steps.residual_mm) + wide))
    last = 1.05 * calibration.maximum_mm
    inner = HEIGHT - BOTTOM - TOP

    def x(value: float) -> float:
        return LEFT + (WIDTH - LEFT - 10) * value / last

    def y(value: float) -> float:
        return TOP + 0.5 * inner * (1.0 - value / most)

    marks = [
        f'<line x1="{LEFT}" x2="{WIDTH - 10}" y1="{y(0):.1f}" y2="{y(0):.1f}" stroke="#888"/>',
        f'<line x1="{LEFT}" x2="{LEFT}" y1="{TOP}" y2="{TOP + inner}" stroke="#888"/>',
    ]
    for value in (-most / 1.1, 0.0, most / 1.1):
        marks.append(
            f'<text x="{LEFT - 6}" y="{y(value) + 4:.1f}" text-anchor="end">{value:+.3f}</text>'
        )
    for thickness, off, half in zip(steps.thickness_mm, steps.residual_mm, wide, strict=True):
        place = x(float(thickness))
        marks.append(
            f'<line x1="{place:.1f}" x2="{place:.1f}" y1="{y(off - half):.1f}" '
            f'y2="{y(off + half):.1f}" stroke="#222"/>'
            f'<circle cx="{place:.1f}" cy="{y(off):.1f}" r="3.5" fill="#222"/>'
            f'<text x="{place:.1f}" y="{HEIGHT - 22}" text-anchor="middle">{thickness:g}</text>'
        )
    middle = (LEFT + WIDTH) / 2
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="100%" font-size="12" role="img" '
        'aria-label="residuals over thickness">' + "".join(marks) + f'<text x="{middle}" '
        f'y="{HEIGHT - 4}" text-anchor="middle">step, mm; residual ± 2 u, mm</text></svg>'
    )


def row_of(cell: str, values: Iterable[str]) -> str:
    """Return a row of an HTML table; ``cell`` is td or th."""
    return "<tr>" + "".join(f"<{cell}>{_safe(value)}</{cell}>" for value in values) + "</tr>"


def _safe(text: str) -> str:
    return html.escape(str(text))
