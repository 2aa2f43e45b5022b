"""What each candidate reaches on the steps' own records: calibrated, then read with noise added."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import AscanError
from ascan.base.flags import OF_RANGE, is_fatal, is_marked
from ascan.drafting.candidates import WHOLE, Candidate
from ascan.engine.measuring import measure
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings
from ascan.survey.wrong import eighth_mm, tolerance_mm
from ascan.waveform.noise import NoiseMeter
from ascan.waveform.scan import Scan

# So many copies of each record, with noise of its own size added.
COPIES = 4
# The steps are what copies are judged by: here they are as thick as they are said to be.
U_STEP_MM = 0.002
# So many inner steps are left out in turn, evenly chosen; of a whole record, which takes long to
# learn, one.
MOST_LEFT_OUT, OF_WHOLE = 3, 1
# Spreads that differ by less are alike.
ALIKE_MM = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What a candidate reached.

    Attributes
    ----------
    candidate : Candidate
    reason : str
        Why it is out; "" where it is not.
    right, unmarked : float
        Shares of copies that are right, and of these that are unmarked.
    spread_mm : float
        Root mean square of their errors.
    read : float
        Share of the component's records that are read without a mark; NaN where none was given.
    lost_mm : tuple of float
        Steps of which less than half is read right.
    left_out_mm : float
        The most that an inner step was off when it was not calibrated on; NaN where none was tried.
    """

    candidate: Candidate
    reason: str = ""
    right: float = 0.0
    unmarked: float = 0.0
    spread_mm: float = float("nan")
    read: float = float("nan")
    lost_mm: tuple[float, ...] = ()
    left_out_mm: float = float("nan")

    @property
    def rank(self) -> tuple[bool, int, int, int, int, bool, float]:
        """The greater, the better: in, steps read, right, unmarked, read by tenths, then spread.

        Of two that spread about alike the whole record is the better: it holds between steps, too.
        """
        read = 1.0 if np.isnan(self.read) else self.read
        return (
            not self.reason,
            -len(self.lost_mm),
            round(10.0 * self.right),
            round(10.0 * self.unmarked * read),
            -int(np.nan_to_num(self.spread_mm, nan=1e3) / ALIKE_MM),
            self.candidate.name == WHOLE,
            -self.spread_mm,
        )


def tried(
    candidate: Candidate,
    scan: Scan,
    known_mm: FloatArray,
    seed: int,
    component: Scan | None = None,
) -> Trial:
    """Return what a candidate reaches on step records.

    Parameters
    ----------
    candidate : Candidate
    scan : Scan
        Held in memory.
    known_mm : ndarray, shape (n,)
        Step of each record; NaN: none.
    seed : int
        Of the noise.
    component : Scan, optional
        Records of what is to be measured.
    """
    try:
        procedure = Procedure.from_text(candidate.text)
        fit = calibrate(scan, procedure, known_mm, u_known_mm=U_STEP_MM)
        copies, walls_mm = noisy_copies(scan, known_mm, procedure, seed)
        readings = measure(copies, procedure.on_block, fit)
        of_component = np.nan if component is None else _plain(measure(component, procedure, fit))
    except AscanError as problem:
        return Trial(candidate=candidate, reason=shortened(str(problem)))
    wrong_mm = eighth_mm(procedure.material.velocity_mm_per_us, procedure.probe.frequency_mhz)
    flags = np.asarray(readings.flags, np.uint32)
    read = ~is_fatal(flags) & np.isfinite(readings.thickness_mm)
    off = np.abs(readings.thickness_mm - walls_mm)
    # Whatever u is stated: a wide one makes no candidate the better.
    right = read & (off <= tolerance_mm(np.full(off.size, np.nan), walls_mm, wrong_mm))
    # Copies of the outer steps lie to both sides of the range.
    plain = right & ~is_marked(flags & ~OF_RANGE)
    left_out = _left_out(scan, procedure, known_mm)
    steps_mm = np.unique(walls_mm)
    lost = [float(step) for step in steps_mm if right[walls_mm == step].mean() < 0.5]
    reason = ""
    if right.mean() < 0.5:
        reason = f"read {100.0 * right.mean():.0f} % of its own steps right"
    elif left_out > wrong_mm:
        reason = f"a step that was left out came {left_out:.2f} mm off"
    return Trial(
        candidate=candidate,
        reason=reason,
        right=float(right.mean()),
        unmarked=float(plain.sum() / max(right.sum(), 1)),
        spread_mm=float(np.sqrt(np.mean(off[right] ** 2))) if right.any() else float("nan"),
        read=of_component,
        lost_mm=tuple(lost),
        left_out_mm=left_out,
    )


