"""What a calibration, or else nominal dimensions, tell of the echoes to come."""

from __future__ import annotations

import numpy as np

from ascan.calibration.record import Calibration
from ascan.checks.cycle_uncertain import CYCLE_OFFSET
from ascan.echo.bound import Taught
from ascan.finding.arrival import LEAST_SHARE, OF_USUAL_SHARE
from ascan.finding.first_arrival import ArrivalGuide
from ascan.path.aperture import converted_later_us
from ascan.procedure.written import Procedure
from ascan.steps.learned_value import Kind, LearnedValue
from ascan.steps.models import FirstArrivals
from ascan.waveform.recording import Recording

AMPLITUDE_RANGE = LearnedValue(
    name="amplitude_range",
    kind=Kind.SPAN,
    unit="1",
    meaning="least and largest height of the echoes of a gate, as fractions of full scale",
)
ARRIVAL_RATIO = LearnedValue(
    name="arrival_ratio",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="echo peak of a dual probe's first echo over the largest half-cycle in its gate",
)


def taught_of(
    procedure: Procedure,
    recording: Recording,
    calibration: Calibration | None = None,
    guide: ArrivalGuide | None = None,
) -> Taught:
    """Return what is known of echoes to come; ``guide`` where first arrivals are known already."""
    guide = guide or guide_of(procedure, recording, calibration)
    if calibration is None:
        return Taught(guide=guide)
    return Taught(
        guide=guide,
        templates=calibration.templates,
        amplitude_range=calibration.learned.get(AMPLITUDE_RANGE, {}),
        cycle_offset_us=calibration.learned.get(CYCLE_OFFSET, {}),
    )


def guide_of(
    procedure: Procedure, recording: Recording, calibration: Calibration | None
) -> ArrivalGuide:
    """Return what is known of first arrivals to come."""
    if calibration is not None and calibration.arrivals is not None:
        ratios = calibration.learned.get(ARRIVAL_RATIO, {}).values()
        least = [float(np.nanmin(each)) for each in ratios]
        return _learned_guide(calibration, calibration.arrivals, recording, least)
    geometry = procedure.probe.geometry()
    if geometry is None:
        return ArrivalGuide()
    depth, velocity = np.geomspace(0.2, 200.0, 300), procedure.material.velocity_mm_per_us
    first, second = (geometry.middle_time_us(depth, velocity, echo) for echo in (1, 2))
    train = np.stack([first, second, first + converted_later_us(depth, velocity)])
    return ArrivalGuide(train_us=train + procedure.probe.delay_us)


def _learned_guide(
    calibration: Calibration, curve: FirstArrivals, recording: Recording, least: list[float]
) -> ArrivalGuide:
    """Return what a calibration tells; ``least`` is each gate's least arrival ratio."""
    converted = converted_later_us(curve.thickness_mm, calibration.velocity_mm_per_us)
    later = np.stack([np.zeros_like(converted), curve.second_us, converted])
    return ArrivalGuide(
        train_us=curve.time_us + later,
        cross_talk=curve.cross_talk * np.array([[1.0], [recording.full_scale]]),
        shapes=curve.shapes,
        arrival_us=curve.arrival_us,
        zero_index=curve.zero_index,
        polarity=curve.polarity,
        least_share=min([LEAST_SHARE, *(OF_USUAL_SHARE * each for each in least)]),
    )
