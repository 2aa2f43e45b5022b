"""Signals that once gave a plausible wrong number without a word: each is right, or flagged."""

from __future__ import annotations

import numpy as np
import pytest
from ascan_synthetic.scenario import load_scenario
from ascan_synthetic.synthesis import Synthesis
from builders import HEADER_PROCEDURE, SAMPLE_RATE_MHZ, SIGMA_US, burst, scan_of, wall_procedure

from ascan import AscanError, Flag, Procedure, Readings, Scan, calibrate, measure, time_echoes
from ascan.commands.synth import synthetic_scan
from ascan.timing import Picks, Traits
from ascan.uncertainty.decision import Verdict

V = 5.92
BAND_PASS = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'


def flag(readings: Readings, row: int = 0) -> Flag:
    return Flag(int(readings.flags[row]))


def train(thickness_mm: float, start_us: float = 15.5, echoes: int = 9) -> np.ndarray:
    """Return interface echo and an inverted train behind it, a dB lost each time, from 15 µs on."""
    time_us = 15.0 + np.arange(1600) / SAMPLE_RATE_MHZ
    numbers = np.arange(1, echoes + 1)
    arrivals = start_us + 2.0 * thickness_mm / V * numbers
    size = 0.5 * 0.9 ** (numbers - 1)
    return 0.8 * burst(time_us, start_us) - (size[:, None] * burst(time_us, arrivals)).sum(axis=0)


def behind_path(waveforms: np.ndarray) -> Scan:
    """Return a scan whose sample 0 lies 15 µs after the transmit pulse."""
    return Scan.from_array(waveforms, sample_rate_mhz=SAMPLE_RATE_MHZ, start_time_us=15.0)


SURFACE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.0 }
interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }
[[gate]]
name = "surface"
start_us = 15.1
stop_us = 15.9
threshold = 0.3
half_cycles = "positive"
[[gate]]
name = "wall"
follows = "surface"
start_mm = 3.0
stop_mm = 20.0
threshold = 0.1
half_cycles = "opposite"
"""


@pytest.mark.parametrize("thickness_mm", [1.6, 2.0, 2.6, 2.8])
def test_a_wall_too_thin_for_the_gate_does_not_read_double(thickness_mm: float) -> None:
    """Its first echo lies before the gate, or across its start; the second, or third, is timed."""
    found = time_echoes(behind_path(train(thickness_mm)), Procedure.from_text(SURFACE))
    assert flag(found) & (Flag.MULTIPLE_SUSPECTED | Flag.AT_GATE_EDGE)


@pytest.mark.parametrize("thickness_mm", [4.0, 7.0, 12.0])
def test_a_wall_inside_the_gate_has_no_earlier_echo(thickness_mm: float) -> None:
    found = time_echoes(behind_path(train(thickness_mm)), Procedure.from_text(SURFACE))
    assert flag(found) == Flag(0)


@pytest.mark.parametrize("level", [0.4, 0.05])
def test_a_fixed_level_is_crossed_by_the_echo_that_was_picked(level: float) -> None:
    """Neither a later, larger echo nor an early indication below the threshold gives the time."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    signal = 0.08 * burst(time_us, 3.0) + 0.33 * burst(time_us, 5.0) + 0.6 * burst(time_us, 7.5)
    procedure = wall_procedure('{ method = "first_crossing", level = %g }' % level)  # noqa: UP031
    found = time_echoes(scan_of(signal), procedure)
    if level > 0.33:
        assert Flag.NO_ECHO in flag(found)
    else:
        assert abs(found.picks("wall")["time_us"][0] - 5.0) < 0.3


def test_a_level_in_the_noise_is_flagged() -> None:
    rng = np.random.default_rng(3)
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    signal = 0.7 * burst(time_us, 5.0) + rng.normal(0.0, 0.02, time_us.size)
    procedure = wall_procedure('{ method = "first_crossing", level = 0.05 }')
    assert Flag.LOW_SNR in flag(time_echoes(scan_of(signal), procedure))


