"""Scans of several channels: each waveform through the calibration of its own channel."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.calibration.record import Calibration, check_calibration
from ascan.engine.binding import bind
from ascan.engine.blocks import run_rows, walk, walk_by
from ascan.engine.pipeline import Pipeline
from ascan.engine.scan_usual import knowing, usual_kept, usual_of
from ascan.kernels.arrays import AnyArray, Columns, IntArray
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings
from ascan.waveform.scan import Progress, Scan, check_scan

MOST_CHANNELS = 1_000_000
# One for all waveforms, or one for each channel by its number.
Calibrations = Calibration | Mapping[int, Calibration]


def channels_of(scan: Scan) -> IntArray | None:
    """Return the channel of each waveform; None where the scan does not say.

    Raises
    ------
    AscanError
        A column ``channel`` that holds no whole numbers.
    """
    if "channel" not in scan.columns:
        return None
    column = scan.columns["channel"]
    is_number = column.dtype.kind in "iuf"
    if not is_number or not ((np.abs(column) < MOST_CHANNELS) & (column % 1 == 0)).all():
        raise fault(f"{scan.name}: channel", "holds no whole numbers", allowed="0, 1, 2 ...")
    return column.astype(np.int64)


Pipelines = dict[int | None, Pipeline]


def scan_pipelines(
    scan: Scan, procedure: Procedure, calibrations: Calibrations, like: Readings | None = None
) -> Pipelines:
    """Return the pipelines of a scan's channels, each with what the scan tells of itself.

    ``like``: readings of the scan that these waveforms are part of; what those were judged by is
    taken from them. Raises as `channel_pipelines` does.
    """
    check_scan(scan)
    found, channels = channel_pipelines(scan, procedure, calibrations), channels_of(scan)
    for channel, pipeline in found.items():
        rows = np.arange(len(scan))
        if channel is not None and channels is not None:
            rows = np.flatnonzero(channels == channel)
        usual = usual_of(pipeline, scan, rows) if like is None else usual_kept(like, channel)
        found[channel] = knowing(pipeline, usual)
    return found


def channel_pipelines(scan: Scan, procedure: Procedure, calibrations: Calibrations) -> Pipelines:
    """Return a pipeline for each channel of a scan, or one under None for all waveforms.

    Raises
    ------
    AscanError
        A channel without a calibration, one calibration for several channels, or one that was made
        on another channel.
    """
    channels = channels_of(scan)
    present = [] if channels is None else np.unique(channels).tolist()
    if not isinstance(calibrations, Mapping):
        if len(present) > 1:
            raise fault(
                f"{scan.name}: channel",
                f"holds channels {', '.join(map(str, present))} but one calibration is given",
                remedy="give each channel its own",
            )
        _refuse_other(calibrations, present[0] if present else None)
        return {None: bind(procedure, scan.recording, calibrations)}
    if channels is None:
        raise fault(
            f"{scan.name}",
            f"has no column 'channel' but calibrations of {len(calibrations)} channels are given",
            remedy="add the column, or give one calibration",
        )
    missing = [channel for channel in present if channel not in calibrations]
    if missing:
        raise fault(
            f"{scan.name}: channel",
            f"holds channel {', '.join(map(str, missing))}, which has no calibration",
            allowed=f"channels {', '.join(sorted(map(str, calibrations)))}",
            remedy="calibrate it, or leave its waveforms out",
        )
    pipelines: Pipelines = {}
    for channel in present:
        _refuse_other(calibrations[channel], channel)
        pipelines[channel] = bind(procedure, scan.recording, calibrations[channel])
    return pipelines


def _refuse_other(calibration: Calibration, channel: int | None) -> None:
    check_calibration(calibration)
    made = calibration.conditions.get("channel", "")
    if made and channel is not None and int(made) != channel:
        raise fault(
            "calibration",
            f"was made on channel {made}, the waveforms are of channel {channel}",
            remedy="use the calibration of that channel",
        )


def shared_by(procedure: Procedure, pipelines: Pipelines) -> dict[str, Any]:
    """Return what readings say of themselves for whoever combines them with others."""
    named = {"component": procedure.component} if procedure.component else {}
    return named | {"sources": sources_of(pipelines)}


def sources_of(pipelines: Pipelines) -> dict[str, dict[str, Any]]:
    """Return what readings share, as their provenance keeps it: by channel, "" for all of them."""
    return {
        "" if channel is None else str(channel): pipeline.to_thickness.sources()
        for channel, pipeline in pipelines.items()
        if pipeline.to_thickness is not None
    }


def walk_channels(
    scan: Scan, pipelines: Pipelines, progress: Progress | None = None
) -> Iterator[tuple[slice, Columns]]:
    """Yield (rows, columns) for the scan's blocks in order; columns of the scan included."""
    channels = channels_of(scan)
    if None in pipelines or channels is None:
        return walk(pipelines[None], scan, progress)

    def run(rows: slice, block: AnyArray) -> Columns:
        found: Columns = {}
        for channel, pipeline in pipelines.items():
            own = np.flatnonzero(channels[rows] == channel)
            if own.size:
                chosen = np.ascontiguousarray(block[own])
                part = run_rows(pipeline, scan, rows.start + own, chosen)
                _put(found, part, own, len(block))
        return found

    return walk_by(next(iter(pipelines.values())), scan, run, progress)


def _put(found: Columns, part: Columns, own: AnyArray, count: int) -> None:
    """Write the columns of some rows into those of their block."""
    for name, values in part.items():
        found.setdefault(name, np.empty(count, values.dtype))[own] = values
