"""What the dual-element chain reaches on aperture-integrated signals of the wave laboratory.

    python benches/dual.py [ROWS]

Blocks whose steps include both ends; walls between the steps; then noise, grain and a raised second
echo; then walls below the thinnest step. Ratios and micrometres only, no wall time.
"""

from __future__ import annotations

import sys

import numpy as np
from ascan_synthetic.pulse import GaussianPulse
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import Calibration, Procedure, Scan, calibrate, measure
from ascan.base.flags import Flag
from ascan.calibration.line import fit_line
from ascan.calibration.vee_fit import fit_vee
from ascan.kernels.arrays import FloatArray
from ascan.path import direct, vee
from ascan.survey.wrong import eighth_mm, value_wrong

EIGHT = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 25.0])
FOUR = np.array([1.0, 3.0, 10.0, 25.0])
ROOFS = (0.0, 2.0, 3.5, 6.0, 8.0)
RATE_MHZ, START_US, SAMPLES, DELAY_US = 100.0, 4.0, 1900, 0.35
EIGHTH_MM = eighth_mm(5.92, 5.0)
TEXT = """
probe = {{ arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35, wedge_height_mm = {height},
           wedge_velocity_mm_per_us = {wedge}, roof_deg = {roof}, element_width_mm = 5.0,
           element_length_mm = 8.0, element_gap_mm = {gap} }}
filter = {{ kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 30.0
echo = "first_arrival"
""".replace("\n           ", " ")


def procedure(roof: float, height: float = 8.0, wedge: float = 2.35, gap: float = 1.0) -> Procedure:
    return Procedure.from_text(TEXT.format(roof=roof, height=height, wedge=wedge, gap=gap))


def signals(thickness: FloatArray, roof: float, echoes: int = 3) -> FloatArray:
    """Return clean signals, fractions of full scale."""
    made = Synthesis(
        Scenario(
            record=RecordTable(samples=SAMPLES, start_us=START_US, bits=16),
            probe=ProbeTable(arrangement="dual", roof_deg=roof, echoes=echoes, delay_us=DELAY_US),
            wall=WallTable(steps_mm=tuple(thickness.tolist())),
            receiver=ReceiverTable(gain=0.5, noise=0.0),
        )
    )
    return made.waveforms() / 2.0**15


def scan_of(signal: FloatArray) -> Scan:
    codes = np.rint(signal * 2**14).clip(-(2**15), 2**15 - 1).astype(np.int16)
    return Scan.from_array(
        codes, sample_rate_mhz=RATE_MHZ, start_time_us=START_US, full_scale=2**15
    )


def disturbed(
    thickness: FloatArray,
    roof: float,
    rng: np.random.Generator,
    *,
    snr_db: float,
    grain_db: float | None = None,
    second_db: float | None = None,
) -> FloatArray:
    """Return signals in noise; levels are against each first echo's peak.

    Grain is coherent, as frequent as can be and does not die away; its rms is ``grain_db`` down.
    The second echo is raised to ``second_db`` above the first up to 12 mm.
    """
    first, whole = signals(thickness, roof, 1), signals(thickness, roof)
    clock = START_US + np.arange(SAMPLES) / RATE_MHZ
    onset = procedure(roof).probe.geometry().middle_time_us(thickness, 5.92) + DELAY_US  # type: ignore[union-attr]
    near = np.abs(clock - onset[:, None] + 0.1) < 0.25
    own = np.where(near, np.abs(first), 0.0).max(axis=1)[:, None]
    later = whole - first
    if second_db is not None:
        now = np.abs(later).max(axis=1, keepdims=True) / own
        raised = np.maximum(1.0, 10.0 ** (second_db / 20.0) / np.maximum(now, 1e-9))
        later = later * np.where(thickness[:, None] < 12.0, raised, 1.0)
    out = first + later + own * 10.0 ** (-snr_db / 20.0) * rng.standard_normal(first.shape)
    if grain_db is not None:
        pulse = GaussianPulse(5.0)(np.arange(-60, 61) / RATE_MHZ)
        shape = np.fft.rfft(pulse / np.linalg.norm(pulse), 2 * SAMPLES)
        scatter = np.fft.rfft(rng.standard_normal(first.shape), 2 * SAMPLES)
        out = (
            out
            + own * 10.0 ** (-grain_db / 20.0) * np.fft.irfft(scatter * shape)[:, 60 : 60 + SAMPLES]
        )
    return np.asarray(out)


