"""A procedure's gates, bound to a recording and to what a calibration taught."""

from __future__ import annotations

from ascan.echo.bound import Setting, Taught
from ascan.echo.stage import GateStage
from ascan.procedure.written import Procedure
from ascan.waveform.recording import Recording


def gates_of(procedure: Procedure, recording: Recording, taught: Taught | None = None) -> GateStage:
    """Return the gates of a procedure; ``taught`` is what is known of echoes to come."""
    setting = Setting(
        layout=procedure.layout,
        probe=procedure.probe,
        filter=procedure.filter,
        velocity_mm_per_us=procedure.material.velocity_mm_per_us,
    )
    return GateStage(setting, recording, taught or Taught())
