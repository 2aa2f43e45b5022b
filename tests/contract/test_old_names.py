"""Old names: what was written under them is read for ever; in Python they work with a warning."""

from __future__ import annotations

import numpy as np
import pytest

from ascan import AscanError, Flag, Procedure, Readings
from ascan.base import old_names
from ascan.checks.limits import limits_of
from ascan.checks.table import columns, keys
from ascan.commands import cli
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS

OLD = """
probe = { arrangement = "dual", frequency_mhz = 5.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
witness = { mode = "echo_to_converted", gates = ["wall", "converted"] }
checks = { least_snr_db = 20.0, most_witness_off = 4.0 }
[[gate]]
name = "wall"
echo = "head"
start_mm = 2.0
stop_mm = 30.0
timing = { method = "first_crossing", own_peak_fraction = 0.4 }
[[gate]]
name = "converted"
follows = "wall"
start_us = 0.4
stop_us = 6.0
threshold = 0.1
"""
NEW = (
    OLD.replace("witness =", "second_interval =")
    .replace("least_snr_db", "min_snr_db")
    .replace("most_witness_off", "max_second_off")
    .replace('"head"', '"first_arrival"')
    .replace("own_peak_fraction", "peak_fraction")
)


def test_every_old_name_leads_to_one_of_today_and_is_none_itself() -> None:
    here = {*RESULT_COLUMNS, *columns(of_gate=False)}
    of_gates = {*GATE_COLUMNS, *columns(of_gate=True)}
    flags = {str(flag.name).lower() for flag in Flag}
    for old, new, names in (
        (old_names.COLUMNS, old_names.COLUMNS.values(), here),
        (old_names.TWO_MEANINGS, sum(old_names.TWO_MEANINGS.values(), ()), here),
        (old_names.GATE_COLUMNS, old_names.GATE_COLUMNS.values(), of_gates),
        (old_names.FLAGS, old_names.FLAGS.values(), flags),
        (old_names.LIMITS, old_names.LIMITS.values(), set(keys())),
        (old_names.COMMANDS, old_names.COMMANDS.values(), set(cli.COMMANDS)),
    ):
        assert not set(old) & names
        assert set(new) <= names


def test_an_old_procedure_reads_as_the_one_of_today() -> None:
    old, new = Procedure.from_text(OLD), Procedure.from_text(NEW)
    assert (old.gates, old.second_interval) == (new.gates, new.second_interval)
    assert dict(old.checks) == dict(new.checks)
    assert old.checks["min_snr_db"] == 20.0


def test_a_key_under_both_names_is_refused() -> None:
    both = {"least_snr_db": 14.0, "min_snr_db": 20.0}
    with pytest.raises(AscanError, match="'min_snr_db' and 'least_snr_db', its old name"):
        limits_of(both)


@pytest.mark.parametrize("old", old_names.COMMANDS)
def test_old_command_words_still_run(old: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main([old, "--help"])
    assert f"usage: ascan {old_names.COMMANDS[old]} " in capsys.readouterr().out


def test_old_words_are_shown_nowhere(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    shown = capsys.readouterr().out.split()
    assert not set(shown) & set(old_names.COMMANDS) - {"surface", "record"}


def test_flags_and_columns_answer_to_their_old_names_with_a_warning() -> None:
    with pytest.warns(DeprecationWarning, match="'SPIKED' is now called 'SPIKE_REPAIRED'"):
        assert Flag.SPIKED is Flag.SPIKE_REPAIRED  # type: ignore[attr-defined]
    with pytest.raises(AttributeError):
        _ = Flag.NO_SUCH_FLAG  # type: ignore[attr-defined]
    readings = Readings({"flags": np.zeros(1, np.uint32), "wall_shape_residual": np.ones(1)})
    with pytest.warns(DeprecationWarning, match="now called 'wall_shape_residual'"):
        assert readings.columns["wall_misfit"][0] == 1.0
    with pytest.raises(KeyError):
        _ = readings.columns["rival_mm"]
