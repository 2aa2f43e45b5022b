"""Which numbers a scenario may hold, each alone."""

from __future__ import annotations

import math

# Which numbers may be negative, and which must be above 0; all others may be 0.
SIGNED = (
    "start_us", "zero_code", "phase_deg", "template", "face", "temperature_c", "roof_deg",
    "wall_temperature_c", "tilt_deg", "radius_mm", "time_gain_db_per_us", "time_gain_from_us",
    "offset", "wander", "shared_shift_ns",
)  # fmt: skip
ABOVE_ZERO = (
    "sample_rate_mhz", "samples", "bits", "centre_mhz", "bandwidth", "template_rate_mhz",
    "coating_velocity_mm_per_us", "wall_velocity_mm_per_us", "steps_mm", "readings", "uniform_mm",
    "columns", "rows", "pitch_mm", "nominal_mm", "rough_correlation_mm", "gain",
    "wander_period_us", "grain_decay_us", "burst_decay_us", "channels",
)  # fmt: skip
# The largest value, and what one beyond it was likely meant to be.
MOST: dict[str, tuple[float, str]] = {
    "bits": (24, ""),
    "sample_rate_mhz": (100_000.0, "give it in MHz"),
    "centre_mhz": (1000.0, "give it in MHz"),
    "bandwidth": (1.9, "it is a share of the centre frequency: 60 % is 0.6"),
    "wall_velocity_mm_per_us": (30.0, "5920 m/s is 5.92 mm/µs"),
    "coating_velocity_mm_per_us": (30.0, "2400 m/s is 2.4 mm/µs"),
    "face": (1.0, ""),
    **dict.fromkeys(("lost_coupling", "dead", "stuck", "inverted"), (1.0, "2 % is 0.02")),
}


def check_number(name: str, number: float, place: str) -> None:
    """Refuse a number that no probe, wall or receiver can have.

    Raises
    ------
    ValueError
    """
    if not math.isfinite(number):
        raise ValueError(f"{place}: is {number}; wanted a finite number")
    most, meant = MOST.get(name, (math.inf, ""))
    if number > most:
        raise ValueError(f"{place}: is {number:g}; wanted at most {most:g}; {meant}".rstrip("; "))
    if name in SIGNED or (name in ABOVE_ZERO and number > 0):
        return
    if name in ABOVE_ZERO or number < 0:
        least = "above 0" if name in ABOVE_ZERO else "0 or above"
        raise ValueError(f"{place}: is {number:g}; wanted {least}")
