"""Learning on the steps where under an echo's envelope each gate times it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ascan.base.flags import Flag
from ascan.engine.pipeline import Pipeline, joined
from ascan.finding.first_arrival import ArrivalGuide
from ascan.finding.half_cycle import NEAREST_PERIODS
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.waveform.scan import Scan
from ascan.waveform.template import Template


def learn_lags(
    scan: Scan,
    procedure: Procedure,
    templates: Mapping[str, Template],
    guide: ArrivalGuide | None = None,
) -> dict[str, float]:
    """Return by how much each gate of the interval times echoes after the top of their envelope.

    Two half-cycles of a step's echoes may be about as high, and noise picks now one, now the other.
    The one that was picked most often is the calibration's, on every step.

    Parameters
    ----------
    scan : Scan
        Step readings only; those with a flag are not used, unless it is that their half-cycle is
        not sure.
    procedure : Procedure
    templates : mapping of str to Template
        What the timing methods take.
    guide : ArrivalGuide, optional
        What is known of its heads.

    Returns
    -------
    lags_us : dict of str to float
        By gate; without those in which no echo could be used.
    """
    pipeline = Pipeline(procedure, scan.recording, templates=dict(templates), guide=guide)
    columns = joined(found for _, found in pipeline.walk(scan))
    near_us, lags_us = NEAREST_PERIODS / procedure.probe.frequency_mhz, {}
    for name in procedure.interval.gates:
        flags = columns[gate_column(name, "flags")] & ~np.uint32(Flag.HALF_CYCLE_UNSURE)
        lag = columns[gate_column(name, "time_us")] - columns[gate_column(name, "envelope_us")]
        known = lag[(flags == 0) & np.isfinite(lag)]
        if known.size and procedure.gate(name).seeks_one_echo:
            lags_us[name] = commonest(known, near_us)
    return lags_us


def commonest(values: FloatArray, near: float) -> float:
    """Return the middle of the values within ``near`` of the one that has most others there.

    Examples
    --------
    >>> commonest(np.array([0.1, 5.0, 5.2, 5.3]), 1.0)
    5.15
    """
    beside = np.abs(values[:, None] - values) <= near
    near_it = values[beside[beside.sum(axis=1).argmax()]]
    return 0.5 * float(near_it.min() + near_it.max())
