"""A surface in words: least, mean, ground below limits, coverage, and what they leave open."""

from __future__ import annotations

from ascan.base.flags import with_care
from ascan.results.shown import area, length
from ascan.survey.cells import Cells, Coverage
from ascan.survey.figures import Figures


def surface_lines(
    cells: Cells, figures: Figures, coverage: Coverage | None, index_mm: float | None = None
) -> list[str]:
    """Return a surface as text.

    Parameters
    ----------
    cells : Cells
    figures : Figures
    coverage : Coverage, optional
        Where the beam is known.
    index_mm : float, optional
        Planned distance between positions.
    """
    out = [
        f"{figures.cells} cells of {length(cells.cell_mm, 2)}: {figures.read} read, "
        f"{figures.refused} with refused positions only, {figures.empty} without a position"
    ]
    if cells.places.nowhere:
        out.append(f"{cells.places.nowhere} readings have no position and are in no figure below")
    outside = cells.outside & cells.places.usable
    if cells.outside.any():
        told = f"{int(cells.outside.sum())} readings lie OFF the ground and are in no figure below"
        if outside.any():
            told += f"; the least of them {length(float(cells.places.thickness_mm[outside].min()))}"
        out.append(told)
    if not figures.read:
        return [*out, "nothing was measured: all of the ground may be below any limit"]
    out += [
        f"least  {length(figures.least_mm)}, u {length(figures.u_least_mm)}, at x "
        f"{length(figures.x_mm, 1)}, y {length(figures.y_mm, 1)}, row {figures.row}"
        f"{with_care(figures.least_flags)}",
        f"       of so many readings of an even wall, noise alone would make the least read "
        f"{length(figures.low_by_mm)} low; not corrected",
        f"mean   {length(figures.mean_mm)}, u {length(figures.u_mean_mm)}; cells spread by "
        f"{length(figures.spread_mm)}",
    ]
    for below in figures.below:
        out.append(
            f"below {length(below.limit_mm)}: {below.cells} cells, {area(below.area_mm2)}, "
            f"{100.0 * below.share:.2f} % of what was read; without their noise "
            f"{area(below.expected_mm2)}, at 95 % {area(below.from_mm2)} to {area(below.to_mm2)}; "
            f"with all that was not read {area(below.most_mm2)}"
        )
    if coverage is None:
        return [*out, "coverage is not reckoned: the beam's diameter is not stated"]
    out.append(
        f"coverage {100.0 * coverage.covered:.1f} % of the ground under a beam, "
        f"{100.0 * coverage.twice:.1f} % under two or more, {100.0 * coverage.refused:.1f} % under "
        f"refused positions alone; widest gap {length(coverage.widest_gap_mm, 1)}"
    )
    if index_mm is not None:
        word = "as planned" if coverage.pitch_mm <= 1.05 * index_mm else "WIDER than planned"
        out.append(
            f"positions every {length(coverage.pitch_mm, 2)}, planned {length(index_mm, 2)}: {word}"
        )
    return out
