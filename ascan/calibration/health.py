"""What the health figures of a calibration mean where they are false, with their likely causes."""

from __future__ import annotations

# What each health figure means when it is false, with its likely cause.
HEALTH = {
    "range_is_bracketed": "the steps do not bracket the measuring range: add thinner or thicker "
    "steps, or narrow the range",
    "enough_steps_read": "fewer than four of the steps are read right, others not: see rows left "
    "out",
    "every_step_used": "a step has no usable reading and is not in the fit: see rows left out",
    "most_readings_used": "fewer than half of the step readings are in the fit: see rows left out",
    "no_step_misread": "a reading came out as another thickness than its step's and was left out: "
    "it may bear the wrong label, or its record is disturbed",
    "residuals_tested": "too few steps to test the fit: with no more steps than fitted values "
    "every residual is zero; read one more step",
    "residuals_explained": "the residuals exceed what block and timing explain: a mislabelled "
    "step, a wrong half-cycle, or a path that is not direct",
    "no_step_doubted": "one step is off the line of the others, which agree without it: its label, "
    "its thickness or its echo is wrong; it was not left out",
    "velocity_plausible": "the velocity is further off the material's than its uncertainty: block "
    "of another material (state its velocity), wrong echo, or steps given in another unit",
    "zero_plausible": "the zero offset is larger than pulse shape and probe explain: a later echo "
    "was timed, or one step is not as thick as stated",
    "offset_is_zero": "the echo-to-echo offset fitted beside is more than 3 u from 0: the echoes "
    "used differ in shape, or one of them is not a back-wall echo",
    "half_cycles_as_found": "a step was moved by whole half-cycles against what its own echo "
    "shows: it may be mislabelled by about half a wavelength, or its echo disturbed",
    "delay_stated": "probe.delay_us is 0: a whole record needs the delay from the trigger to the "
    "sound leaving the probe, and is worse without; the interface echo and its repeat tell it, "
    "twice the echo's time less the repeat's ('ascan draft' finds it)",
    "dimensions_stated": "the dual probe's dimensions are not stated: between the steps its path "
    "is a plain curve, many times worse than by nominal dimensions",
    "repeatability_tested": "no step was read twice: what coupling adds is not known; 0.01 of a "
    "period is allowed for, or [uncertainty] repeatability_mm",
    "repeatable": "repeated readings on one step scatter by more than a tenth of a period: "
    "unsteady coupling, or the timed half-cycle changes",
    "readings_agree": "repeated readings on one step scatter by more than a sixth of a period: "
    "the timed half-cycle changes, two probes are mixed, or two steps bear one thickness",
}

# Those that question the values themselves: readings made with such a calibration are flagged.
QUESTIONING = (
    "residuals_explained",
    "no_step_doubted",
    "velocity_plausible",
    "zero_plausible",
    "offset_is_zero",
    "half_cycles_as_found",
    "readings_agree",
    "enough_steps_read",
    "most_readings_used",
)
