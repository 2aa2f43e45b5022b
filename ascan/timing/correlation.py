"""The delay at which the echo correlates best with its template."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.kernels.jit import compiled
from ascan.timing.matched import between_samples, delay_gain, place_templates
from ascan.timing.protocol import EchoRows


@compiled
def correlate(
    trace: AnyArray,
    lags: IntArray,
    ways: SignArray,
    noise: FloatArray,
    shapes: FloatArray,
    slopes: FloatArray,
    gain: float,
    position: FloatArray,
    u_position: FloatArray,
) -> None:
    """Write where a template fits each echo best; ``gain`` is what noise of level 1 moves it by."""
    for row in range(lags.size):
        lag, way = lags[row], int(ways[row])
        if lag < 0:
            continue
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
        lags, ways = place_templates(echoes, flags)
        correlate(
            echoes.trace,
            lags,
            ways,
            echoes.noise,
            echoes.template.shapes,
            echoes.template.slopes,
            delay_gain(echoes),
            position,
            u_position,
        )
