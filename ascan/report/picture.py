"""Pictures as files, written whole or not at all: PNG, SVG or PDF, as the name ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

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
