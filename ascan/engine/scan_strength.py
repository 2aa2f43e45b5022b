"""How strong the echoes of a scan are among themselves, learned before its waveforms are judged."""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan.base.flags import is_fatal
from ascan.checks.weak_echo import (
    DUAL_DROP_DB,
    LEAST_DROP_DB,
    learns_from_scan,
    least_of_scan,
)
from ascan.engine.blocks import readings_of
from ascan.engine.pipeline import Pipeline
from ascan.results.readings import Readings
from ascan.waveform.scan import Scan

# Fewer readings have no middle to speak of; more, evenly from all of the scan, tell no more.
FEWEST, MOST = 20, 200


def with_strength(pipeline: Pipeline, least_strength: float) -> Pipeline:
    """Return a pipeline that judges by a scan's least strength; NaN: by the procedure."""
    about = dataclasses.replace(pipeline.about, least_strength=least_strength)
    return dataclasses.replace(pipeline, about=about)


def least_strength_of(pipeline: Pipeline, scan: Scan) -> float:
    """Return the least strength of a scan's echoes; NaN where none is learned or too few are."""
    layout = pipeline.procedure.layout
    if not learns_from_scan(layout) or len(scan) < FEWEST:
        return np.nan
    rows = np.unique(np.linspace(0, len(scan) - 1, MOST).astype(np.int64))
    columns = readings_of(pipeline, scan.choose(rows)).columns
    strength = columns.get("relative_amplitude", np.zeros(0))
    sound = strength[~is_fatal(columns["flags"]) & (strength > 0.0)] if strength.size else strength
    if sound.size < FEWEST:
        return np.nan
    return least_of_scan(sound, DUAL_DROP_DB if layout.is_dual else LEAST_DROP_DB)


def strength_kept(readings: Readings, channel: int | None = None) -> float:
    """Return the least strength that readings were judged by; NaN where they were by none."""
    columns = readings.columns
    kept = columns.get("least_strength", np.zeros(0))
    if channel is not None and "channel" in columns:
        kept = kept[columns["channel"] == channel]
    return float(kept[0]) if kept.size else np.nan
