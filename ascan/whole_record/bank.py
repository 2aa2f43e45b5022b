"""A bank of echo shapes over the wall they have crossed, to be laid anywhere between samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled
from ascan.whole_record.operator import Operator

# Shapes are kept so many times a sample, with two derivatives: what is left between them is below
# a millionth of the echo at ten samples a period.
PLACES = 8
# Depths are even in log(1 + depth / FIRST_MM).
DEPTHS, FIRST_MM = 56, 1.0


@dataclass(frozen=True, eq=False, slots=True)
class Bank:
    """Echo shapes of one pulse.

    Attributes
    ----------
    shapes : ndarray, shape (depths, PLACES + 1, 3, size), float32
        Shape, slope and bend (per sample) from half a sample early to half a sample late.
    least_mm, step : float
        Of its depths, see `depths_of`.
    """

    shapes: AnyArray
    least_mm: float
    step: float

    @property
    def depths_mm(self) -> AnyArray:
        """Wall crossed, shape (depths,)."""
        return depths_of(self.least_mm, self.step, len(self.shapes))


def depths_of(least_mm: float, step: float, count: int) -> AnyArray:
    """Return depths even in a logarithm: least_mm + FIRST_MM (exp(step k) − 1)."""
    return np.asarray(least_mm + FIRST_MM * np.expm1(step * np.arange(count)))


def step_of(span_mm: tuple[float, float], count: int) -> float:
    """Return the step of so many depths from the first to the second of a span."""
    return float(np.log1p((span_mm[1] - span_mm[0]) / FIRST_MM) / (count - 1))


def make_bank(
    pulse: AnyArray,
    operator: Operator,
    sample_rate_mhz: float,
    span_mm: tuple[float, float],
) -> Bank:
    """Return the bank of a pulse for walls crossed of ``span_mm``.

    Parameters
    ----------
    pulse : ndarray, shape (size,)
    """
    step = step_of(span_mm, DEPTHS)
    crossed = depths_of(span_mm[0], step, DEPTHS)
    transform = next_fast_len(4 * pulse.size, real=True)
    frequency = np.fft.rfftfreq(transform, 1.0 / sample_rate_mhz)
    omega = 2.0 * np.pi * np.fft.rfftfreq(transform)
    # Room on both sides for what distance spreads.
    padded = np.zeros(transform)
    padded[: pulse.size] = pulse
    spread = np.fft.rfft(padded) * operator.response(frequency, crossed)
    places = np.arange(PLACES + 1) / PLACES - 0.5
    out = np.empty((DEPTHS, PLACES + 1, 3, pulse.size), np.float32)
    for k, place in enumerate(places):
        late = spread * np.exp(-1j * omega * place)
        for order in range(3):
            moved = np.fft.irfft(late * (1j * omega) ** order, transform)
            out[:, k, order] = moved[:, : pulse.size]
    return Bank(out, float(span_mm[0]), step)


@compiled
def lay(
    bank: AnyArray,
    scale: tuple[float, float],
    crossed_mm: float,
    offset: float,
    shape: AnyArray,
    slope: AnyArray,
) -> None:
    """Write shape and slope of an echo that is ``offset`` (−½..½) samples late.

    ``scale`` is (least_mm, step) of the bank; outside its depths the nearest is taken.
    """
    depths = bank.shape[0]
    where = np.log1p(max(crossed_mm - scale[0], 0.0) / FIRST_MM) / scale[1]
    low = min(int(where), depths - 2)
    share = np.float32(min(where - low, 1.0))
    k = min(max(int(np.rint((offset + 0.5) * PLACES)), 0), PLACES)
    rest = np.float32(offset - (k / PLACES - 0.5))
    half = np.float32(0.5) * rest * rest
    near, far = bank[low, k], bank[low + 1, k]
    one = np.float32(1.0)
    for j in range(shape.size):
        value = (one - share) * near[0, j] + share * far[0, j]
        steep = (one - share) * near[1, j] + share * far[1, j]
        bend = (one - share) * near[2, j] + share * far[2, j]
        shape[j] = value - rest * steep + half * bend
        slope[j] = steep - rest * bend
