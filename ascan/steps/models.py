"""What a calibration holds besides a line: a dual probe's curve, a model of whole records."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.stored import freeze_arrays, stored
from ascan.kernels.arrays import FloatArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class FirstArrivals:
    """What the calibration of a dual-element probe holds besides: its curve, its first arrivals.

    Attributes
    ----------
    path : str
        Path under the curve: ``line``, ``vee``, ``ray`` or ``aperture`` (and the half-cycle timed).
    thickness_mm, time_us, u_time_us : ndarray, shape (nodes,)
        The calibration curve, growing; a reading is looked up in it.
    second_us : ndarray, shape (nodes,)
        By how much the second echo of such a wall comes after the first (NaN: not known).
    half_separation_mm : float
        Half the distance between the points where sound enters and leaves the wall.
    polarity : int
        Of the timed half-cycle.
    shapes : ndarray, shape (steps, samples)
        Mean first arrival on each step, at the recording's sample rate; the timed half-cycle's top
        is at ``zero_index``.
    arrival_us : ndarray, shape (steps,)
        When they arrived.
    cross_talk : ndarray, shape (2, times)
        Times in µs, and the fraction of full scale that an arrival there must exceed.
    """

    path: str = stored("1", "path under the curve")
    thickness_mm: FloatArray = stored("mm", "thickness at the curve's nodes")
    time_us: FloatArray = stored("us", "calibrated time of a wall")
    u_time_us: FloatArray = stored("us", "its standard uncertainty, common to all readings")
    second_us: FloatArray = stored("us", "by how much the second echo comes later")
    half_separation_mm: float = stored("mm", "half the distance between entry and exit")
    polarity: int = stored("1", "of the timed half-cycle")
    shapes: FloatArray = stored("1", "mean first arrival on each step")
    arrival_us: FloatArray = stored("us", "when they arrived")
    zero_index: int = stored("1", "sample of the timed half-cycle's top in them")
    cross_talk: FloatArray = stored(
        "us, 1", "times, and the fraction of full scale an arrival must exceed"
    )

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Spreading:
    """What distance does to the echoes of a layered record (`ascan.whole_record.operator`)."""

    reflection_delay_us: float = stored("us", "delay of each turn at the front")
    attenuation_db_per_mm: float = stored("dB/mm", "attenuation of the wall")
    radius_mm: float = stored("mm", "radius of the element; 0: no diffraction")
    path_mm2_per_us: float = stored("mm2/us", "length times velocity of the path, there and back")
    path_velocity_mm_per_us: float = stored("mm/us", "velocity of that path")


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class LayeredModel:
    """What whole records of a probe look like (`ascan.whole_record`).

    Attributes
    ----------
    interface_pulse, wall_pulse : ndarray, shape (size,)
        Pulse of the interface echo and of the wall's, of height 1, at the recording's sample rate;
        time zero is sample ``zero_index``.
    wall_levels : ndarray, shape (echoes,)
        Usual heights of the back-wall echoes, the first one's 1.
    strength, decay : float
        Usual height of the first back-wall echo against the interface echo; of each late back-wall
        echo against the one before it.
    growth : float
        By how much a later back-wall echo of the steps exceeded its first one; at least 1.
    interface_scatter : float
        By how much interface echoes leave their pulse beyond noise, as a share of their size.
    usual_us, lag_us : float
        Usual time of the interface echo after the transmit pulse; by how much it comes after the
        time that its gate picks.
    spreading : Spreading
    thickness_mm, u_mm : ndarray, shape (nodes,)
        What the calibration's own uncertainty makes of a reading.
    second_trip : ndarray, shape (taps,)
        Filter that makes the second trip of the path from the first (`ascan.whole_record.repeats`);
        empty where it was not learned.
    """

    interface_pulse: FloatArray = stored("1", "pulse of the interface echo")
    wall_pulse: FloatArray = stored("1", "pulse of the back-wall echoes")
    zero_index: int = stored("1", "their time zero, as a sample")
    wall_levels: FloatArray = stored(
        "1", "usual heights of the back-wall echoes, the first one's 1"
    )
    strength: float = stored("1", "first back-wall echo over the interface echo")
    decay: float = stored("1", "each late back-wall echo over the one before it")
    interface_scatter: float = stored("1", "what interface echoes leave of their pulse")
    usual_us: float = stored("us", "usual time of the interface echo")
    lag_us: float = stored("us", "by how much it comes after its gate's pick")
    spreading: Spreading = stored("1", "what distance does to an echo")
    thickness_mm: FloatArray = stored("mm", "thickness at the nodes of u_mm")
    u_mm: FloatArray = stored("mm", "what the calibration's own uncertainty makes of a reading")
    growth: float = stored(
        "1", "most of a later back-wall echo over the first", default=1.0, later=True
    )
    second_trip: FloatArray = stored(
        "1",
        "filter that makes the path's second trip from the first",
        default_factory=lambda: np.empty(0),
    )

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def lines(self) -> list[str]:
        """Return what was learned as text."""
        u, radius = _typical_u_mm(self), self.spreading.radius_mm
        told = f"element radius {radius:.3f} mm" if radius else "no diffraction"
        return [
            f"whole record: pulses of {self.interface_pulse.size} samples, first back-wall echo "
            f"{self.strength:.3f} of the interface echo, later ones {self.decay:.3f} of the former",
            f"interface echoes scatter by {100.0 * self.interface_scatter:.2f} % of their size",
            f"attenuation {self.spreading.attenuation_db_per_mm:.4f} dB/mm, {told}, each turn at "
            f"the front {1e3 * self.spreading.reflection_delay_us:+.2f} ns; u of the calibration "
            f"{1e3 * u:.2f} µm at {np.median(self.thickness_mm):.1f} mm",
        ]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ApertureModel:
    """What whole records of a dual-element probe look like (`ascan.whole_record.aperture`).

    Attributes
    ----------
    pulse : ndarray, shape (size,)
        Of height 1, at the recording's sample rate; time zero is sample ``zero_index``.
    values : ndarray, shape (values,)
        Of `ascan.whole_record.aperture.ApertureOperator`.
    width_mm, length_mm : float
        Of each element.
    thickness_mm, u_mm : ndarray, shape (nodes,)
        What the calibration's own uncertainty makes of a reading.
    """

    pulse: FloatArray = stored("1", "pulse of every echo")
    zero_index: int = stored("1", "its time zero, as a sample")
    values: FloatArray = stored(
        "us/mm, mm, deg, mm, mm/us, 1, dB/mm",
        "slowness there and back, wedge height, roof, element gap, wedge velocity, transverse "
        "against longitudinal velocity, attenuation",
    )
    width_mm: float = stored("mm", "width of each element")
    length_mm: float = stored("mm", "length of each element")
    thickness_mm: FloatArray = stored("mm", "thickness at the nodes of u_mm")
    u_mm: FloatArray = stored("mm", "what the calibration's own uncertainty makes of a reading")

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def lines(self) -> list[str]:
        """Return what was learned as text."""
        _, height, roof, gap, wedge, shear, loss = self.values
        return [
            f"whole record: pulse of {self.pulse.size} samples; effective wedge height "
            f"{height:.3f} mm, roof {roof:.2f}°, element gap {gap:.3f} mm, wedge {wedge:.3f} mm/µs",
            f"transverse velocity {shear:.4f} of the longitudinal one, attenuation {loss:.4f} "
            f"dB/mm; u of the calibration {1e3 * _typical_u_mm(self):.2f} µm at "
            f"{np.median(self.thickness_mm):.1f} mm",
        ]


def _typical_u_mm(model: LayeredModel | ApertureModel) -> float:
    """Return u of the calibration at the middle of its nodes."""
    return float(np.interp(np.median(model.thickness_mm), model.thickness_mm, model.u_mm))
