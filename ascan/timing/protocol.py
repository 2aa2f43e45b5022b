"""What a timing method is, and the table from its name to its class."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Protocol, cast

import numpy as np

from ascan.base.errors import fault
from ascan.base.old_names import TIMING_KEYS, renamed
from ascan.base.tables import from_table
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.timing.rows import Picks, Rows
from ascan.waveform.template import Template


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoRows:
    """One found echo per row of a block, as a timing method gets to see it.

    Attributes
    ----------
    trace : ndarray, shape (n, width), float32 or float64
        Conditioned samples in codes from zero: the gate, with an echo's reach and
        `ascan.waveform.conditioning.MARGIN` samples on each side.
    first, last : ndarray, shape (n,), int64
        The gate within the trace: first sample, and the one after the last.
    begin : ndarray, shape (n,), int64
        Where the search for the start of this echo may begin (the gate's first sample for the
        first echo; one and a half periods before the peak for the largest).
    peak : ndarray, shape (n,), int64
        The echo's peak: its largest sample of those that count; -1 where there is no echo.
    sign : ndarray, shape (n,), int8
        Polarity of that half-cycle.
    counts : ndarray, shape (n,), int8
        Half-cycles that count: +1, -1, or 0 for any.
    noise, noise_slope : ndarray, shape (n,)
        Standard deviations of the noise (codes) and of its slope (codes per sample).
    noise_correlation : ndarray, shape (lags,)
        Correlation of the noise with itself 0, 1, 2 ... samples later, 0 beyond: that of white
        noise after the filter.
    full_scale : float
        In codes.
    period : float
        Of the probe's nominal frequency, in samples.
    bandwidth : float
        The probe's −6 dB bandwidth over its frequency.
    template : Template
        What an echo of this gate looks like: learned in calibration, else nominal.
    span : tuple of float
        Least and largest height, in codes, of the echoes the calibration rests on; NaN where there
        is none.
    """

    trace: AnyArray
    first: IntArray
    last: IntArray
    begin: IntArray
    peak: IntArray
    sign: SignArray
    counts: SignArray
    noise: FloatArray
    noise_slope: FloatArray
    noise_correlation: FloatArray
    full_scale: float
    period: float
    bandwidth: float
    template: Template
    span: tuple[float, float]

    @property
    def rows(self) -> Rows:
        """The arrays that have a value for each row, as compiled loops take them."""
        return Rows(*(getattr(self, name) for name in Rows._fields))

    def nothing(self) -> Picks:
        """Return picks that name no echo, to be filled in."""
        return Picks(np.full(self.peak.size, np.nan), np.full(self.peak.size, np.nan))

    def chosen(self, rows: IntArray, peak: IntArray) -> EchoRows:
        """Return these rows alone, with other echo peaks in them."""
        top = self.trace[rows, peak]
        return replace(
            self,
            trace=np.ascontiguousarray(self.trace[rows]),
            first=self.first[rows],
            last=self.last[rows],
            begin=self.begin[rows],
            peak=peak,
            sign=np.where(top >= 0, 1, -1).astype(np.int8),
            counts=self.counts[rows],
            noise=self.noise[rows],
            noise_slope=self.noise_slope[rows],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Traits:
    """What the engine must know of a timing method.

    Attributes
    ----------
    needs_rf : bool
        Whether it refuses rectified records, peak-held ones among them.
    works_on_held : bool
        Whether it times an instant that holding peaks does not move.
    takes_template : bool
        Whether a calibration learns what its echoes look like (`EchoRows.template`).
    resolves_cycle : bool
        Whether it says itself where the half-cycle is unsure, or does not depend on it.
    phase_free : bool
        Whether it times the envelope, not a half-cycle.
    extra_periods : float
        How far round an echo, beyond its reach, it needs the trace.
    """

    needs_rf: bool = True
    works_on_held: bool = False
    takes_template: bool = False
    resolves_cycle: bool = False
    phase_free: bool = False
    extra_periods: float = 0.0


class TimingMethod(Protocol):
    """A frozen dataclass whose fields are the keys of its table in the procedure.

    Attributes
    ----------
    name : str
        The name it is registered under.
    traits : Traits
    """

    name: ClassVar[str]

    @property
    def traits(self) -> Traits:
        """What the engine must know of it; a class may state it once for all."""

    def signature(self) -> dict[str, Any]:
        """Return name and options: what a calibration made with this method is bound to."""

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the time of each echo, in samples of the trace, and its standard uncertainty.

        NaN is right for rows without an echo (``peak`` < 0); `EchoRows.nothing` gives it for all. A
        position outside the gate, or an uncertainty that is not finite, is refused afterwards.
        """


METHODS: dict[str, str] = {
    "peak": "ascan.timing.peak:Peak",
    "first_crossing": "ascan.timing.first_crossing:FirstCrossing",
    "zero_crossing": "ascan.timing.zero_crossing:ZeroCrossing",
    "envelope": "ascan.timing.envelope:Envelope",
    "onset": "ascan.timing.onset:Onset",
    "centroid": "ascan.timing.centroid:Centroid",
    "correlation": "ascan.timing.correlation:Correlation",
    "carrier_phase": "ascan.timing.carrier_phase:CarrierPhase",
    "pulse_fit": "ascan.timing.pulse_fit:PulseFit",
}


def register(name: str, target: str) -> None:
    """Make a timing method known under a name, as ``"module:Class"``; it is loaded when first used.

    Examples
    --------
    >>> register("my_method", "my_package.my_module:MyMethod")
    >>> METHODS.pop("my_method")
    'my_package.my_module:MyMethod'
    """
    METHODS[name] = target


def method_class(name: str, place: str) -> type[TimingMethod]:
    """Return the class of a timing method.

    Raises
    ------
    AscanError
        No method of that name.
    """
    if name not in METHODS:
        raise fault(place, f"unknown timing method '{name}'", allowed=", ".join(METHODS))
    module, _, attribute = METHODS[name].partition(":")
    try:
        return cast("type[TimingMethod]", getattr(importlib.import_module(module), attribute))
    except (ImportError, AttributeError) as problem:
        raise fault(place, f"method '{name}' cannot be loaded ({problem})") from None


def method_from_table(value: Any, place: str) -> TimingMethod:
    """Return a timing method from its name, or from a table with ``method`` and its options."""
    if isinstance(value, str):
        return from_table(method_class(value, place), {}, place)
    named = value.get("method") if isinstance(value, Mapping) else None
    if not isinstance(named, str):
        raise fault(place, f"is {value!r}", allowed="a method's name, or a table with 'method'")
    options = {key: option for key, option in value.items() if key != "method"}
    options = renamed(options, TIMING_KEYS, place)
    return from_table(method_class(named, place), options, place)
