"""The second time of each echo, that of its envelope, and the half-cycle that it settles."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.cycle_uncertain import Times, weigh_half_cycle
from ascan.echo.placing import Placed
from ascan.finding.echo import half_cycles_between
from ascan.finding.half_cycle import SETTLED_ODDS, usual_crests
from ascan.finding.rows import Found
from ascan.kernels.analytic import Tops, envelope_tops
from ascan.kernels.arrays import IntArray
from ascan.timing.envelope import TOP_PERIODS
from ascan.timing.gating import Gate
from ascan.timing.protocol import EchoRows
from ascan.timing.rows import Picks

if TYPE_CHECKING:
    from ascan.echo.stage import GateStage


def tops_of_envelopes(stage: GateStage, placed: Placed, peak: IntArray) -> Tops:
    """Return where each echo's envelope has its top, in samples of the trace; NaN where unknown.

    In the samples that echoes are sought in: noise beyond the probe's band moves the top of an
    envelope far more than an echo in it does.
    """
    period = stage.meter.period
    tops = Tops(np.full(peak.size, np.nan), np.full(peak.size, np.nan))
    if stage.recording.rectified:
        return tops
    spread = stage.spread
    if placed.searched_apart and stage.search is not None:
        spread = stage.search.spread
    slope = placed.trace.noise * spread
    reach = (int(np.ceil(TOP_PERIODS * period)), period)
    envelope_tops(placed.search, peak, reach, stage.quadrature, slope, tops)
    return tops


class Timed(NamedTuple):
    """Echoes as their method saw them, its picks, and the tops of their envelopes."""

    echoes: EchoRows
    picks: Picks
    tops: Tops


def settle_cycles(stage: GateStage, gate: Gate, placed: Placed, found: Found, timed: Timed) -> None:
    """Move picks to the calibration's half-cycle where another one was as high, or flag them."""
    echoes, picks, tops = timed
    lag = float(stage.taught.cycle_offset_us[gate.name]) * stage.recording.sample_rate_mhz
    period, flags = stage.meter.period, placed.flags
    contested = flags & np.uint32(Flag.CYCLE_UNCERTAIN) != 0
    late = (picks.position - tops.place - lag) / period
    crest = np.empty_like(found.peak)
    usual_crests(placed.trace, found.peak, late, period, crest)
    rows = np.flatnonzero(crest != found.peak)
    if rows.size:
        part = echoes.chosen(rows, crest[rows])
        again = gate.timing.refine(part, np.zeros(rows.size, np.uint32))
        off = np.abs((again.position - tops.place[rows] - lag) / period)
        nearer = off < np.abs(late[rows])
        for row, k in zip(rows[nearer], np.flatnonzero(nearer), strict=True):
            top, own = crest[row], found.peak[row]
            between = half_cycles_between(placed.trace.samples[row], own, top)
            found.half_cycle[row] += between
            found.peak[row], found.sign[row] = top, part.sign[k]
            picks.position[row], picks.u_position[row] = again.position[k], again.u_position[k]
        contested[rows[nearer]] = True
    odds, unused = np.empty(late.size), np.empty(late.size)
    times = Times(picks.position, tops.place, tops.u_place)
    weigh_half_cycle(times, lag, period, odds, unused)
    unsure = contested & ~(odds >= SETTLED_ODDS)
    bit = np.uint32(Flag.CYCLE_UNCERTAIN)
    flags[:] = np.where(unsure, flags | bit, flags & ~bit)
