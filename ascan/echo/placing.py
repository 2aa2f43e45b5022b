"""Where a gate lies in each record, the noise there, and its samples as a conditioned trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ascan.base.flags import FATAL
from ascan.finding.echoes import GateEchoes
from ascan.finding.rows import Trace
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.timing.envelope import FILTER_PERIODS, TOP_PERIODS
from ascan.timing.gating import Gate, Window, place_windows, window_samples
from ascan.waveform.conditioning import MARGIN, condition_rows
from ascan.waveform.template import half_length

if TYPE_CHECKING:
    from ascan.echo.stage import GateStage

# The envelope's top is sought this far from the echo peak; its quadrature reaches further.
ENVELOPE_PERIODS = TOP_PERIODS + FILTER_PERIODS
# An estimate of the noise in the probe's band scatters by a tenth; white noise seldom reaches this.
COLOURED = 1.6
SIGN_OF = {"any": 0, "positive": 1, "negative": -1}


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Shots:
    """Records of a block, and when an echo is expected in them.

    Attributes
    ----------
    block : ndarray, shape (n, samples), C-contiguous, in the recording's stored type
    start_time_us : ndarray, shape (n,)
    expected_us : ndarray, shape (n,), optional
        On steps of known thickness: the window is after that.
    """

    block: AnyArray
    start_time_us: FloatArray
    expected_us: FloatArray | None = None


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Placed:
    """A gate placed in n records.

    Attributes
    ----------
    trace : Trace
        Its samples, conditioned, with room on each side. Its noise becomes, in place, what moves a
        time: clutter beside the echo joins it.
    search : ndarray, shape (n, width)
        The samples that echoes are sought in: the trace's own, or such as a wider filter leaves.
    noise_slope, electronic : ndarray, shape (n,)
        Standard deviations of the noise's slope (codes per sample), and of the noise before any
        clutter (codes).
    origin : ndarray, shape (n,)
        First sample of each trace in its record.
    clock_us : ndarray, shape (n,)
        Its time.
    recorded_us : ndarray, shape (n,)
        What the record holds ahead of the gate; negative where it begins within it.
    width : int
        Most samples that the window holds.
    flags : ndarray, shape (n,)
    """

    trace: Trace
    search: AnyArray
    noise_slope: FloatArray
    electronic: FloatArray
    origin: IntArray
    clock_us: FloatArray
    recorded_us: FloatArray
    width: int
    flags: FlagArray

    @property
    def searched_apart(self) -> bool:
        """Whether echoes are sought through a filter that they are not timed through."""
        return self.search is not self.trace.samples


def place_gate(
    stage: GateStage,
    gate: Gate,
    window_us: tuple[float, float],
    earlier: Mapping[str, GateEchoes],
    shots: Shots,
) -> Placed:
    """Return a gate placed in each record; ``earlier`` is what the gates above gave."""
    rows, samples = shots.block.shape
    rate = stage.recording.sample_rate_mhz
    flags, narrow = np.zeros(rows, np.uint32), shots.expected_us is not None
    origin_us = np.zeros(rows) if shots.expected_us is None else shots.expected_us
    if gate.follows:
        followed = earlier[gate.follows]
        origin_us = followed.time_us
        flags |= followed.flags & np.uint32(FATAL)
    first, last = np.empty(rows, np.int64), np.empty(rows, np.int64)
    window = Window(*window_us, rate, samples)
    place_windows(origin_us, shots.start_time_us, window, first, last, flags)

    # Round an echo that is expected there is little else: its noise is that of the record.
    begin = np.zeros_like(first) if narrow else first
    end = np.full_like(last, samples) if narrow else last
    noise, noise_slope = stage.meter.measure(shots.block, begin, end)
    electronic = noise.copy()
    searched = gate.timing.traits.takes_template
    if searched and stage.search is not None:
        # A template sees the noise of its own band only; where that is plainly more than white
        # noise would put there (grain is all in the band), that counts.
        inside = stage.search.meter.measure(shots.block, begin, end)[0] / stage.search.norm
        noise = np.where(inside > COLOURED * noise, inside, noise)

    margin = _margin(stage, gate)
    width = min(window_samples(window_us, rate), samples)
    origin, zero = first - margin, stage.recording.zero_code
    trace = np.empty((rows, width + 2 * margin), stage.taps.dtype)
    condition_rows(shots.block, zero, origin, stage.taps, trace)
    search = trace
    if searched and stage.search is not None:
        search = np.empty_like(trace)
        condition_rows(shots.block, zero, origin, stage.search.taps, search)
    return Placed(
        trace=Trace(
            samples=trace,
            first=first - origin,
            last=last - origin,
            record_begin=-origin,
            record_end=samples - origin,
            counts=_counting(stage, gate, earlier, rows),
            noise=noise,
        ),
        search=search,
        noise_slope=noise_slope,
        electronic=electronic,
        origin=origin,
        clock_us=shots.start_time_us + origin / rate,
        recorded_us=origin_us + window_us[0] - shots.start_time_us,
        width=width,
        flags=flags,
    )


def _margin(stage: GateStage, gate: Gate) -> int:
    """Return the samples kept on each side: some methods look further round an echo."""
    period, traits = stage.meter.period, gate.timing.traits
    further = int(np.ceil(traits.extra_periods * period))
    further = max(further, int(np.ceil(ENVELOPE_PERIODS * period)))
    if traits.takes_template:
        template = stage.template(gate.name)
        further += max(template.half, half_length(period, stage.setting.bandwidth))
    return MARGIN + stage.reach + further


def _counting(
    stage: GateStage, gate: Gate, earlier: Mapping[str, GateEchoes], rows: int
) -> SignArray:
    """Return which half-cycles count in each row: +1, -1, or 0 for any."""
    if gate.half_cycles == "any" and gate.seeks_first_arrival:
        return np.full(rows, stage.taught.guide.polarity, np.int8)
    if gate.half_cycles in SIGN_OF:
        return np.full(rows, SIGN_OF[gate.half_cycles], np.int8)
    followed = earlier[gate.follows].sign
    return followed if gate.half_cycles == "same" else -followed