@pytest.mark.parametrize("condition", ["", BAND_PASS])
def test_blanking_does_not_make_noise_look_like_signal(condition: str) -> None:
    """12 dB of signal over noise after 2 µs of blanking: hardly a reading passes as clean."""
    rng = np.random.default_rng(4)
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    noisy = 0.6 * burst(time_us, rng.uniform(3.0, 8.0, 300)) + rng.normal(0.0, 0.15, (300, 1100))
    noisy[:, :200] = 0.0
    found = time_echoes(scan_of(noisy), wall_procedure(extra=condition))
    raw = condition == ""
    snr_db = found.picks("wall")["snr_db"]
    # 12 dB as it is; the band-pass takes 8 dB off white noise.
    assert np.nanmedian(snr_db) < (16.0 if raw else 24.0)
    if raw:
        assert (found.flags == 0).mean() < 0.2


@pytest.mark.parametrize("echo", ["first", "largest"])
@pytest.mark.parametrize("samples", [801, 811])
def test_an_echo_cut_by_the_end_of_the_record_is_flagged(samples: int, echo: str) -> None:
    time_us = np.arange(samples) / SAMPLE_RATE_MHZ
    signal = 0.6 * burst(time_us, 8.1)
    gate = f'echo = "{echo}"'
    assert Flag.AT_GATE_EDGE in flag(time_echoes(scan_of(signal), wall_procedure(gate=gate)))


def test_an_echo_cut_by_the_start_of_the_record_is_flagged() -> None:
    time_us = 2.0 + np.arange(801) / SAMPLE_RATE_MHZ
    scan = Scan.from_array(
        0.6 * burst(time_us, 1.95), sample_rate_mhz=SAMPLE_RATE_MHZ, start_time_us=2.0
    )
    assert Flag.AT_GATE_EDGE in flag(time_echoes(scan, wall_procedure()))


def test_two_half_cycles_of_nearly_one_height_are_flagged_in_noise() -> None:
    """A long pulse at 20 dB: its half-cycles change places; of those not flagged, few are wrong."""
    rng = np.random.default_rng(5)
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    after = time_us - rng.uniform(3.0, 8.0, 2000)[:, None]
    signal = 0.6 * np.exp(-0.5 * (after / (2.0 * SIGMA_US)) ** 2) * np.cos(10.0 * np.pi * after)
    signal += rng.normal(0.0, 0.06, signal.shape)
    found = time_echoes(scan_of(signal), wall_procedure())
    wrong = np.abs(found.picks("wall")["time_us"] - (time_us[0] - after[:, 0])) > 0.06
    clean = found.flags == 0
    assert wrong.mean() > 0.2
    assert (wrong & clean).mean() < 0.002


def test_a_gate_between_two_samples_finds_no_echo() -> None:
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    text = wall_procedure().text.replace("2.0", "3.371").replace("stop_us = 9.0", "stop_us = 3.379")
    found = time_echoes(scan_of(0.6 * burst(time_us, 3.375)), Procedure.from_text(text))
    assert Flag.NO_ECHO in flag(found)


def test_a_calibration_is_bound_to_the_polarity_it_is_relative_to() -> None:
    text = SURFACE.replace('"interface_to_echo", gates = ["surface", "wall"]',
                           '"time_zero_to_echo", gates = ["wall"]')  # fmt: skip
    block = behind_path(np.stack([train(d) for d in (5.0, 10.0)]))
    calibration = calibrate(block, Procedure.from_text(text), [5.0, 10.0], u_known_mm=0.01)
    other = Procedure.from_text(text.replace('"positive"', '"negative"'))
    with pytest.raises(AscanError, match=r"against\.half_cycles was \"positive\", is \"negative\""):
        measure(block, other, calibration)


def test_gates_against_the_order_of_arrival_are_refused() -> None:
    with pytest.raises(AscanError, match="names 'wall' before 'surface', which it follows"):
        Procedure.from_text(SURFACE.replace('["surface", "wall"]', '["wall", "surface"]'))


