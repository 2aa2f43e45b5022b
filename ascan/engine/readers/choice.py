"""Which reader a procedure and a calibration ask for."""

from __future__ import annotations

from ascan.calibration.record import Calibration
from ascan.engine.read import Reader
from ascan.engine.readers.coated import CoatedReader
from ascan.engine.readers.dual import dual_reader
from ascan.engine.readers.echoes import echoes_reader
from ascan.engine.readers.layered import LayeredReader, bare_stage
from ascan.engine.readers.train import TrainReader
from ascan.procedure.written import Procedure
from ascan.steps.models import ApertureModel, LayeredModel
from ascan.waveform.recording import Recording
from ascan.whole_record.coated_stage import CoatedStage
from ascan.whole_record.coating import expected_mismatch


def reader_of(
    procedure: Procedure,
    recording: Recording,
    calibration: Calibration | None,
    window_us: tuple[float, float],
) -> Reader:
    """Return the reader of a procedure's records.

    Of whole records, that is their fit where the calibration has learned what they look like;
    ``window_us`` is then what the wall's gate lets pass.
    """
    whole = calibration.record_model if calibration else None
    if calibration is None or whole is None:
        if procedure.layout.times_train:
            return TrainReader(calibration)
        return echoes_reader(procedure, calibration)
    if isinstance(whole, ApertureModel):
        return dual_reader(procedure, recording, calibration, whole)
    return _layered(procedure, recording, calibration, whole, window_us)


def _layered(
    procedure: Procedure,
    recording: Recording,
    calibration: Calibration,
    model: LayeredModel,
    window_us: tuple[float, float],
) -> LayeredReader | CoatedReader:
    """Return the reader of layered records, with the coating that is stated."""
    bare = bare_stage(procedure, recording, calibration, model)
    coating = procedure.coating
    if coating is None:
        return LayeredReader(stage=bare, window_us=window_us)
    mismatch = expected_mismatch(coating.velocity_mm_per_us, procedure.probe)
    stage = CoatedStage(bare, mismatch)
    return CoatedReader(LayeredReader(stage=stage, window_us=window_us), coating.velocity_mm_per_us)
