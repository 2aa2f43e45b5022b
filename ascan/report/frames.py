"""Readings in the tables that other people's tools take: pandas, xarray, and a notebook's cell."""

from __future__ import annotations

import html
from typing import Any

import numpy as np

from ascan.base.flags import MEANINGS, severity
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.report.cautions import CAUTION
from ascan.results.readings import Readings
from ascan.results.shown import shown_columns
from ascan.store.readings import describe

# So many rows stand in a notebook's cell.
MOST_SHOWN = 8
SHOWN = ("thickness_mm", "expanded_on_block_mm", "expanded_mm")


def dataframe_of(readings: Readings) -> Any:
    """Return readings as a `pandas.DataFrame`: see `Readings.to_dataframe`."""
    import pandas as pd

    columns = {**readings.columns, "usability": readings.usability}
    frame = pd.DataFrame(columns, index=pd.Index(readings.scan_rows, name="scan_row"))
    frame = frame.drop(columns="scan_row", errors="ignore")
    told = {name: describe(name) for name in readings.columns}
    frame.attrs = {
        "units": {name: unit for name, (unit, _) in told.items()},
        "long_names": {name: meaning for name, (_, meaning) in told.items()},
    }
    return frame


def dataset_of(readings: Readings) -> Any:
    """Return readings as an `xarray.Dataset`: see `Readings.to_xarray`."""
    import xarray as xr

    places = _raster(readings)
    dims: tuple[str, ...] = ("row",)
    shape: tuple[int, ...] = (len(readings),)
    order = np.arange(len(readings))
    coords: dict[str, Any] = {"row": readings.scan_rows}
    if places is not None:
        dims, shape = ("y_mm", "x_mm"), (places[1].size, places[0].size)
        order = np.lexsort((readings.columns["x_mm"], readings.columns["y_mm"]))
        at = dict(zip(("x_mm", "y_mm"), places, strict=True))
        coords = {name: (name, values, _attributes(name)) for name, values in at.items()}
    variables = {
        name: (dims, np.asarray(values)[order].reshape(shape), _attributes(name, values))
        for name, values in readings.columns.items()
        if name not in coords and name != "scan_row"
    }
    if places is not None:
        coords["row"] = (dims, readings.scan_rows[order].reshape(shape), _attributes("scan_row"))
    return xr.Dataset(variables, coords, {"title": "wall thickness", "comment": CAUTION})


def _raster(readings: Readings) -> tuple[FloatArray, FloatArray] | None:
    """Return the places along x and y if each of their pairs has one reading."""
    if not {"x_mm", "y_mm"} <= set(readings.columns):
        return None
    x, y = readings.columns["x_mm"], readings.columns["y_mm"]
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or not len(readings):
        return None
    along, across = np.unique(x), np.unique(y)
    pairs = np.unique(np.stack([x, y]), axis=1).shape[1]
    return (along, across) if pairs == len(readings) == along.size * across.size else None


def _attributes(name: str, values: AnyArray | None = None) -> dict[str, Any]:
    """Return a column's unit and meaning, of flags their bits, as the CF conventions name them."""
    unit, meaning = describe(name)
    told: dict[str, Any] = {"units": unit, "long_name": meaning}
    if values is not None and values.dtype == np.uint32 and name.endswith("flags"):
        told["flag_masks"] = np.array([int(flag) for flag in MEANINGS], np.uint32)
        told["flag_meanings"] = " ".join(str(flag.name).lower() for flag in MEANINGS)
        told["flag_severities"] = " ".join(map(severity, MEANINGS))
    return told


def page_of(readings: Readings) -> str:
    """Return what a notebook shows of readings: the summary and the first rows, as HTML."""
    shown = shown_columns({n: readings.columns[n] for n in SHOWN if n in readings.columns})
    head = "".join(f"<th>{html.escape(name)}</th>" for name in ("row", *shown, "usability", "why"))
    rows, words = [], readings.usability
    for k in range(min(len(readings), MOST_SHOWN)):
        cells = [str(readings.scan_rows[k])]
        cells += ["" if np.isnan(each[k]) else f"{each[k]:.4f}" for each in shown.values()]
        cells += [str(words[k]), "; ".join(readings.reasons(k))]
        rows.append("<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>")
    more = len(readings) - len(rows)
    tail = f"<p>and {more} more</p>" if more else ""
    summary = html.escape("\n".join(readings.summary().lines()))
    return (
        f"<pre>{summary}</pre><table><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>{tail}<p>{html.escape(CAUTION)}</p>"
    )
