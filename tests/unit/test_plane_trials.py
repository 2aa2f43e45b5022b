"""Trials on plane elastic waves: which walls are where, what is owed, and that they can be read."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from ascan import Procedure, calibrate, measure

BENCHES = Path(__file__).resolve().parents[2] / "benches"
KINDS = ("contact", "line", "dual")


@pytest.fixture
def trials(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(BENCHES)
    return importlib.import_module("plane_trials")


@pytest.mark.parametrize("kind", KINDS)
def test_every_stored_record_is_a_step_or_in_one_cell(trials: ModuleType, kind: str) -> None:
    kept = trials.plane.stored_responses(kind)
    names = {str(name) for name in kept.groups} - {"steps"}
    assert names <= {*trials.PLAIN, *trials.OTHER}
    assert not {*trials.PLAIN} & {*trials.OTHER}
    walls = sum(len(trials.walls_of(kept, name).codes) for name in names)
    assert walls + len(trials.plane.flat_steps(kept).codes) == len(kept.codes)


def test_procedures_state_the_dual_probe_as_it_was_made(trials: ModuleType) -> None:
    """The element lies 0.53 mm higher at the barrier than at its outer edge: 5 mm at 6°."""
    probe = Procedure.from_text(trials.PLANE["dual, first arrival"][1]).probe
    assert probe.wedge_height_mm == pytest.approx(8.03 + 0.5 * 0.5255, abs=0.005)
    assert (probe.roof_deg, probe.element_width_mm, probe.element_gap_mm) == (6.0, 5.0, 1.0)
    assert probe.wedge_velocity_mm_per_us == 2.35


def test_rows_repeat_what_is_stored_with_new_noise(trials: ModuleType) -> None:
    made = list(trials.of_plane("contact", ("flat",), 1, 24))
    assert [len(each.component) for each in made] == [12, 12]
    codes = made[0].component.rows.read_block(0, 12).astype(float)
    assert made[0].axis_mm[:6] == pytest.approx(made[0].axis_mm[6:])
    assert (codes[:6] != codes[6:]).any(axis=1).all()
    assert len(made[0].block) == 15
    other = next(iter(trials.of_plane("contact", ("V grooves",), 1, 6)))
    assert made[0].echo_db is not None
    assert other.echo_db is None, "no number is owed over a groove"


def test_the_echo_over_noise_is_that_of_the_records(trials: ModuleType) -> None:
    """Contact at 30 dB, walls of 8 mm: peak of the first echo over the noise ahead of it.

    3 dB each: noise of 1 / 20 on the peak, 0.4 dB, always counts upwards among many samples; the
    rms over 100 samples is known to 7 %, 0.6 dB. Ten of them together: 1 dB.
    """
    trial = [t for t in trials.of_plane("contact", trials.PLAIN, 4, 6) if t.what == "smooth"][1]
    assert trial.echo_db is not None
    codes = trial.component.rows.read_block(0, len(trial.component)).astype(float)
    # From −1 µs on at 100 MHz; an 8 mm wall answers 2.7 µs after the transmit pulse at 0.64 µs.
    noise, peak = codes[:, :100].std(axis=1), np.abs(codes[:, 380:520]).max(axis=1)
    off_db = 20.0 * np.log10(peak / noise) - trial.echo_db()
    assert np.abs(off_db).max() < 3.0
    assert abs(off_db.mean()) < 1.0
    assert trial.echo_db().max() < 33.0


def test_flat_walls_in_contact_are_read(trials: ModuleType) -> None:
    """To 20 µm, 7 ns: noise at 42 dB is 1 ns, diffraction bends the line of the steps by some."""
    trial = next(iter(trials.of_plane("contact", ("flat",), 3, 6)))
    fit = calibrate(trial.block, trial.procedure, trial.known_mm, u_known_mm=0.003)
    read = measure(trial.component, trial.procedure, fit).thickness_mm
    assert read == pytest.approx(trial.axis_mm, abs=0.02)


@pytest.mark.parametrize("what", ["warm wedge", "paint 0.2 mm"])
def test_what_lies_under_a_dual_probe_is_told_by_the_second_echoes(
    trials: ModuleType, what: str
) -> None:
    """No wall of 3 mm and more is read wrong in silence: its first echo comes late, alone.

    Paint of 0.2 mm and 2.5 mm/µs, both ways, is as late as steel of 0.47 mm (nearly 0.16 µs, 0.8
    of a period); a wedge 1 % slow as steel of 0.21 mm. What pulse the probe has decides whether a
    second echo's half-cycle is told by its height alone: here it is not.
    """
    for trial in trials.of_plane("dual, first arrival", (what,), 447300, 30):
        fit = calibrate(trial.block, trial.procedure, trial.known_mm, u_known_mm=0.005)
        readings = measure(trial.component, trial.procedure, fit)
        off_mm = readings.thickness_mm - trial.axis_mm
        silent = (readings.flags == 0) & (
            np.abs(off_mm) > readings.columns["expanded_on_block_mm"] + 0.05
        )
        assert (off_mm[trial.axis_mm >= 3.0] > 0.15).mean() > 0.9
        assert not silent[trial.axis_mm >= 3.0].any()