def _plain(readings: Readings) -> float:
    """Return the share of readings that have a value and no mark."""
    flags = np.asarray(readings.flags, np.uint32)
    return float(np.mean(~is_fatal(flags) & ~is_marked(flags & ~OF_RANGE)))


def shortened(problem: str) -> str:
    """Return what is wrong without the rows that it names.

    Examples
    --------
    >>> shortened("calibration: no step can be used (row 0 on 2 mm: no_echo); raise the gain")
    'no step can be used (no_echo)'
    """
    said, bracket, rows = problem.partition(" (row ")
    said = said.removeprefix("calibration: ")
    if not bracket:
        return said
    named = rows.partition(")")[0].split(": ", 1)[1].split(", row ")[0]
    return f"{said} ({named})"


def noisy_copies(
    scan: Scan, known_mm: FloatArray, procedure: Procedure, seed: int
) -> tuple[Scan, FloatArray]:
    """Return copies of the step records with noise of their own size added, and their walls."""
    rows = np.flatnonzero(np.isfinite(known_mm))
    recording, rng = scan.recording, np.random.default_rng(seed)
    block = scan.choose(rows).rows.read_block(0, rows.size)
    period = recording.sample_rate_mhz / procedure.probe.frequency_mhz
    taps = np.ones(1, np.float32)
    meter = NoiseMeter(taps, recording.zero_code, recording.step, period, False, False)
    whole = np.full(rows.size, block.shape[1])
    noise = meter.measure(np.ascontiguousarray(block), np.zeros_like(whole), whole)[0]
    noise = np.nan_to_num(noise)
    copies = np.repeat(block.astype(np.float64), COPIES, axis=0)
    copies += np.repeat(noise, COPIES)[:, None] * rng.standard_normal(copies.shape)
    stored: AnyArray = copies
    if block.dtype.kind in "iu":
        rails = np.iinfo(block.dtype)
        low, high = max(recording.clip_low, rails.min), min(recording.clip_high, rails.max)
        stored = np.clip(np.rint(copies), low, high)
    made = Scan.from_array(
        stored.astype(block.dtype),
        sample_rate_mhz=recording.sample_rate_mhz,
        start_time_us=np.repeat(scan.start_time_us[rows], COPIES),
        full_scale=recording.full_scale,
        zero_code=recording.zero_code,
        clip_low=recording.clip_low,
        clip_high=recording.clip_high,
    )
    return made, np.repeat(np.asarray(known_mm[rows], np.float64), COPIES)


def _left_out(scan: Scan, procedure: Procedure, known_mm: FloatArray) -> float:
    """Return the most that an inner step is off where the others alone are calibrated on."""
    steps_mm = np.unique(known_mm[np.isfinite(known_mm)])
    whole = procedure.layout.of_whole_record
    least = 5 if whole or procedure.probe.is_dual else 3
    most = OF_WHOLE if whole else MOST_LEFT_OUT
    if steps_mm.size < least:
        return float("nan")
    worst, inner = float("nan"), steps_mm[1:-1]
    # From the middle outwards: the middle one alone where one is left out.
    ends = (0.5, 0.5) if most == 1 else (0.0, 1.0)
    some = np.unique(np.linspace(*ends, min(inner.size, most)) * (inner.size - 1)).astype(int)
    for step in inner[some]:
        others = np.where(known_mm == step, np.nan, known_mm)
        try:
            fit = calibrate(scan, procedure, others, u_known_mm=U_STEP_MM)
            own = np.flatnonzero(known_mm == step)
            found = measure(scan.choose(own.tolist()), procedure.on_block, fit).thickness_mm
        except AscanError:
            continue
        if np.isfinite(found).any():
            worst = float(np.fmax(worst, abs(float(np.nanmedian(found)) - step)))
    return worst
