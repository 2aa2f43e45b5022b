"""The engine on signals of another physics: plane elastic waves by finite differences.

    python benches/elastic.py [SNR_DB] [SEED] [SETUP]

Every wave that a plane solid has is in these records and in no formula of the engine or of
`synthetic/`: conversions at every face, waves along the surface, the flanks of pits, the sides of
elements (`benches/physics/finite_differences.py`). Plane: elements are endless strips, a pit is a
groove. Walls are whole cells of 0.04 mm, and so is their truth. Counts and errors only, no wall
time; a whole run takes some ten minutes.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
from physics.media import Medium
from physics.plane_dual import Shoes, dual_element
from physics.plane_probes import CELL_MM, LINE_MM, Sides, Wall, heard, single_element
from scipy.interpolate import CubicSpline

from ascan import Procedure, Scan, calibrate, measure
from ascan.base.errors import AscanError
from ascan.base.flags import is_fatal
from ascan.kernels.arrays import FloatArray
from ascan.survey.wrong import eighth_mm, value_wrong

RATE_MHZ, READINGS = 100.0, 3
# A soft one: the sides of these strips send a third back.
SPONGE = 0.015
FREQUENCY_MHZ, BANDWIDTH, PULSE_US = 5.0, 0.6, 0.64
# A single element of 6 mm, the pulse-echo beam about half as wide at these depths; a dual probe's
# elements of 5 mm, 8 mm above the wall, 1 mm apart, tilted by 3.5°. Its wedges carry no transverse
# waves here, lose nothing and are bonded.
ELEMENT_MM, WIDTH_MM, HEIGHT_MM, GAP_MM, ROOF_DEG = 6.0, 5.0, 8.0, 1.0, 3.5
DUAL_HEAD = Shoes(
    wedge=Medium(2.35, 0.0, 1.05),
    height_mm=HEIGHT_MM,
    width_mm=WIDTH_MM,
    gap_mm=GAP_MM,
    roof_deg=ROOF_DEG,
    film_mm=0.0,
    backing_mm=0.0,
)
BEAM_MM = 2.7
EIGHTH_MM = eighth_mm(5.92, FREQUENCY_MHZ)
U_STEP_MM = 0.002
SURFACE = """
[[gate]]
name = "surface"
start_us = 8.0
stop_us = 10.5
threshold = 0.1
echo = "largest"
[[gate]]
name = "wall"
follows = "surface"
start_mm = 1.5
stop_mm = 20.0
threshold = 0.02
"""
BAND = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.5 }\n'
BEHIND = f"""
probe = {{ arrangement = "delay_line", frequency_mhz = 5.0, delay_us = {PULSE_US},
          element_diameter_mm = {ELEMENT_MM} }}
""".replace("\n          ", " ")
CONTACT = f"""
probe = {{ arrangement = "contact", frequency_mhz = 5.0, delay_us = {PULSE_US} }}
{BAND}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = 1.8
stop_mm = 16.0
threshold = 0.03
"""
DUAL = f"""
probe = {{ arrangement = "dual", frequency_mhz = 5.0, delay_us = {PULSE_US}, wedge_height_mm = 8.0,
          wedge_velocity_mm_per_us = 2.35, roof_deg = {ROOF_DEG}, element_width_mm = {WIDTH_MM},
          element_length_mm = 24.0, element_gap_mm = {GAP_MM} }}
