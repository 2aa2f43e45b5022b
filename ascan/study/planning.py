"""Before the job: what uncertainty a wall can be read with, and which steps to calibrate on."""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.calibration.record import Calibration
from ascan.calibration.step_block import fit_steps
from ascan.calibration.step_means import StepMeans
from ascan.engine.read import Interval
from ascan.engine.thickness_stage import ThicknessStage, combined_mm
from ascan.kernels.fir import SIGMA_OVER_BANDWIDTH
from ascan.procedure.written import Procedure
from ascan.steps.table import table_in_fit
from ascan.study.budget import Budget, budget_of

# Echoes are told apart from the transmit pulse, or from each other, from so many periods on.
RESOLVED_PERIODS = 1.5
# A practical method's scatter over the bound of a known echo (benches/results.md: 1.0 to 1.5).
OVER_BOUND = 1.5
MOST_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What is expected of a job, by which its plan is worked out.

    Attributes
    ----------
    wall_mm : float
    steps_mm : tuple of float
        The steps that are at hand.
    u_block_mm : float
    readings : int
        On each step.
    snr_db : float
        Of an echo's peak.
    repeatability_us : float
        What coupling is expected to add to each reading.
    sample_rate_mhz : float
    """

    wall_mm: float
    steps_mm: tuple[float, ...]
    u_block_mm: float
    readings: int = 3
    snr_db: float = 30.0
    repeatability_us: float = 0.002
    sample_rate_mhz: float = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The steps to use, the budget to expect on them, and the thinnest wall.

    ``alternatives`` holds (steps, u in mm) of every choice, the best first.
    """

    steps_mm: tuple[float, ...]
    budget: Budget
    smallest_mm: float
    alternatives: list[tuple[tuple[float, ...], float]]
    brackets: bool

    def lines(self) -> list[str]:
        """Return the plan as text."""
        out = ["steps                          u, mm at the wall"]
        for steps, u in self.alternatives[:6]:
            out.append(f"{', '.join(f'{step:g}' for step in steps):<30} {u:.5f}")
        out.append(f"calibrate on: {', '.join(f'{step:g}' for step in self.steps_mm)} mm")
        if not self.brackets:
            out.append("no choice of the steps brackets the wall: its reading will be flagged")
        out += self.budget.lines()
        out.append(
            f"smallest wall by the length of the pulse: about {self.smallest_mm:.2f} mm; what the "
            "probe really resolves, a thin step shows"
        )
        return out


class Foreseen(NamedTuple):
    """A stage calibrated on a choice of steps, and the wall's interval with its u."""

    stage: ThicknessStage
    interval_us: float
    u_interval_us: float


def expected_u_time_us(procedure: Procedure, expected: Expected) -> float:
    """Return the scatter of one echo time: the bound of a known pulse times a practical factor.

    References
    ----------
    Cramér-Rao bound of a Gaussian pulse's delay, σ = 1 / (SNR √(E fs) β) with E = σ √π / 2 and
    β² = ω² + 1 / (2 σ²) (Kay 1993, example 3.13, from memory; the tests hold a published figure).
    """
    frequency = procedure.probe.frequency_mhz
    sigma = SIGMA_OVER_BANDWIDTH / (0.01 * procedure.probe.bandwidth_percent) / frequency
    beta = np.hypot(2.0 * np.pi * frequency, np.sqrt(0.5) / sigma)
    energy = expected.sample_rate_mhz * sigma * np.sqrt(np.pi) / 2.0
    return float(OVER_BOUND * 10.0 ** (-expected.snr_db / 20.0) / (np.sqrt(energy) * beta))


def plan_for(procedure: Procedure, expected: Expected) -> Plan:
    """Return which steps to use, and what they will give.

    Every choice of steps is fitted on exact times with the uncertainties to be expected. Choices
    that bracket the wall go first; among those within a twentieth of the best, more steps, which
    test the fit, go before fewer.

    Raises
    ------
    AscanError
        No step, too many, or a dual-element probe: its curve depends on its own echoes.
    """
    if procedure.layout.is_dual:
        raise fault("plan", "cannot foresee a dual probe's curve", remedy="calibrate on thin steps")
    steps = tuple(sorted(set(expected.steps_mm)))
    if not 1 <= len(steps) <= MOST_STEPS or min(steps) <= 0.0 or expected.wall_mm <= 0.0:
        raise fault("plan", f"has {len(steps)} steps", allowed=f"1 to {MOST_STEPS}, above 0 mm")
    found = []
    for count in range(1, len(steps) + 1):
        for choice in itertools.combinations(steps, count):
            stage, interval, u_interval = _reading(procedure, expected, choice)
            nothing = np.zeros(1, np.uint32)
            read = Interval(np.array([interval]), np.array([u_interval]))
            _, parts = stage.parts(read, nothing)
            found.append((choice, float(combined_mm(parts)[0])))

    def brackets(choice: tuple[float, ...]) -> bool:
        return choice[0] <= expected.wall_mm <= choice[-1]

    eligible = [entry for entry in found if brackets(entry[0])] or found
    alternatives = sorted(eligible, key=lambda entry: entry[1])
    near = [entry for entry in eligible if entry[1] <= 1.05 * alternatives[0][1]]
    best = max(near, key=lambda entry: (len(entry[0]), -entry[1]))[0]
    return Plan(
        steps_mm=best,
        budget=budget_of(*_reading(procedure, expected, best)),
        smallest_mm=RESOLVED_PERIODS
        * procedure.material.velocity_mm_per_us
        / (2.0 * procedure.probe.frequency_mhz),
        alternatives=alternatives,
        brackets=brackets(best),
    )


def _reading(procedure: Procedure, expected: Expected, choice: tuple[float, ...]) -> Foreseen:
    """Return a stage calibrated on a choice of steps, and the wall's interval with its u."""
    u_time = expected_u_time_us(procedure, expected)
    echoes = len(procedure.interval.gates)
    u_interval = u_time * (np.sqrt(2.0) if echoes > 1 else 1.0)
    transmit = procedure.layout.from_transmit
    zero = procedure.nominal_zero_us if transmit else 0.0
    velocity = procedure.material.velocity_mm_per_us
    d = np.array(choice)
    spread = np.hypot(u_interval, expected.repeatability_us) / np.sqrt(expected.readings)
    means = StepMeans(
        thickness_mm=d,
        u_thickness_mm=np.full(d.size, expected.u_block_mm),
        interval_us=zero + 2.0 * d / velocity,
        u_interval_us=np.full(d.size, spread),
        readings=np.full(d.size, expected.readings, np.int64),
        repeatability_us=expected.repeatability_us,
    )
    return Foreseen(
        ThicknessStage(procedure, _calibration(procedure, means)),
        float(zero + 2.0 * expected.wall_mm / velocity),
        float(u_interval),
    )


def _calibration(procedure: Procedure, means: StepMeans) -> Calibration:
    found = fit_steps(
        means, procedure.interval.mode, procedure.material, usual_us=1.0, known_us=0.0
    )
    return Calibration(
        fit=dataclasses.replace(found.fit, lack_of_fit_us=0.0),
        steps=found.steps,
        table=table_in_fit(found.steps),
        health={},
        signature={"mode": procedure.interval.mode},
        conditions={},
    )