def test_readings_of_a_doubtful_calibration_are_flagged() -> None:
    """A mislabelled step: the fit does not explain its residuals, and every reading says so."""
    block = behind_path(np.stack([train(d) for d in (5.0, 8.0, 12.0, 16.0)]))
    procedure = Procedure.from_text(SURFACE)
    calibration = calibrate(block, procedure, [5.0, 8.0, 12.5, 16.0], u_known_mm=0.01)
    assert not calibration.health["residuals_explained"]
    assert Flag.CALIBRATION_IN_DOUBT in flag(measure(block, procedure, calibration))


def test_inches_for_millimetres_are_refused() -> None:
    known = np.array([5.0, 10.0, 15.0])
    block = behind_path(np.stack([train(d) for d in known]))
    with pytest.raises(AscanError, match="check that the steps are in mm"):
        calibrate(block, Procedure.from_text(SURFACE), known / 25.4, u_known_mm=0.01)


def test_a_step_read_on_a_later_echo_is_not_used() -> None:
    """One step and a gate on the second echo: the zero offset would be that of a whole wall."""
    late = SURFACE.replace("start_mm = 3.0\nstop_mm = 20.0", "start_us = 5.0\nstop_us = 8.0")
    with pytest.raises(AscanError, match=r"no step reading can be used .*multiple_suspected"):
        calibrate(behind_path(train(10.0)), Procedure.from_text(late), [10.0], u_known_mm=0.01)


class Careless:
    """A timing method that writes what the case says."""

    name = "careless"
    traits = Traits(needs_rf=False)
    wrote: tuple[float, float] | None = None

    def signature(self) -> dict[str, str]:
        return {"method": self.name}

    def refine(self, echoes, flags) -> Picks:
        picks = echoes.nothing()
        if self.wrote is not None:
            picks.position[:], picks.u_position[:] = self.wrote
        return picks


@pytest.mark.parametrize(
    "wrote", [None, (5000.0, 0.1), (np.nan, 0.1), (400.0, np.nan), (400.0, -1.0)]
)
def test_a_careless_timing_method_gives_no_number(wrote: tuple[float, float] | None) -> None:
    import dataclasses

    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    procedure = wall_procedure()
    method = Careless()
    method.wrote = wrote
    gate = dataclasses.replace(procedure.gates[0], timing=method)
    procedure = dataclasses.replace(procedure, gates=(gate,))
    found = time_echoes(scan_of(0.6 * burst(time_us, 5.0)), procedure)
    assert Flag.NO_ECHO in flag(found)
    assert np.isnan(found.columns["interval_us"][0])


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0])
@pytest.mark.parametrize("condition", ["", BAND_PASS], ids=["raw", "band-pass"])
@pytest.mark.parametrize(
    "timing",
    ['"peak"', '{ method = "first_crossing", peak_fraction = 0.5 }'],
    ids=["peak", "own"],
)
def test_random_uncertainty_is_not_too_small(timing: str, condition: str, rate: float) -> None:
    """At 30 dB the spread of 1500 echoes at random phases is at most 1.35 of the stated u.

    It may be smaller: what noise does to a raw peak is more than first order. 1.35 leaves room for
    the sub-sample pattern of 5 samples a period and for the noise estimate's own scatter.
    """
    rng = np.random.default_rng(6)
    time_us = np.arange(int(11 * rate)) / rate
    arrival = rng.uniform(4.0, 7.0, 1500)
    signal = 0.6 * burst(time_us, arrival) + rng.normal(0.0, 0.019, (1500, time_us.size))
    scan = Scan.from_array(signal, sample_rate_mhz=rate)
    found = time_echoes(scan, wall_procedure(timing, condition))
    good = (found.flags == 0) | (found.flags == int(Flag.CYCLE_UNCERTAIN))
    error = found.columns["interval_us"][good] - arrival[good]
    error = error[np.abs(error - np.median(error)) < 0.05]
    assert good.mean() > 0.9
    stated = np.sqrt(np.mean(found.columns["u_interval_us"][good] ** 2))
    assert error.std() < 1.35 * stated


