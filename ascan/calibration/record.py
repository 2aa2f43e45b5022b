"""The calibration record: parameters, covariance, steps, range, health, and what it is bound to."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.picklable import Picklable
from ascan.calibration.signature import differences
from ascan.kernels.arrays import FloatArray, IntArray
from ascan.path.modes import MODES
from ascan.steps.parts import (
    DUAL_ARRAYS,
    AperturePart,
    DualPart,
    RecordPart,
    frozen,
    names_of,
)
from ascan.waveform.template import Template

# What each health figure means when it is false, with its likely cause.
HEALTH = {
    "range_is_bracketed": "the steps do not bracket the measuring range: add thinner or thicker "
    "steps, or narrow the range",
    "enough_steps_read": "fewer than four of the steps are read right, others not: see rows left "
    "out",
    "every_step_used": "a step has no usable reading and is not in the fit: see rows left out",
    "no_step_misread": "a reading came out as another thickness than its step's and was left out: "
    "it may bear the wrong label, or its record is disturbed",
    "residuals_tested": "too few steps to test the fit: with no more steps than fitted values "
    "every residual is zero; read one more step",
    "residuals_explained": "the residuals exceed what block and timing explain: a mislabelled "
    "step, a wrong half-cycle, or a path that is not direct",
    "no_step_doubted": "one step is off the line of the others, which agree without it: its label, "
    "its thickness or its echo is wrong; it was not left out",
    "velocity_plausible": "the velocity is more than 5 % off the material's: wrong material, wrong "
    "echo, or steps given in another unit",
    "zero_plausible": "the zero offset is larger than pulse shape and probe explain: a later echo "
    "was timed, or one step is not as thick as stated",
    "offset_is_zero": "the echo-to-echo offset fitted beside is more than 3 u from 0: the echoes "
    "used differ in shape, or one of them is not a back-wall echo",
    "half_cycles_as_found": "a step was moved by whole half-cycles against what its own echo "
    "shows: it may be mislabelled by about half a wavelength, or its echo disturbed",
    "repeatability_tested": "no step was read twice: what coupling adds is not known and not in u",
    "repeatable": "repeated readings on one step scatter by more than a tenth of a period: "
    "unsteady coupling, or the timed half-cycle changes",
    "readings_agree": "repeated readings on one step scatter by more than a quarter of a period: "
    "the timed half-cycle changes, two probes are mixed, or two steps bear one thickness",
}


# Those that question the values themselves: readings made with such a calibration are flagged.
QUESTIONING = (
    "residuals_explained",
    "no_step_doubted",
    "velocity_plausible",
    "zero_plausible",
    "offset_is_zero",
    "half_cycles_as_found",
    "readings_agree",
    "enough_steps_read",
)


# What was found on the steps, by gate: numbers, or pairs of them. It guides the self-checks.
FOUND = (
    "lags_us",
    "heights",
    "arrivals_us",
    "beside",
    "misfits",
    "strengths",
    "followers",
    "leads_us",
    "shares",
    "lefts",
    "seconds",
    "second_late_us",
    "others",
    "aheads",
)


def plain(found: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was found as JSON holds it."""
    return {
        name: list(value) if isinstance(value, tuple) else value for name, value in found.items()
    }


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Steps:
    """The steps a calibration rests on; every array has shape (steps,).

    Attributes
    ----------
    thickness_mm, u_thickness_mm : ndarray
        As certified, and its standard uncertainty.
    interval_us, u_interval_us : ndarray
        Mean of the readings and its random standard uncertainty.
    readings : ndarray, int64
        How many readings the mean is of.
    residual_mm : ndarray
        Thickness that the calibration gives for the mean, minus the certified one; for a dual probe
        the calibration is fitted without that step.
    """

    thickness_mm: FloatArray
    u_thickness_mm: FloatArray
    interval_us: FloatArray
    u_interval_us: FloatArray
    readings: IntArray
    residual_mm: FloatArray

    def __post_init__(self) -> None:
        for name in self.__slots__:
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Calibration(Picklable):
    """A fitted calibration; read it, save it, measure with it.

    Attributes
    ----------
    zero_us, velocity_mm_per_us : float
        Thickness is velocity × (interval − zero) / 2.
    covariance : ndarray, shape (2, 2)
        Of (zero_us, velocity_mm_per_us).
    repeatability_us : float
        Spread of repeated readings on one step beyond what noise explains; 0 only where no step
        was read twice or noise explains it all. It enters the random part of every reading.
    lack_of_fit_us : float
        Spread of the steps round the fit beyond what block and timing explain. It enters the
        common part of every reading.
    minimum_mm, maximum_mm : float
        Calibrated range: the thinnest and thickest step.
    fitted_zero_us, u_fitted_zero_us : float
        Echo to echo the zero is 0 by definition; this is the one a free fit would give (NaN where
        it cannot be had), a figure of health.
    health : mapping of str to bool
        See `HEALTH` for what each means when it is false.
    signature : mapping
        What it is bound to: mode, timing, filter, probe, sample rate.
    conditions : mapping of str to str
        When and from what it was made: scan, procedure, material, rows used and left out.
    dual : DualPart, optional
        For a dual-element probe. Zero and velocity are then effective numbers of that probe, good
        for placing gates; they are no material's, and serve no other probe or path.
    whole : RecordPart or AperturePart, optional
        What whole records look like, where the interval is taken from them.
    templates : mapping of str to Template
        What an echo of each gate looks like, where the timing method takes that.
    lags_us : mapping of str to float
        By how much the echoes of each gate were timed after the top of their envelope.
    heights : mapping of str to (float, float)
        Least and largest height of the echoes of each gate, as fractions of full scale.
    arrivals_us : mapping of str to (float, float)
        Earliest and latest time of the surface echo, by its gate.
    beside : mapping of str to (float, float)
        Largest half-cycle that stood ahead of the wall echo of each gate, and behind it, over its
        own; of whole records that all echoes are fitted to, twice the largest that neither the fit
        nor noise explained.
    misfits : mapping of str to tuple of float
        Most that the mean echo of each gate, or the fit of all echoes, left of the echoes of each
        step, over their root mean square.
    strengths : mapping of str to tuple of float
        Height of the first wall echo on each step, over the surface echo's where there is one, by
        its gate.
    followers : mapping of str to tuple of float
        Largest half-cycle behind the wall echo of a gate over its own, on each step; the wall's
        later echoes make it.
    shares : mapping of str to tuple of float
        Of a head: its own peak over the largest half-cycle in its gate, on each step.
    lefts : mapping of str to tuple of float
        Of a dual probe's whole record: what the fit left, over the first echo's height, on each
        step.
    seconds : mapping of str to tuple of float
        Of a dual probe: the wall's second echo over its first, on each step.
    second_late_us : mapping of str to tuple of float
        By how much the wall's second echo came later than twice the wall takes, on each step.
    aheads : mapping of str to tuple of float
        Largest half-cycle ahead of the wall echo of a gate over its own, beyond noise, on each
        step.
    others : mapping of str to tuple of float
        Largest half-cycle behind the wall's first echo and at none of its multiples, over its own,
        on each step.
    leads_us : mapping of str to (float, float)
        Echo to echo: by how much the first wall echo came later after the surface echo (after time
        0 with a contact probe) than the second after the first, least and most, by its gate.
    witness : Calibration, optional
        Of the procedure's second interval, from the same readings.
    written_as : mapping of str to str
        The digest it was first written under, by its digest as of today, where the two differ.

    Examples
    --------
    >>> from ascan.examples import plate_example
    >>> _, _, calibration = plate_example(thickness_mm=8.0)
    >>> print(f"{calibration.velocity_mm_per_us:.2f} {calibration.u_velocity_mm_per_us:.4f} mm/µs")
    5.92 0.0055 mm/µs
    >>> calibration.minimum_mm, calibration.maximum_mm, calibration.health["residuals_explained"]
    (5.0, 20.0, True)
    """

    zero_us: float
    velocity_mm_per_us: float
    covariance: FloatArray
    repeatability_us: float
    lack_of_fit_us: float
    steps: Steps
    fitted_zero_us: float
    u_fitted_zero_us: float
    health: Mapping[str, bool]
    signature: Mapping[str, Any]
    conditions: Mapping[str, str]
    dual: DualPart | None = None
    whole: RecordPart | AperturePart | None = None
    templates: Mapping[str, Template] = field(default_factory=dict)
    lags_us: Mapping[str, float] = field(default_factory=dict)
    heights: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    arrivals_us: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    beside: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    misfits: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    strengths: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    followers: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    leads_us: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    shares: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    lefts: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    seconds: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    second_late_us: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    others: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    aheads: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    witness: Calibration | None = None
    written_as: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        # Copies that nobody else can change.
        object.__setattr__(self, "covariance", frozen(self.covariance))
        for name in ("health", "signature", "conditions", "templates", "written_as", *FOUND):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __repr__(self) -> str:
        span = f"{self.minimum_mm:g} to {self.maximum_mm:g} mm"
        return f"<Calibration: {self.mode}, steps of {span}, digest {self.digest}>"

    def __str__(self) -> str:
        return "\n".join(self.lines())

    @property
    def minimum_mm(self) -> float:
        """Thinnest step."""
        return float(self.steps.thickness_mm.min())

    @property
    def maximum_mm(self) -> float:
        """Thickest step."""
        return float(self.steps.thickness_mm.max())

    def gain(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return how the fit weighs its steps.

        Returns
        -------
        gain : ndarray, shape (2, steps)
            By how much zero (µs) and slowness (µs/mm, of the round trip) follow each step's time.
        design : ndarray, shape (steps, 2)
        by_block_us : ndarray, shape (steps,)
            Each step's block uncertainty on the time axis.
        """
        steps, slope = self.steps, 2.0 / self.velocity_mm_per_us
        by_block = slope * steps.u_thickness_mm
        u = np.hypot(np.hypot(steps.u_interval_us, by_block), self.lack_of_fit_us)
        design = np.stack([np.ones_like(u), steps.thickness_mm], axis=1)
        if u.size == 1:
            free = np.array([[1.0], [0.0]])
            if not self.fits_zero:
                free = np.array([[0.0], [1.0 / steps.thickness_mm[0]]])
            return free, design, by_block
        if not self.fits_zero:
            design[:, 0] = 0.0
        weighted = design / u[:, None]
        return np.linalg.pinv(weighted) / u, design, by_block

    @property
    def leverage(self) -> FloatArray:
        """How far each step pulls the fit to itself, shape (steps,): 1, the fit goes through it.

        NaN for a dual probe, whose curve is no line, and for whole records.
        """
        if self.dual is not None or self.whole is not None:
            return np.full(self.steps.thickness_mm.size, np.nan)
        gain, design, _ = self.gain()
        return np.asarray(np.einsum("ij,ji->i", design, gain))

    def of_steps_beside(
        self, values: Sequence[float], thickness_mm: FloatArray, which: np.ufunc = np.maximum
    ) -> FloatArray:
        """Return the larger of what two steps showed that a wall lies between, shape (n,).

        ``values`` holds one a step, or one for all.
        """
        each = np.array(values)
        after = np.searchsorted(self.steps.thickness_mm, thickness_mm).clip(0, each.size - 1)
        return np.asarray(which(each[np.maximum(after - 1, 0)], each[after]))

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
    def repeat_freedom(self) -> int:
        """Degrees of freedom of the repeatability."""
        return int((self.steps.readings - 1).sum())

    @property
    def fit_freedom(self) -> int:
        """Degrees of freedom of the scatter of the steps, where the fit rests on it; else 0."""
        if self.dual is not None or self.lack_of_fit_us == 0.0:
            return 0
        if self.whole is not None:
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
        """SHA-256 of all that a reading depends on; conditions are left out."""
        numbers = [self.zero_us, self.velocity_mm_per_us, *self.covariance.ravel().tolist()]
        numbers += [self.repeatability_us, self.lack_of_fit_us]
        columns = {name: getattr(self.steps, name).tolist() for name in Steps.__slots__}
        parts: list[Any] = [numbers, columns, dict(self.signature), dict(self.health)]
        if self.dual is not None:
            arrays = [getattr(self.dual, name).tolist() for name in DUAL_ARRAYS]
            parts += [arrays, self.dual.model, self.dual.polarity, self.dual.before]
            parts.append(repr(self.dual.half_separation_mm))
        if self.whole is not None:
            names, figures = names_of(self.whole)
            parts += [getattr(self.whole, name).tolist() for name in names]
            parts += [repr(getattr(self.whole, name)) for name in figures]
            if isinstance(self.whole, RecordPart) and self.whole.repeat.size:
                parts.append(self.whole.repeat.tolist())
        for name, template in sorted(self.templates.items()):
            parts += [name, template.samples.tolist(), template.echoes, template.scatter]
            parts += [template.drift.tolist()] if template.drift.any() else []
        if self.witness is not None:
            parts.append(self.witness.digest)
        for name in FOUND:
            if found := getattr(self, name):
                parts.append(plain(found))
        content = json.dumps(parts, sort_keys=True)
        today = hashlib.sha256(content.encode()).hexdigest()
        return self.written_as.get(today, today)

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
        steps = self.steps
        out = [
            f"velocity  {self.velocity_mm_per_us:.5f} mm/µs  u {self.u_velocity_mm_per_us:.5f}",
            f"zero      {self.zero_us:+.5f} µs     u {self.u_zero_us:.5f}",
            f"range     {self.minimum_mm:g} to {self.maximum_mm:g} mm, mode {self.mode}",
            f"repeated readings scatter {self.repeatability_us * 1e3:.2f} ns beyond noise; "
            f"lack of fit {self.lack_of_fit_us * 1e3:.2f} ns",
            "step mm   u mm     readings   interval µs   residual mm   leverage",
        ]
        for row in zip(
            steps.thickness_mm,
            steps.u_thickness_mm,
            steps.readings,
            steps.interval_us,
            steps.residual_mm,
            self.leverage,
            strict=True,
        ):
            out.append("{:<9g} {:<8.4f} {:<10d} {:<13.5f} {:<+13.4f} {:.2f}".format(*row))
        for name in ("lack_of_fit_test", "doubted_step"):
            if name in self.conditions:
                out.append(f"{name.replace('_', ' ')}: {self.conditions[name]}")
        if np.isfinite(self.fitted_zero_us):
            out.append(
                f"free zero offset would be {self.fitted_zero_us * 1e3:+.2f} ns "
                f"(u {self.u_fitted_zero_us * 1e3:.2f} ns); echo to echo it is 0 by definition"
            )
        if self.dual is not None:
            out.append(f"path: {self.conditions['path']}")
            out.append(
                f"timed on the {self.conditions['timed_half_cycle']} half-cycle that opens the "
                f"echo; steps moved by half-cycles: {self.conditions['half_cycles_moved']}"
            )
        if self.whole is not None:
            out += self.whole.lines()
            out.append(f"steps left out in turn: {self.conditions['left_out_steps_test']}")
            out.append(f"not learned from these steps: {self.conditions['not_learned']}")
        for name, template in self.templates.items():
            out.append(
                f"template of gate '{name}': mean of {template.echoes} echoes; each differs from "
                f"it by {100.0 * template.scatter:.1f} % of its height (rms)"
            )
        if self.conditions.get("rows_left_out", "none") != "none":
            out.append(f"left out: {self.conditions['rows_left_out']}")
        out += self.remarks
        if self.witness is not None:
            out += ["witness:", *(f"  {line}" for line in self.witness.lines())]
        return out


def _plain(value: Any) -> str:
    return "absent" if value is None else json.dumps(value, ensure_ascii=False)


def check_calibration(calibration: Any) -> None:
    """Refuse what is no `Calibration`, such as the path of its file."""
    if not isinstance(calibration, Calibration):
        found = type(calibration).__name__
        raise fault("calibration", f"is of type {found}", remedy="load the calibration")
