"""Pictures as PNG files, written whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ascan.store.replacing import whole_file


def save_png(figure: Any, path: str | Path, *, dpi: int, replace: bool) -> None:
    """Write a matplotlib figure to a PNG file."""
    with whole_file(path, replace=replace) as part:
        figure.savefig(part, format="png", dpi=dpi)