def test_no_flagged_reading_is_accepted_outright() -> None:
    """Flags that come last, by what a reading foretells, count in the verdict, too."""
    procedure = Procedure.from_text(
        HEADER_PROCEDURE
        + "\n[decision]\nminimum_mm = 3.0\n[uncertainty]\ncomponent_velocity_percent = 0.1\n"
    )
    block = synthetic_scan(Synthesis(load_scenario("step_block")))
    known = block.columns["true_axis_mm"]
    calibration = calibrate(block, procedure, known, u_known_mm=0.005)
    made = Synthesis(load_scenario("pitted_raster"))
    component = Scan.from_array(
        made.waveforms(750, 1500),
        sample_rate_mhz=made.scenario.record.sample_rate_mhz,
        start_time_us=made.scenario.record.start_us,
        full_scale=made.full_scale,
    )
    readings = measure(component, procedure, calibration)
    careful = (readings.flags != 0) & np.isfinite(readings.thickness_mm)
    late = np.uint32(Flag.WEAK_ECHO | Flag.SHAPE_MISMATCH)
    assert (careful & (readings.flags & late != 0)).any()
    verdict = readings.columns["decision"]
    assert not (careful & (verdict == Verdict.ACCEPT)).any()
    assert (verdict[careful] == Verdict.CONDITIONAL_ACCEPT).any()
    assert (verdict[readings.flags == 0] == Verdict.ACCEPT).all()


STEPS = np.array([4.0, 8.0, 12.0, 18.0])


def without(thickness_mm: float, *gone: int) -> np.ndarray:
    """Return `train` without some of its echoes, counted from 1."""
    time_us = 15.0 + np.arange(1600) / SAMPLE_RATE_MHZ
    out = train(thickness_mm)
    for number in gone:
        at = 15.5 + 2.0 * thickness_mm / V * number
        out = out + 0.5 * 0.9 ** (number - 1) * burst(time_us, at)
    return out


def by_surface(waveforms: np.ndarray) -> Readings:
    """Return the readings of records, calibrated on sound steps."""
    procedure = Procedure.from_text(SURFACE)
    block = behind_path(np.stack([train(step) for step in STEPS]))
    fit = calibrate(block, procedure, STEPS, u_known_mm=0.01)
    return measure(behind_path(waveforms), procedure, fit)


@pytest.mark.parametrize("thickness_mm", [4.2, 6.0, 9.0])
def test_a_wall_whose_first_echo_is_missing_does_not_read_double(thickness_mm: float) -> None:
    """Its third echo comes half-way from the second, which was timed, to that one's multiple."""
    readings = by_surface(np.stack([train(thickness_mm), without(thickness_mm, 1)]))
    assert flag(readings, 0) == Flag(0)
    assert readings.thickness_mm[0] == pytest.approx(thickness_mm, abs=0.01)
    assert readings.thickness_mm[1] == pytest.approx(2.0 * thickness_mm, abs=0.02)
    assert Flag.UNEXPECTED_ECHO in flag(readings, 1)
    assert readings.columns["between_multiples"][1] > 0.8


def test_a_wall_echo_far_above_its_usual_height_is_another_or_another_gain() -> None:
    time_us = 15.0 + np.arange(1600) / SAMPLE_RATE_MHZ
    louder = np.where(time_us > 16.0, 2.5, 1.0) * train(8.0)
    readings = by_surface(np.stack([train(8.0), 0.4 * louder]))
    assert flag(readings, 0) == Flag(0)
    assert Flag.UNEXPECTED_ECHO in flag(readings, 1)


