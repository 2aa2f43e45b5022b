"""What a model of whole records is learned from, and what that gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.whole_record.frequencies import Frequencies


@dataclass(frozen=True, eq=False, slots=True)
class StepRecords:
    """Readings on known steps, cut to windows round interface echo and train.

    Attributes
    ----------
    samples, weight : ndarray, shape (n, width)
        In codes from zero, clipped ones at their level; weight 0 where a sample does not count.
    known_mm : ndarray, shape (n,)
    step : ndarray, shape (n,)
        Number of the step each reading stands on.
    u_step_mm : ndarray, shape (steps,)
        Standard uncertainty of the steps' thickness.
    usual : ndarray, shape (n,)
        Place of a usual interface echo in each window, in samples.
    """

    samples: FloatArray
    weight: FloatArray
    known_mm: FloatArray
    step: IntArray
    u_step_mm: FloatArray
    usual: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Windows:
    """Where the windows of the used readings lie, the readings in them, and their numbers."""

    records: StepRecords
    frequencies: Frequencies
    begin: IntArray
    rows: IntArray


@dataclass(eq=False, slots=True)
class Estimate:
    """Where the fit stands: operator, pulses, and each reading's own values."""

    operator: Any
    pulses: FloatArray
    place: FloatArray
    heights: list[FloatArray]
    thickness_mm: FloatArray
    noise: FloatArray

    def copy(self) -> Estimate:
        """Return a copy that later moves do not touch."""
        return Estimate(
            self.operator,
            self.pulses.copy(),
            self.place.copy(),
            [height.copy() for height in self.heights],
            self.thickness_mm.copy(),
            self.noise.copy(),
        )

    def restore(self, kept: Estimate) -> None:
        """Take the values of a copy."""
        for name in Estimate.__slots__:
            setattr(self, name, getattr(kept, name))


@dataclass(frozen=True, eq=False, slots=True)
class Learned:
    """What was learned: the estimate, and the covariance of all that readings share.

    ``covariance`` is of all pulses' coefficients and the operator's values, in this order;
    ``without_step`` holds, for each step, by how much they would change without it, and their
    covariance then.
    """

    family: Family
    estimate: Estimate
    covariance: FloatArray
    unlearned: list[str]
    without_step: list[tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, eq=False, slots=True)
class Columns:
    """A reading's model and how it follows everything.

    Attributes
    ----------
    model : ndarray, shape (width,)
    own : ndarray, shape (own, width)
        By place (in samples) where it is its own, heights, baseline.
    shared : ndarray, shape (shared, width)
        By all pulses' coefficients and the operator's values.
    thicker : ndarray, shape (width,)
        By the thickness.
    """

    model: FloatArray
    own: FloatArray
    shared: FloatArray
    thicker: FloatArray


class Family(Protocol):
    """A kind of record: its echoes, and how they follow pulses, operator and thickness.

    Attributes
    ----------
    frequencies : Frequencies
    nominal : operator
        As known before any step is read: with ``values()`` and ``with_values(values)``.
    names : tuple of str
        Of its values.
    own_place : bool
        Whether each reading has a time zero of its own, the first of its own columns.
    sigma, sought : ndarray, shape (values,)
        Standard uncertainties of the values before any step is read; which are sought.
    """

    @property
    def frequencies(self) -> Frequencies:
        """The transform its models are made by."""

    @property
    def nominal(self) -> Any:
        """The operator before any step is read."""

    @property
    def names(self) -> tuple[str, ...]:
        """Of the operator's values."""

    @property
    def own_place(self) -> bool:
        """Whether each reading has a time zero of its own."""

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainties of the values beforehand."""

    @property
    def sought(self) -> AnyArray:
        """Which values are sought."""

    def pulse_of(self, heights: int) -> IntArray:
        """Return the number of the pulse that each height belongs to."""

    def end_windows(self, estimate: Estimate, records: StepRecords) -> StepRecords:
        """Make room for each reading's heights, and end its window where its model ends."""

    def echoes(self, estimate: Estimate, records: StepRecords, row: int) -> AnyArray:
        """Return the spectra of a reading's echoes, of height 1."""

    def columns(
        self,
        estimate: Estimate,
        place: float,
        thickness_mm: float,
        heights: FloatArray,
        usual: float,
    ) -> Columns:
        """Return a reading's model and its derivatives."""
