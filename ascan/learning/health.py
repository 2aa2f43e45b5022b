"""The health figures of a calibration: what the steps themselves say of it."""

from __future__ import annotations

import numpy as np

from ascan.calibration.step_block import StepFit
from ascan.calibration.step_means import StepMeans
from ascan.kernels.arrays import FloatArray
from ascan.path.material import STEEL_VELOCITY_MM_PER_US
from ascan.procedure.tables import MeasuringRange
from ascan.procedure.written import Procedure
from ascan.steps.means import Steps

# A velocity is the material's within so many of its standard uncertainties; diffraction adds this
# part of it to what is fitted (0.4 % at most on steps of 3 to 20 mm, `benches/verdict.py`). Of a
# material of which only a name and a velocity are stated: handbooks give aluminium 6.30 and 6.42,
# mild steel 5.90 and 5.96 mm/µs (ASTM E494, CRC Handbook), a ratio known by guess 5 %.
COVERAGE, EFFECTIVE, OF_A_KIND, GUESSED = 3.0, 0.005, 0.03, 0.05
REPEATABLE_PERIODS = 0.1
# What single echoes leave, whose shape changes with depth (diffraction, a film of couplant), is in
# the uncertainty; a mix-up of steps or echoes moves a time by half a period. An eighth of one is an
# eighth of a wavelength on the wall's two ways: rms, half of that is slight.
SLIGHT_PERIODS = 0.0625
# Residuals that chance gives less often than this are told.
CERTAIN = 0.01
# Coupling seldom moves an echo by so much; another half-cycle, probe or step does. Two readings of
# fifteen that are half a period off scatter by this much.
AGREE_PERIODS = 1.0 / 6.0
# Two echoes of one probe differ in shape and in timing method by no more than this.
SHAPE_PERIODS = 2.0
# What wear face, couplant and trigger delay a contact probe beyond its nominal delay.
FACE_US = 1.0


def health_of(found: StepFit, procedure: Procedure) -> dict[str, bool]:
    """Return the health figures of a line through the steps."""
    fit, steps = found.fit, found.steps.thickness_mm
    fitted = min(procedure.layout.nominal_freedom, steps.size)
    # So little is no mix-up, and is in the uncertainty.
    slight_us = SLIGHT_PERIODS / procedure.probe.frequency_mhz
    slight_mm = fit.velocity_mm_per_us * slight_us
    explained = not found.p_value < CERTAIN or fit.lack_of_fit_us < slight_us
    return {
        "range_is_bracketed": is_bracketed(steps, procedure.range),
        "residuals_tested": steps.size > fitted,
        "residuals_explained": explained,
        "no_step_doubted": found.doubt is None or abs(found.doubt.off_mm) < slight_mm,
        "velocity_plausible": is_plausible(fit.velocity_mm_per_us, procedure),
        "zero_plausible": _zero_is_plausible(fit.zero_us, procedure),
        "offset_is_zero": not abs(fit.fitted_zero_us) > 3.0 * fit.u_fitted_zero_us + slight_us,
        **repeats(found.steps, fit.repeatability_us, procedure),
    }


def repeats(means: StepMeans | Steps, repeatability_us: float, how: Procedure) -> dict[str, bool]:
    """Return the health figures of repeated readings."""
    periods = repeatability_us * how.probe.frequency_mhz
    return {
        "repeatability_tested": bool((means.readings > 1).any()),
        "repeatable": periods <= REPEATABLE_PERIODS,
        "readings_agree": periods <= AGREE_PERIODS,
    }


def is_bracketed(steps_mm: FloatArray, span: MeasuringRange) -> bool:
    """Tell whether the steps bracket the measuring range, where one is stated."""
    bracketed = steps_mm.min() <= span.min_mm and steps_mm.max() >= span.max_mm
    return bool(bracketed or span == MeasuringRange())


def is_plausible(velocity_mm_per_us: float, procedure: Procedure) -> bool:
    """Tell whether a velocity may be the material's."""
    material, converted = procedure.material, procedure.layout.mode.velocity_ratio != 1.0
    most = COVERAGE * material.u_velocity_mm_per_us / material.velocity_mm_per_us + EFFECTIVE
    if converted:
        most = max(most, GUESSED)
    elif material.velocity_mm_per_us != STEEL_VELOCITY_MM_PER_US:
        most = max(most, OF_A_KIND)
    nominal = procedure.interval_material.velocity_mm_per_us
    return bool(abs(velocity_mm_per_us / nominal - 1.0) <= most)


def tests_in_words(found: StepFit) -> dict[str, str]:
    """Return what the lack-of-fit test found, and what it could have found."""
    if np.isnan(found.p_value):
        return {}
    detectable_um = 0.5e3 * found.fit.velocity_mm_per_us * found.detectable_us
    told = {
        "lack_of_fit_test": f"p {found.p_value:.2g} on {found.freedom} degrees of freedom; four "
        f"times in five it finds a scatter of {1e3 * found.detectable_us:.1f} ns, "
        f"{detectable_um:.0f} µm"
    }
    return told | ({"doubted_step": str(found.doubt)} if found.doubt else {})


def _zero_is_plausible(zero_us: float, procedure: Procedure) -> bool:
    """Tell whether the zero offset is one that pulse shape and probe can explain."""
    period_us = 1.0 / procedure.probe.frequency_mhz
    if procedure.layout.from_interface:
        return abs(zero_us) <= SHAPE_PERIODS * period_us
    if procedure.layout.is_contact:
        return abs(zero_us - procedure.probe.delay_us) <= max(FACE_US, 5.0 * period_us)
    return True
