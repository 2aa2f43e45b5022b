"""Learning on the steps where under an echo's envelope each gate times it."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import NOTES, Flag
from ascan.echo.bound import Taught
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.finding.half_cycle import NEAREST_PERIODS
from ascan.kernels.arrays import FloatArray
from ascan.learning.known import Known
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column


def learn_cycle_offsets(
    known: Known, procedure: Procedure, taught: Taught
) -> dict[str, FloatArray]:
    """Return by how much each gate of the interval times echoes after the top of their envelope.

    Two half-cycles of a step's echoes may be about as high, and noise picks now one, now the other.
    The one that was picked most often is the calibration's, on every step.

    Parameters
    ----------
    known : Known
        Rows with a flag are not used, unless it is that their half-cycle is not sure.
    procedure : Procedure
    taught : Taught
        What is known of their echoes.

    Returns
    -------
    offsets_us : dict of str to ndarray, shape ()
        By gate; without those in which no echo could be used.
    """
    pipeline = bind(procedure, known.scan.recording, taught=taught)
    columns = readings_of(pipeline, known.scan).columns
    near_us, offsets_us = NEAREST_PERIODS / procedure.probe.frequency_mhz, {}
    for name in procedure.interval.gates:
        flags = columns[gate_column(name, "flags")] & ~np.uint32(Flag.CYCLE_UNCERTAIN | NOTES)
        late = columns[gate_column(name, "time_us")] - columns[gate_column(name, "envelope_us")]
        usual = late[(flags == 0) & np.isfinite(late)]
        if usual.size and procedure.gate(name).seeks_one_echo:
            offsets_us[name] = np.array(commonest(usual, near_us))
    return offsets_us


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
