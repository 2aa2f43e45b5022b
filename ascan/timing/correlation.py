"""The delay at which the echo correlates best with its template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled
from ascan.template import PLACES
from ascan.timing.matched import best_lag, between_samples, noise_gain, product_noise
from ascan.timing.protocol import EchoRows

UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)


@compiled
def correlate(
    trace: AnyArray,
    peak: IntArray,
    counts: SignArray,
    noise: FloatArray,
    shapes: FloatArray,
    slopes: FloatArray,
    reach: int,
    gain: float,
    apart: float,
    position: FloatArray,
    u_position: FloatArray,
    flags: FlagArray,
) -> None:
    """Write where a template fits each echo best; ``gain`` is what noise of level 1 moves it by.

    ``apart`` is what must lie between two crests to tell them apart in such noise.
    """
    middle = shapes[PLACES // 2]
    for row in range(peak.size):
        if peak[row] < 0:
            continue
        lag, way, margin = best_lag(trace[row], peak[row], reach, middle, counts[row])
        if lag < 0:
            continue
        if margin < apart * noise[row]:
            flags[row] |= UNSURE
        position[row], height = between_samples(trace[row], lag, way, shapes, slopes)
        u_position[row] = noise[row] * gain / height


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlation:
    """Largest correlation with the template, within one and a half periods of the own peak.

    The template is the mean echo that the calibration learned, or before a calibration the nominal
    pulse of the probe. Where half-cycles of one polarity count, an echo turned over does not fit;
    else it does. In white noise no unbiased estimator scatters less.

    References
    ----------
    Variance of the delay of a known shape, σ² / Σ s'² (Cramér-Rao; Kay, Fundamentals of Statistical
    Signal Processing I, example 3.13, from memory); with the noise's own correlation in place of
    white noise, JCGM 100:2008 5.2.2.
    """

    name: ClassVar[str] = "correlation"
    needs_rf: ClassVar[bool] = True
    works_on_held: ClassVar[bool] = False
    settles_half_cycle: ClassVar[bool] = True
    takes_template: ClassVar[bool] = True

    def signature(self) -> dict[str, Any]:
        """Return the method's name; the template lies in the calibration itself."""
        return {"method": self.name}

    def refine(
        self, echoes: EchoRows, position: FloatArray, u_position: FloatArray, flags: FlagArray
    ) -> None:
        """Write the delay of each echo, in samples of the trace, and its standard uncertainty."""
        template = echoes.template
        slope = template.slopes[PLACES // 2]
        correlate(
            echoes.trace,
            echoes.peak,
            echoes.counts,
            echoes.noise,
            template.shapes,
            template.slopes,
            int(np.ceil(1.5 * echoes.period)),
            noise_gain(slope, echoes.noise_correlation) / float(slope @ slope),
            product_noise(template.shapes[PLACES // 2], echoes.noise_correlation, echoes.period),
            position,
            u_position,
            flags,
        )
