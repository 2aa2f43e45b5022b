"""Pictures as files, written whole or not at all: PNG, SVG or PDF, as the name ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ascan.base.units import MM_PER_INCH, SHOWN_IN
from ascan.store.replacing import whole_file

# A picture drawn again of the same data is the same file: no date in it.
UNDATED: dict[str, dict[str, Any]] = {
    "png": {},
    "svg": {"metadata": {"Date": None}},
    "pdf": {"metadata": {"CreationDate": None}},
}


def save_picture(figure: Any, path: str | Path, *, dpi: int, replace: bool) -> None:
    """Write a matplotlib figure to a file in the format of its ending."""
    form = Path(path).suffix[1:].lower()
    with whole_file(path, replace=replace) as part:
        figure.savefig(part, format=form, dpi=dpi, **UNDATED[form])


def shown_unit() -> tuple[str, float]:
    """Return the unit that lengths are drawn in, and its size in mm."""
    return ("in", MM_PER_INCH) if SHOWN_IN.get() == "in" else ("mm", 1.0)


def tidy(axes: Any) -> None:
    """Draw small figures at the ticks, and no frame above and on the right."""
    axes.tick_params(labelsize=8)
    axes.spines[["top", "right"]].set_visible(False)
