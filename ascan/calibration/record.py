"""The calibration record: parameters, covariance, steps, range, health, and what it is bound to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np

from ascan.base.above import from_above
from ascan.base.errors import calibration_fault as fault
from ascan.base.picklable import Picklable
from ascan.base.stored import digest_of
from ascan.calibration.conditions import COMPONENT_SPOT
from ascan.calibration.fit import Fit
from ascan.calibration.health import HEALTH, QUESTIONING
from ascan.calibration.signature import differences
from ascan.calibration.text import lines_of
from ascan.kernels.arrays import FloatArray
from ascan.path.modes import MODES
from ascan.steps.learned_value import LearnedValues
from ascan.steps.means import Steps
from ascan.steps.models import ApertureModel, FirstArrivals, LayeredModel
from ascan.steps.table import StepTable
from ascan.waveform.template import Template


class Gain(NamedTuple):
    """How a fit weighs its steps.

    Attributes
    ----------
    gain : ndarray, shape (2, steps)
        By how much zero (µs) and slowness (µs/mm, of the round trip) follow each step's time.
    design : ndarray, shape (steps, 2)
    by_block_us : ndarray, shape (steps,)
        Each step's block uncertainty on the time axis.
    """

    gain: FloatArray
    design: FloatArray
    by_block_us: FloatArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Calibration(Picklable):
    """A fitted calibration; read it, save it, measure with it.

    Attributes
    ----------
    fit : Fit
        Zero, velocity and their covariance; what readings scatter by besides. For a dual-element
        probe they are effective numbers of that probe, good for placing gates; they are no
        material's, and serve no other probe or path.
    steps : Steps
        The steps that it rests on, and the means of their readings.
    table : StepTable
        Every named step, also those that are not in the fit; what was learned belongs to it.
    health : mapping of str to bool
        See `ascan.calibration.health` for what each means when it is false.
    signature : mapping
        What it is bound to: mode, timing, filter, probe, sample rate.
    conditions : mapping of str to str
        When and from what it was made: scan, procedure, material, rows used and left out.
    arrivals : FirstArrivals, optional
        For a dual-element probe.
    record_model : LayeredModel or ApertureModel, optional
        What whole records look like, where the interval is taken from them.
    templates : mapping of str to Template
        What an echo of each gate looks like.
    learned : mapping of LearnedValue to mapping of str to ndarray
        What the steps taught, by gate: it guides timing and the self-checks.
    second : Calibration, optional
        Of the procedure's second interval, from the same readings.
    written_as : mapping of str to str
        The digest it was first written under, by its digest as of today, where the two differ.

    Examples
    --------
    >>> from ascan.examples import plate_example
    >>> _, _, calibration = plate_example(thickness_mm=8.0)
    >>> print(f"{calibration.velocity_mm_per_us:.2f} {calibration.u_velocity_mm_per_us:.4f} mm/µs")
    5.92 0.0057 mm/µs
    >>> calibration.minimum_mm, calibration.maximum_mm, calibration.health["residuals_explained"]
    (5.0, 20.0, True)
    """

    fit: Fit
    steps: Steps
    table: StepTable
    health: Mapping[str, bool]
    signature: Mapping[str, Any]
    conditions: Mapping[str, str]
    arrivals: FirstArrivals | None = None
    record_model: LayeredModel | ApertureModel | None = None
    templates: Mapping[str, Template] = field(default_factory=dict)
    learned: LearnedValues = field(default_factory=dict)
    second: Calibration | None = None
    written_as: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        # Copies that nobody else can change.
        for name in ("health", "signature", "conditions", "templates", "learned", "written_as"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __repr__(self) -> str:
        span = f"{self.minimum_mm:g} to {self.maximum_mm:g} mm"
        return f"<Calibration: {self.mode}, steps of {span}, digest {self.digest}>"

    def __str__(self) -> str:
        return "\n".join(self.lines())

    def plot(self) -> dict[str, Any]:
        """Return the matplotlib axes of a figure: what the fit leaves of each step, in µm.

        ``residuals``: with twice the u of each step's mean time, and with the block's own on it.

        Raises
        ------
        AscanError
            matplotlib is not installed.
        """
        axes: dict[str, Any] = from_above("plot_calibration")(self)
        return axes

    @property
    def zero_us(self) -> float:
        """Zero offset."""
        return self.fit.zero_us

    @property
    def velocity_mm_per_us(self) -> float:
        """Velocity that turns half an interval into thickness."""
        return self.fit.velocity_mm_per_us

    @property
    def covariance(self) -> FloatArray:
        """Covariance of zero and velocity, shape (2, 2), what all steps share included."""
        if not self.is_line or self.fit.u_block_common_mm == 0.0:
            return self.fit.covariance
        slope = 2.0 / self.velocity_mm_per_us
        late_us = self.gain().gain.sum(axis=1) * slope * self.fit.u_block_common_mm
        follows = late_us * np.array([1.0, -self.velocity_mm_per_us / slope])
        return np.asarray(self.fit.covariance + np.outer(follows, follows))

    @property
    def repeatability_us(self) -> float:
        """Spread of repeated readings on one step beyond what noise explains."""
        return self.fit.repeatability_us

    @property
    def lack_of_fit_us(self) -> float:
        """Spread of the steps round the fit beyond what block and timing explain."""
        return self.fit.lack_of_fit_us

    @property
    def minimum_mm(self) -> float:
        """Thinnest step."""
        return float(self.steps.thickness_mm.min())

    @property
    def maximum_mm(self) -> float:
        """Thickest step."""
        return float(self.steps.thickness_mm.max())

    @property
    def is_line(self) -> bool:
        """Whether thickness follows from zero and velocity: neither curve nor record's model."""
        return (self.arrivals or self.record_model) is None

    def gain(self) -> Gain:
        """Return how the fit weighs its steps."""
        steps, slope = self.steps, 2.0 / self.velocity_mm_per_us
        by_block = slope * steps.u_thickness_mm
        u = np.hypot(np.hypot(steps.u_interval_us, by_block), self.lack_of_fit_us)
        design = np.stack([np.ones_like(u), steps.thickness_mm], axis=1)
        if u.size == 1:
            free = np.array([[1.0], [0.0]])
            if not self.fits_zero:
                free = np.array([[0.0], [1.0 / steps.thickness_mm[0]]])
            return Gain(free, design, by_block)
        if not self.fits_zero:
            design[:, 0] = 0.0
        weighted = design / u[:, None]
        return Gain(np.linalg.pinv(weighted) / u, design, by_block)

    def by_block_mm(self, thickness_mm: FloatArray) -> FloatArray:
        """Return by how much readings are off where all steps are thicker by their common u."""
        common, steps = self.fit.u_block_common_mm, self.steps.thickness_mm
        if self.record_model is not None:
            # A velocity alone: it stretches every reading alike.
            return -common * thickness_mm * float(steps.sum() / (steps @ steps))
        if not self.is_line:
            return -common + 0.0 * thickness_mm
        gain = self.gain().gain.sum(axis=1)
        return np.asarray(-common * (gain[0] + thickness_mm * gain[1]))

    @property
    def leverage(self) -> FloatArray:
        """How far each step pulls the fit to itself, shape (steps,): 1, the fit goes through it.

        NaN for a dual probe, whose curve is no line, and for whole records.
        """
        if not self.is_line:
            return np.full(self.steps.thickness_mm.size, np.nan)
        gain, design, _ = self.gain()
        return np.asarray(np.einsum("ij,ji->i", design, gain))

    @property
    def valid_until(self) -> datetime | None:
        """When its stated validity ends; None where none is stated."""
        made, days = self.conditions.get("made"), self.conditions.get("valid_days")
        if made is None or days is None:
            return None
        return datetime.fromisoformat(made) + timedelta(days=float(days))

    def age_in_words(self, now: datetime) -> str:
        """Return that the stated validity has ended, or "" while it holds or none is stated."""
        ended = self.valid_until
        if ended is None or now <= ended:
            return ""
        days = self.conditions["valid_days"]
        return f"its validity of {days} days ended {ended.isoformat(timespec='minutes')}"

    @property
    def is_repeated(self) -> bool:
        """Whether a step was read more than once: else its repeatability is not known."""
        return bool((self.steps.readings > 1).any())

    @property
    def repeat_freedom(self) -> int:
        """Degrees of freedom of the repeatability."""
        return int((self.steps.readings - 1).sum())

    @property
    def fit_freedom(self) -> float:
        """Degrees of freedom of the scatter of the steps, where the fit rests on it; else 0."""
        if self.fit.lack_freedom > 0.0:
            return self.fit.lack_freedom
        if self.arrivals is not None or self.lack_of_fit_us == 0.0:
            return 0
        if self.record_model is not None:
            return self.steps.thickness_mm.size
        return max(self.steps.thickness_mm.size - (2 if self.fits_zero else 1), 0)

    @property
    def mode(self) -> str:
        """Interval mode it was made with."""
        return str(self.signature["mode"])

    @property
    def fits_zero(self) -> bool:
        """Whether its zero offset was fitted; else it is 0 by definition."""
        return MODES[self.mode].free_zero

    @property
    def u_zero_us(self) -> float:
        """Standard uncertainty of the zero offset."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def u_velocity_mm_per_us(self) -> float:
        """Standard uncertainty of the velocity."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def is_in_doubt(self) -> bool:
        """Whether a health figure says that its values may be wrong, not only little tested."""
        return not all(self.health.get(name, True) for name in QUESTIONING)

    @property
    def warnings(self) -> list[str]:
        """The meaning of every health figure that is false."""
        return [HEALTH.get(name, name) for name, good in self.health.items() if not good]

    @property
    def remarks(self) -> list[str]:
        """The same, each told apart: in doubt, or only little tested."""
        words = {True: "in doubt", False: "to note"}
        return [
            f"{words[name in QUESTIONING]}: {HEALTH.get(name, name)}"
            for name, good in self.health.items()
            if not good
        ]

    @property
    def digest(self) -> str:
        """SHA-256 of all that a reading depends on; conditions are left out.

        That of a second interval's calibration is part of it: digests chain.
        """
        today = digest_of(
            self.fit,
            self.steps,
            self.table,
            self.health,
            json.dumps(dict(self.signature), sort_keys=True),
            self.arrivals,
            self.record_model,
            self.templates,
            self.learned,
            self.second.digest if self.second else "",
        )
        return self.written_as.get(today, today)

    @property
    def is_matched(self) -> bool:
        """Whether it was carried over to the component's own velocity by a spot of it."""
        return COMPONENT_SPOT in self.conditions

    @property
    def block_digest(self) -> str:
        """SHA-256 of the block's certified steps and its name: two calibrations may share it.

        Blocks of the same certified values are one block unless the conditions name them apart.
        """
        name = self.conditions.get("block", "")
        return digest_of(self.table.thickness_mm, self.table.u_mm, name)

    def check_signature(self, signature: Mapping[str, Any]) -> None:
        """Refuse a measurement whose times are not those this calibration was made with.

        Raises
        ------
        AscanError
            Naming everything that differs.
        """
        found = differences(self.signature, signature)
        if found:
            told = "; ".join(f"{n} was {_plain(a)}, is {_plain(b)}" for n, a, b in found)
            raise fault(
                "calibration",
                f"was made with another timing: {told}",
                remedy="calibrate anew with this procedure, probe and sample rate",
            )

    def lines(self) -> list[str]:
        """Return the calibration as text: parameters, steps with residuals, what is in doubt."""
        return lines_of(self)


def _plain(value: Any) -> str:
    return "absent" if value is None else json.dumps(value, ensure_ascii=False)


def check_calibration(calibration: Any) -> None:
    """Refuse what is no `Calibration`, such as the path of its file."""
    if not isinstance(calibration, Calibration):
        found = type(calibration).__name__
        raise fault("calibration", f"is of type {found}", remedy="load the calibration")