def between_the_steps() -> None:
    """Print the largest error between noise-free steps, beside what plain formulas leave."""
    print("largest error between exact steps, noise-free, 1 to 25 mm, µm")
    print("roof  steps   this  off by 1°, 3 %, 1 %, 20 %   plain V   straight line")
    truth = np.geomspace(1.0, 25.0, 200)
    for roof in ROOFS:
        scan = scan_of(signals(truth, roof))
        for steps in (EIGHT, FOUR):
            found = []
            for how in (procedure(roof), procedure(roof + 1.0, 8.24, 2.3735, 1.2)):
                fit = calibrate(scan_of(signals(steps, roof)), how, steps, u_known_mm=1e-5)
                readings = measure(scan, how, fit)
                found.append(np.nanmax(np.abs(readings.thickness_mm - truth)))
            plain = _plain(fit, readings.columns["interval_us"], truth)
            print(
                f"{roof:4.1f}  {steps.size:5d}  "
                + "  ".join(f"{1e3 * value:8.1f}" for value in (*found, *plain))
            )


def _plain(fit: Calibration, time: FloatArray, truth: FloatArray) -> tuple[float, float]:
    """Return the largest errors of a V-path and of a straight line through the same steps."""
    steps = fit.steps
    ones = np.ones(steps.thickness_mm.size)
    v = fit_vee(steps.thickness_mm, steps.interval_us, ones)
    line = fit_line(steps.thickness_mm, steps.interval_us, ones)
    by_v = np.array(
        [vee.thickness_mm(t, v.zero_us, v.velocity_mm_per_us, v.half_separation_mm) for t in time]
    )
    by_line = np.array([direct.thickness_mm(t, line.intercept, 2.0 / line.slope) for t in time])
    return float(np.nanmax(np.abs(by_v - truth))), float(np.abs(by_line - truth).max())


def first_arrivals(rows: int) -> None:
    """Print how often the right half-cycle of the right echo is taken."""
    print(f"first arrival right, {rows} walls of 2 to 25 mm a line; block at 40 dB, four readings")
    print("roof  snr  grain  second   right %   silently wrong   flagged %   spread µm   error/u")
    steps = np.repeat(EIGHT, 4)
    for roof in (0.0, 3.5, 8.0):
        how, rng = procedure(roof), np.random.default_rng(8)
        block = disturbed(steps, roof, rng, snr_db=40.0)
        fit = calibrate(scan_of(block), how, steps, u_known_mm=1e-5)
        for snr, grain, second in (
            (30.0, None, None),
            (20.0, None, None),
            (20.0, None, 10.0),
            (20.0, 30.0, 10.0),
            (20.0, 26.0, 10.0),
            (20.0, 20.0, 10.0),
        ):
            truth = rng.uniform(2.0, 25.0, rows)
            parts = [
                measure(
                    scan_of(
                        disturbed(part, roof, rng, snr_db=snr, grain_db=grain, second_db=second)
                    ),
                    how,
                    fit,
                )
                for part in np.array_split(truth, max(rows // 1000, 1))
            ]
            thickness = np.concatenate([part.thickness_mm for part in parts])
            u = np.concatenate([part.u_on_block_mm for part in parts])
            flags = np.concatenate([part.flags for part in parts])
            expanded = np.concatenate([part.columns["expanded_on_block_mm"] for part in parts])
            error = thickness - truth
            off = value_wrong(thickness, np.stack([truth, truth]), expanded, EIGHTH_MM)
            right = np.isfinite(thickness) & ~off
            print(
                f"{roof:4.1f}  {snr:3.0f}  {grain or '-'!s:>5}  {second or '-'!s:>6}  "
                f"{100 * right.mean():8.2f}  {int((~right & (flags == 0)).sum()):15d}  "
                f"{100 * (flags != 0).mean():10.1f}  {1e3 * error[right].std():10.1f}  "
                f"{np.std(error[right] / u[right]):8.2f}"
            )


def below_the_thinnest_step(rows: int) -> None:
    """Print how often a wall too thin is read right, or bounded from above."""
    print(f"{rows} walls of 0.3 mm up to the thinnest step, 40 dB")
    print("roof  thinnest   right   upper bound   neither")
    for roof in (0.0, 3.5, 8.0):
        for thinnest in (1.0, 2.0):
            how, rng = procedure(roof), np.random.default_rng(9)
            steps = EIGHT[thinnest <= EIGHT]
            fit = calibrate(scan_of(signals(steps, roof)), how, steps, u_known_mm=1e-5)
            truth = rng.uniform(0.3, thinnest, rows)
            readings = measure(scan_of(disturbed(truth, roof, rng, snr_db=40.0)), how, fit)
            error = readings.thickness_mm - truth
            right = np.abs(error) < np.maximum(0.03, 3.0 * readings.u_on_block_mm)
            bound = ((readings.flags & np.uint32(Flag.UPPER_BOUND)) != 0) & (error > -1e-3)
            neither = int((~(right | bound)).sum())
            print(
                f"{roof:4.1f}  {thinnest:8.1f}  {right.sum():6d}  {bound.sum():12d}  {neither:8d}"
            )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    between_the_steps()
    first_arrivals(count)
    below_the_thinnest_step(min(count, 2000))