BETWEEN = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
interval = { mode = "echo_to_echo", gates = ["wall", "second"] }
[[gate]]
name = "wall"
start_us = 1.0
stop_us = 12.0
threshold = 0.1
[[gate]]
name = "second"
follows = "wall"
start_us = 1.0
stop_us = 8.0
threshold = 0.02
"""


def contact(thickness_mm: float, between: float = 0.0, late_us: float = 0.0) -> np.ndarray:
    """Return a contact probe's train; ``between`` is an arrival from 1.4 of the first's time."""
    time_us = np.arange(2000) / SAMPLE_RATE_MHZ
    first = 2.0 * thickness_mm / V
    numbers = np.arange(1, 6)
    arrivals = 0.3 + late_us + first * numbers
    size = 0.6 * 0.8 ** (numbers - 1)
    out = (size[:, None] * burst(time_us, arrivals)).sum(axis=0)
    return out + between * burst(time_us, 0.3 + late_us + 1.4 * first)


def test_an_arrival_between_two_echoes_is_no_second_one() -> None:
    """The first comes at one interval after the sound has entered: between echoes, too."""
    procedure = Procedure.from_text(BETWEEN)
    steps = np.array([5.0, 10.0, 15.0])
    block = scan_of(np.stack([contact(step) for step in steps]))
    fit = calibrate(block, procedure, steps, u_known_mm=0.01)
    kinds = [contact(9.0), contact(9.0, 0.06), contact(9.0, 0.0, 0.2)]
    readings = measure(scan_of(np.stack(kinds)), procedure, fit)
    assert flag(readings, 0) == Flag(0)
    assert readings.thickness_mm[1] < 5.0
    assert Flag.UNEVEN_SPACING in flag(readings, 1)
    # A coating makes it late, and the reading is right; only where it is stated, that is no fault.
    assert readings.thickness_mm[2] == pytest.approx(9.0, abs=0.01)
    assert Flag.UNEVEN_SPACING in flag(readings, 2)


TRAIN = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
interval = { mode = "echo_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_us = 0.5
stop_us = 12.0
threshold = 0.1
echo = "train"
min_spacing_mm = 1.0
max_spacing_mm = 8.0
"""


def test_a_train_of_every_second_echo_is_uneven() -> None:
    """Between its echoes stands another train; an interface echo six times as high hides none."""
    time_us = np.arange(1500) / SAMPLE_RATE_MHZ
    numbers = np.arange(1, 12)

    def record(first: float, spacing: float) -> np.ndarray:
        size = 0.1 * 0.85 ** (numbers - 1)
        size[0] *= first
        return 0.6 * burst(time_us, 2.0) + (
            size[:, None] * burst(time_us, 2.0 + spacing * numbers)
        ).sum(axis=0)

    procedure = Procedure.from_text(TRAIN)
    for thickness in (1.6, 2.4, 3.3):
        spacing = 2.0 * thickness / V
        found = time_echoes(scan_of(record(1.0, spacing)), procedure)
        assert found.columns["interval_us"][0] == pytest.approx(spacing, abs=0.002)
        assert Flag.UNEVEN_SPACING not in flag(found)
        for first in (0.5, 0.1):
            found = time_echoes(scan_of(record(first, spacing)), procedure)
            wrong = abs(found.columns["interval_us"][0] - spacing) > 0.05
            assert not wrong or Flag.UNEVEN_SPACING in flag(found)


def test_a_lower_echo_is_coupling_a_changed_one_may_be_a_pit_s() -> None:
    """At 0.6 of its height: alone it is coupling; with a fifth of it 150 ns early, a pit."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    rng = np.random.default_rng(8)

    def plates(*records: np.ndarray) -> Scan:
        noise = rng.normal(0.0, 0.001, (len(records), time_us.size))
        return scan_of(np.stack(records) + noise)

    procedure = wall_procedure()
    steps = np.array([8.0, 12.0, 16.0, 24.0])
    fit = calibrate(
        plates(*(0.8 * burst(time_us, 2.0 * step / V) for step in steps)),
        procedure,
        steps,
        u_known_mm=0.01,
    )
    at = 2.0 * 10.0 / V
    low = 0.48 * burst(time_us, at)
    readings = measure(plates(low, low + 0.1 * burst(time_us, at - 0.15)), procedure, fit)
    assert readings.columns["relative_amplitude"] == pytest.approx([0.6, 0.6], abs=0.03)
    assert flag(readings, 0) == Flag(0)
    assert Flag.SHAPE_MISMATCH in flag(readings, 1)