filter = {{ kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }}
interval = {{ mode = "MODE", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 20.0
echo = "first_arrival"
""".replace("\n          ", " ")
SETUPS = {
    "surface to echo": (
        "line",
        f'{BEHIND}{BAND}interval = {{ mode = "interface_to_echo", gates = ["surface", "wall"] }}'
        f'{SURFACE}half_cycles = "opposite"\n',
    ),
    "whole record": (
        "line",
        f'{BEHIND}interval = {{ mode = "whole_record", gates = ["surface", "wall"], '
        f'diffraction = "round_element" }}{SURFACE}',
    ),
    "contact": ("contact", CONTACT),
    "dual head": ("dual", DUAL.replace("MODE", "time_zero_to_echo")),
    "dual whole": ("dual", DUAL.replace("MODE", "whole_record")),
}


def whole_cells(wall: Wall) -> Wall:
    """Return a wall of whole cells."""
    return lambda at: CELL_MM * math.ceil(wall(at) / CELL_MM - 1e-9)


def record_of(kind: str, wall: Wall) -> FloatArray:
    """Return the record of a probe (``contact``, ``line``, ``dual``) over a wall, 100 MHz."""
    if kind == "dual":
        setting = dual_element(whole_cells(wall), DUAL_HEAD, Sides(13.0, sponge=SPONGE))
    else:
        path_mm = LINE_MM if kind == "line" else 0.0
        setting = single_element(whole_cells(wall), path_mm, Sides(10.0, sponge=SPONGE))
    step_us = setting.grid.step_us
    time = step_us * np.arange(int(2.0 * PULSE_US / step_us)) - PULSE_US
    width = math.pi * FREQUENCY_MHZ * BANDWIDTH / math.sqrt(2.0 * math.log(2.0))
    pulse = np.exp(-0.5 * (width * time) ** 2) * np.cos(2.0 * math.pi * FREQUENCY_MHZ * time)
    us = {"contact": 14.0, "line": 24.0, "dual": 20.0}[kind]
    mean = heard(setting, step_us * pulse, us)
    clock = step_us * np.arange(mean.size)
    return np.asarray(CubicSpline(clock, mean)(np.arange(0.0, us - 0.5, 1.0 / RATE_MHZ)))


@dataclass(frozen=True)
class Case:
    """A wall, what it is called, and its truth: at the axis, and under the beam."""

    kind: str
    wall: Wall

    @property
    def truth(self) -> tuple[float, float, float]:
        """Thickness at the axis, least and mean under the beam, in whole cells."""
        under = np.arange(-0.5 * BEAM_MM, 0.5 * BEAM_MM + 1e-9, CELL_MM)
        depth = np.array([self.wall(at) for at in [0.0, *under]])
        depth = CELL_MM * np.ceil(depth / CELL_MM - 1e-9)
        return float(depth[0]), float(depth[1:].min()), float(depth[1:].mean())


def flat(thickness_mm: float) -> Wall:
    return lambda at: thickness_mm


def tilted(deg: float) -> Wall:
    return lambda at: 7.0 + math.tan(math.radians(deg)) * at


def round_pit(width_mm: float, deep_mm: float, off_mm: float) -> Wall:
    return lambda at: (
        8.0 - deep_mm * math.sqrt(max(1.0 - ((at - off_mm) / (0.5 * width_mm)) ** 2, 0.0))
    )


def flat_pit(width_mm: float, deep_mm: float, off_mm: float) -> Wall:
    return lambda at: 8.0 - (deep_mm if abs(at - off_mm) < 0.5 * width_mm else 0.0)


def rough(rms_mm: float, correlation_mm: float, seed: int) -> Wall:
    grid = np.arange(-14.0, 14.0, 0.02)
    lag = np.arange(-2.0 * correlation_mm, 2.0 * correlation_mm, 0.02)
    height = np.convolve(
        np.random.default_rng(seed).standard_normal(grid.size),
        np.exp(-2.0 * (lag / correlation_mm) ** 2),
        "same",
    )
    height *= rms_mm / height.std()
    return lambda at: 7.0 + float(np.interp(at, grid, height))


def cases() -> list[Case]:
    """Return steps to calibrate on, and walls to read."""
    walls = np.random.default_rng(12).uniform(3.0, 12.0, 24)
    sizes = [(w, d, o) for w in (1.0, 2.0, 3.0, 4.0, 6.0, 8.0) for d in (0.5, 1.5, 3.0)
             for o in (0.0, 2.0, 4.0)]  # fmt: skip
    grooves = [(w, d, o) for w in (1.0, 3.0, 5.0) for d in (0.5, 2.0, 4.0) for o in (0.0, 2.5)]
    return [
        *(Case("step", flat(each)) for each in (3.0, 5.0, 8.0, 12.0)),
        *(Case("flat", flat(float(each))) for each in walls),
        *(Case("tilt", tilted(each)) for each in (0.5, 1.0, 2.0, 3.0, 5.0)),
        *(Case("round pit", round_pit(*each)) for each in sizes),
        *(Case("flat pit", flat_pit(*each)) for each in grooves),
        *(
            Case("rough", rough(rms, long, seed))
            for rms in (0.05, 0.1, 0.2)
            for seed, long in enumerate((0.5, 1.0, 3.0))
        ),
    ]


def scan_of(records: FloatArray, snr_db: float, seed: int, kind: str) -> Scan:
    """Return records of 12 bits; the 5 mm step's largest late echo is 0.4 of full scale."""
    late = int({"contact": 1.6, "line": 9.9, "dual": 3.0}[kind] * RATE_MHZ)
    signal = np.repeat(records, READINGS, axis=0) * (0.4 / np.abs(records[1, late:]).max())
    noise = np.random.default_rng(seed).standard_normal(signal.shape)
    signal = signal + 0.4 * 10.0 ** (-snr_db / 20.0) * noise
    codes = np.rint(2048.0 * signal).clip(-2048, 2047).astype(np.int16)
    return Scan.from_array(
        codes, sample_rate_mhz=RATE_MHZ, full_scale=2048, clip_low=-2048, clip_high=2047
    )


def report(name: str, all_cases: list[Case], records: FloatArray, snr_db: float, seed: int) -> None:
    """Print one set-up's table."""
    kind, text = SETUPS[name]
    procedure, scan = Procedure.from_text(text), scan_of(records, snr_db, seed, kind)
    truth = np.repeat([case.truth for case in all_cases], READINGS, axis=0).T
    kinds = np.repeat([case.kind for case in all_cases], READINGS)
    steps = np.where(kinds == "step", truth[0], np.nan)
    try:
        calibration = calibrate(scan, procedure, steps, u_known_mm=U_STEP_MM)
    except AscanError as problem:
        print(f"\n{name}: {problem}")
        return
    readings = measure(scan, procedure, calibration)
    read, refused, clean = readings.thickness_mm, is_fatal(readings.flags), readings.flags == 0
    even = np.isin(kinds, ("step", "flat"))
    low, high = np.where(even, truth[0], truth[1]), np.where(even, truth[0], truth[2])
    off = np.where(read < low, read - low, np.where(read > high, read - high, 0.0))
    wrong = value_wrong(
        read, np.stack([low, high]), readings.columns["expanded_on_block_mm"], EIGHTH_MM
    )
    print(f"\n{name}, {snr_db:g} dB; velocity {calibration.velocity_mm_per_us:.4f} mm/µs")
    print(f"{'':<10} readings refused    care   clean  silent   rms µm  worst µm   (of clean)")
    for each in dict.fromkeys(kinds):
        on = kinds == each
        error = 1e3 * off[on & clean]
        size = (np.sqrt(np.mean(error**2)), np.abs(error).max()) if error.size else (np.nan,) * 2
        print(
            f"{each:<10} {on.sum():8d} {refused[on].sum():7d} {(~refused & ~clean)[on].sum():7d} "
            f"{clean[on].sum():7d} {(clean & wrong)[on].sum():7d} {size[0]:8.1f} {size[1]:9.1f}"
        )


def main(snr_db: float, seed: int, only: str) -> None:
    """Make the records of each probe once, and report every set-up on them."""
    all_cases, made = cases(), {}
    for name, (kind, _) in SETUPS.items():
        if only in ("", name):
            if kind not in made:
                made[kind] = np.array([record_of(kind, case.wall) for case in all_cases])
            report(name, all_cases, made[kind], snr_db, seed)


if __name__ == "__main__":
    words = [*sys.argv[1:], "", "", ""]
    main(float(words[0] or 40.0), int(words[1] or 1), words[2])
