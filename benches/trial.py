"""One trial: a step block, a component on it, and the truth under every record of the component.

Whatever physics made the signals, a bench judges trials. `of_records` makes them of the records of
`physics`, which knows nothing of the engine.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from physics.records import Records

from ascan import Procedure, Scan
from ascan.kernels.arrays import FloatArray
from ascan.survey.wrong import Truth


class Trial(NamedTuple):
    """What is calibrated, what is measured, and what is true.

    Attributes
    ----------
    setup : str
        The way of measuring.
    procedure : Procedure
    block : Scan
    known_mm : ndarray, shape (block rows,), mm
    component : Scan
    axis_mm, mean_mm, least_mm : ndarray, shape (n,), mm
        Truth under each record of the component.
    what : str
        The difficulty, or the number of the scenario.
    claims_mm : ndarray, shape (2 k, n), mm, optional
        As `Truth` has them.
    echo_db : callable, optional
        Gives how far the wall's echo stands above noise, shape (n,), dB, −∞ where no number is
        owed. Called only if a reading was refused, since it may cost another synthesis.
    """

    setup: str
    procedure: Procedure
    block: Scan
    known_mm: FloatArray
    component: Scan
    axis_mm: FloatArray
    mean_mm: FloatArray
    least_mm: FloatArray
    what: str = ""
    claims_mm: FloatArray | None = None
    echo_db: Callable[[], FloatArray] | None = None

    @property
    def truth(self) -> Truth:
        """The truth, as the definitions of wrong take it."""
        return Truth(self.axis_mm, self.mean_mm, self.least_mm, self.claims_mm)


def scan_of_records(records: Records) -> Scan:
    """Return a scan of records: codes, rate, begin, rails, places and columns as they are."""
    full, columns = float(2 ** (records.bits - 1)), dict(records.columns)
    for name, values in (("x_mm", records.x_mm), ("y_mm", records.y_mm)):
        if len(values) == len(records.codes):
            columns[name] = values
    return Scan.from_array(
        records.codes,
        sample_rate_mhz=records.sample_rate_mhz,
        start_time_us=np.asarray(records.start_us, np.float64),
        columns=columns,
        full_scale=full,
        clip_low=-full,
        clip_high=full - 1.0,
    )


def of_records(
    setup: str, procedure: Procedure, block: Records, component: Records, what: str = ""
) -> Trial:
    """Return a trial of records; the steps are known by the mean under each.

    What the grid leaves of doubt about the truth lies within the claim: the bounds are wider by it.
    """
    truth, doubt = component, component.truth_u_mm
    claims = np.stack([truth.least_mm - doubt, np.maximum(truth.mean_mm, truth.least_mm) + doubt])
    return Trial(
        setup, procedure, scan_of_records(block), np.asarray(block.mean_mm),
        scan_of_records(component), truth.axis_mm, truth.mean_mm, truth.least_mm, what, claims,
    )  # fmt: skip
