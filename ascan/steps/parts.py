"""What a calibration holds besides a line: a dual probe's curve, a model of whole records."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class DualPart:
    """What the calibration of a dual-element probe holds besides: its curve, and its echo's head.

    Attributes
    ----------
    model : str
        Path under the curve: ``line``, ``vee``, ``ray`` or ``aperture`` (and the half-cycle timed).
    thickness_mm, time_us, u_time_us : ndarray, shape (nodes,)
        The calibration curve, growing; a reading is looked up in it.
    second_us : ndarray, shape (nodes,)
        By how much the second echo of such a wall comes after the first (NaN: not known).
    half_separation_mm : float
        Half the distance between the points where sound enters and leaves the wall.
    polarity : int
        Of the timed half-cycle.
    heads : ndarray, shape (steps, samples)
        Mean head of the echo on each step, at the recording's sample rate; the timed half-cycle's
        top is at ``before``.
    heads_us : ndarray, shape (steps,)
        When they arrived.
    cross_talk : ndarray, shape (2, times)
        Times in µs, and the fraction of full scale that an arrival there must exceed.
    """

    model: str
    thickness_mm: FloatArray
    time_us: FloatArray
    u_time_us: FloatArray
    second_us: FloatArray
    half_separation_mm: float
    polarity: int
    heads: FloatArray
    heads_us: FloatArray
    before: int
    cross_talk: FloatArray

    def __post_init__(self) -> None:
        for name in DUAL_ARRAYS:
            object.__setattr__(self, name, frozen(getattr(self, name)))


DUAL_ARRAYS = (
    "thickness_mm",
    "time_us",
    "u_time_us",
    "second_us",
    "heads",
    "heads_us",
    "cross_talk",
)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class RecordPart:
    """What whole records of a probe look like (`ascan.whole_record`).

    Attributes
    ----------
    front, wall : ndarray, shape (size,)
        Pulse of the surface echo and of the wall's, of height 1, at the recording's sample rate;
        time zero is sample ``before``.
    levels : ndarray, shape (echoes,)
        Usual heights of the wall echoes, the first one's 1.
    strength, decay : float
        Usual height of the first wall echo against the surface echo; of each late wall echo against
        the one before it.
    front_scatter : float
        By how much surface echoes leave their pulse beyond noise, as a share of their size.
    usual_us, lag_us : float
        Usual time of the surface echo after the transmit pulse; by how much it comes after the time
        that its gate picks.
    turn_us, attenuation_db_per_mm, radius_mm, path_mm2_per_us, path_velocity_mm_per_us : float
        See `ascan.whole_record.operator.Operator`.
    thickness_mm, u_mm : ndarray, shape (nodes,)
        What the calibration's own uncertainty makes of a reading.
    repeat : ndarray, shape (taps,)
        Filter that makes the second trip of the path from the first (`ascan.whole_record.repeats`);
        empty where it was not learned.
    """

    front: FloatArray
    wall: FloatArray
    before: int
    levels: FloatArray
    strength: float
    decay: float
    front_scatter: float
    usual_us: float
    lag_us: float
    turn_us: float
    attenuation_db_per_mm: float
    radius_mm: float
    path_mm2_per_us: float
    path_velocity_mm_per_us: float
    thickness_mm: FloatArray
    u_mm: FloatArray
    repeat: FloatArray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        for name in (*RECORD_ARRAYS, "repeat"):
            object.__setattr__(self, name, frozen(getattr(self, name)))

    def lines(self) -> list[str]:
        """Return what was learned as text."""
        u = np.interp(np.median(self.thickness_mm), self.thickness_mm, self.u_mm)
        radius = f"element radius {self.radius_mm:.3f} mm" if self.radius_mm else "no diffraction"
        return [
            f"whole record: pulses of {self.front.size} samples, first wall echo "
            f"{self.strength:.3f} of the surface echo, later ones {self.decay:.3f} of the former",
            f"surface echoes scatter by {100.0 * self.front_scatter:.2f} % of their size",
            f"attenuation {self.attenuation_db_per_mm:.4f} dB/mm, {radius}, each turn at the front "
            f"{1e3 * self.turn_us:+.2f} ns; u of the calibration {1e3 * u:.2f} µm at "
            f"{np.median(self.thickness_mm):.1f} mm",
        ]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class AperturePart:
    """What whole records of a dual-element probe look like (`ascan.whole_record.aperture`).

    Attributes
    ----------
    pulse : ndarray, shape (size,)
        Of height 1, at the recording's sample rate; time zero is sample ``before``.
    values : ndarray, shape (values,)
        Of `ascan.whole_record.aperture.ApertureOperator`.
    width_mm, length_mm : float
        Of each element.
    thickness_mm, u_mm : ndarray, shape (nodes,)
        What the calibration's own uncertainty makes of a reading.
    """

    pulse: FloatArray
    before: int
    values: FloatArray
    width_mm: float
    length_mm: float
    thickness_mm: FloatArray
    u_mm: FloatArray

    def __post_init__(self) -> None:
        for name in APERTURE_ARRAYS:
            object.__setattr__(self, name, frozen(getattr(self, name)))

    def lines(self) -> list[str]:
        """Return what was learned as text."""
        _, height, roof, gap, wedge, shear, loss = self.values
        u = np.interp(np.median(self.thickness_mm), self.thickness_mm, self.u_mm)
        return [
            f"whole record: pulse of {self.pulse.size} samples; effective wedge height "
            f"{height:.3f} mm, roof {roof:.2f}°, element gap {gap:.3f} mm, wedge {wedge:.3f} mm/µs",
            f"transverse velocity {shear:.4f} of the longitudinal one, attenuation {loss:.4f} "
            f"dB/mm; u of the calibration {1e3 * u:.2f} µm at "
            f"{np.median(self.thickness_mm):.1f} mm",
        ]


APERTURE_ARRAYS = ("pulse", "values", "thickness_mm", "u_mm")
APERTURE_NUMBERS = ("before", "width_mm", "length_mm")
RECORD_ARRAYS = ("front", "wall", "levels", "thickness_mm", "u_mm")
RECORD_NUMBERS = (
    "before",
    "strength",
    "decay",
    "front_scatter",
    "usual_us",
    "lag_us",
    "turn_us",
    "attenuation_db_per_mm",
    "radius_mm",
    "path_mm2_per_us",
    "path_velocity_mm_per_us",
)


def frozen(array: AnyArray) -> AnyArray:
    """Return a copy that cannot be written to."""
    copy = np.array(array)
    copy.flags.writeable = False
    return copy


def names_of(part: RecordPart | AperturePart) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the names of a part's arrays and of its numbers."""
    if isinstance(part, AperturePart):
        return APERTURE_ARRAYS, APERTURE_NUMBERS
    return RECORD_ARRAYS, RECORD_NUMBERS
