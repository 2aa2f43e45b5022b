"""The delay of an echo by least squares: of known shape, or of a Gaussian pulse of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ascan.base.tables import text
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.fir import SIGMA_OVER_BANDWIDTH
from ascan.kernels.jit import compiled
from ascan.timing.matched import (
    Laid,
    Shapes,
    nearest_place,
    noise_gain,
    place_templates,
    shapes_of,
)
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows
from ascan.waveform.template import PLACES

# Gauss-Newton from a start within a fraction of a sample settles in three or four rounds.
ROUNDS = 12
SETTLED_SAMPLES = 1e-7
# Added to the diagonal of normal equations, that none is singular.
RIDGE, TINY = 1e-12, 1e-200
# A pulse of another width than this many times the nominal one is not the probe's.
MOST_WIDTHS = 3.0


@compiled
def fit_known(
    samples: AnyArray, lag: int, way: int, shapes: FloatArray, slopes: FloatArray
) -> tuple[float, float]:
    """Return the delay and height of a known shape, with a constant of its own, by least squares.

    Gauss-Newton in delay, height and constant; the shape is laid out at the nearest of its places.
    """
    half = (shapes.shape[1] - 1) // 2
    low, high = max(lag - half, 0), min(lag + half + 1, samples.size)
    normal, right = np.zeros((3, 3)), np.zeros(3)
    offset, height = 0.0, 0.0
    for turn in range(ROUNDS):
        k = nearest_place(offset)
        shape, slope = shapes[k], slopes[k]
        rest = offset - (k / PLACES - 0.5)
        normal[:] = 0.0
        right[:] = 0.0
        for j in range(low, high):
            m = j - lag + half
            # First order from the laid-out place; what is left of it is gone when rest is.
            value = shape[m] - rest * slope[m]
            steep = slope[m]
            y = np.float64(samples[j]) * way
            normal[0, 0] += value * value
            normal[0, 1] += value * steep
            normal[0, 2] += value
            normal[1, 1] += steep * steep
            normal[1, 2] += steep
            right[0] += value * y
            right[1] += steep * y
            right[2] += y
        normal[2, 2] = high - low
        normal[1, 0], normal[2, 0], normal[2, 1] = normal[0, 1], normal[0, 2], normal[1, 2]
        for a in range(3):
            # A window cut to nothing must not stop a batch.
            normal[a, a] += RIDGE * normal[a, a] + TINY
        found = np.linalg.solve(normal, right)
        height = found[0]
        if not height > 0.0:
            return np.nan, np.nan
        # y = a s(t − δ) ≈ a s − a δ s'.
        step = -found[1] / height
        offset = min(max(offset + step, -0.5), 0.5)
        if turn > 0 and abs(step) < SETTLED_SAMPLES:
            break
    return lag + offset, height


@compiled
def fit_known_rows(rows: Rows, laid: Laid, bank: Shapes, picks: Picks) -> None:
    """Write the least-squares delay of each echo."""
    for row in range(laid.lags.size):
        lag, way = laid.lags[row], int(laid.ways[row])
        if lag < 0:
            continue
        picks.position[row], height = fit_known(rows.trace[row], lag, way, bank.shapes, bank.slopes)
        picks.u_position[row] = rows.noise[row] * bank.gain / height


@compiled
def gaussian_columns(
    rest: float, width: float, omega: float, cosine: float, sine: float, out: FloatArray
) -> float:
    """Return a Gaussian pulse at ``rest`` samples from its centre; its derivatives go to ``out``.

    Derivatives by cosine and sine amplitude, centre, width and frequency.
    """
    bell = np.exp(-0.5 * (rest / width) ** 2)
    c, s = bell * np.cos(omega * rest), bell * np.sin(omega * rest)
    value = cosine * c + sine * s
    swing = -cosine * s + sine * c
    out[0], out[1] = c, s
    out[2] = rest / width**2 * value - omega * swing
    out[3] = rest * rest / width**3 * value
    out[4] = rest * swing
    return np.float64(value)


@compiled
def fit_gaussian(
    samples: AnyArray, lag: int, start: tuple[float, float], half: int, place: FloatArray
) -> bool:
    """Fit centre, width, frequency, phase and size of a Gaussian pulse by least squares.

    Levenberg's damping on the normal equations. ``place`` is written: centre, and its standard
    deviation for noise of level 1 (white).
    """
    low, high = max(lag - half, 0), min(lag + half + 1, samples.size)
    # The middle value stands in for the amplitude: cosine phase.
    x = np.array([np.float64(samples[lag]), 0.0, np.float64(lag), start[0], start[1]])
    normal, right, row = np.zeros((5, 5)), np.zeros(5), np.zeros(5)
    damping, before = 1e-3, np.inf
    good, kept, wanted = x.copy(), normal.copy(), right.copy()
    for _ in range(4 * ROUNDS):
        misfit = 0.0
        normal[:] = 0.0
        right[:] = 0.0
        for j in range(low, high):
            left = np.float64(samples[j]) - gaussian_columns(j - x[2], x[3], x[4], x[0], x[1], row)
            misfit += left * left
            for a in range(5):
                right[a] += row[a] * left
                for b in range(5):
                    normal[a, b] += row[a] * row[b]
        if not np.isfinite(misfit):
            return False
        if misfit <= before:
            settled = before - misfit <= 1e-12 * misfit
            before = misfit
            good[:] = x
            damping *= 0.3
            kept[:] = normal
            wanted[:] = right
            if settled:
                break
        else:
            damping *= 10.0
        if damping > 1e6:
            break
        damped = kept.copy()
        for a in range(5):
            damped[a, a] *= 1.0 + damping
            if not damped[a, a] > 0.0:
                return False
        x[:] = good + np.linalg.solve(damped, wanted)
        if not (start[0] / MOST_WIDTHS < x[3] < start[0] * MOST_WIDTHS) or x[4] <= 0.0:
            x[:] = good
            damping *= 10.0
            before = np.inf
    for a in range(5):
        kept[a, a] += RIDGE * kept[a, a] + TINY
    spread = np.linalg.inv(kept)[2, 2]
    place[0], place[1] = good[2], np.sqrt(max(spread, 0.0))
    return bool(abs(good[2] - lag) < half and spread > 0.0)


class Gaussian(NamedTuple):
    """The pulse that a fit begins with.

    Attributes
    ----------
    width, omega : float
        Its σ, in samples, and frequency, in radians per sample.
    half : int
        Samples on each side that are fitted.
    colour : float
        By how much more than white noise this noise moves it.
    """

    width: float
    omega: float
    half: int
    colour: float


@compiled
def fit_gaussian_rows(rows: Rows, start: Gaussian, picks: Picks) -> None:
    """Write the centre of a Gaussian pulse fitted to each echo."""
    place = np.empty(2)
    for row in range(rows.peak.size):
        peak = rows.peak[row]
        if peak < 0:
            continue
        if fit_gaussian(rows.trace[row], peak, (start.width, start.omega), start.half, place):
            picks.position[row] = place[0]
            picks.u_position[row] = rows.noise[row] * start.colour * place[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseFit:
    """Least-squares fit of a pulse: ``known`` shape, or ``free`` width, frequency and phase.

    ``known`` fits delay, height and a constant to the template, and is the maximum-likelihood
    delay in white noise; a constant offset of the record does not move it. ``free`` fits a Gaussian
    pulse and gives the centre of its envelope: right for any phase and polarity, and scattering as
    an envelope method must.

    References
    ----------
    Gaussian echo model with centre, bandwidth, frequency, phase and amplitude: Demirli and Saniie
    2001, IEEE Trans. UFFC 48(3), 787-802 (from memory). Covariance of least squares, σ² (JᵀJ)⁻¹.
    """

    name: ClassVar[str] = "pulse_fit"

    shape: str = text("known", choices=("known", "free"))

    @property
    def traits(self) -> Traits:
        """Whether the phase is fitted, too, hangs on the shape."""
        return Traits(takes_template=True, resolves_cycle=True, phase_free=self.shape == "free")

    def signature(self) -> dict[str, Any]:
        """Return the method's name and which shape it fits."""
        return {"method": self.name, "shape": self.shape}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the delay of each echo, in samples of the trace, and its standard uncertainty."""
        template, picks = echoes.template, echoes.nothing()
        if self.shape == "known":
            fit_known_rows(echoes.rows, place_templates(echoes, flags), shapes_of(echoes), picks)
            return picks
        start = Gaussian(
            width=SIGMA_OVER_BANDWIDTH / echoes.bandwidth * echoes.period,
            omega=2.0 * np.pi / echoes.period,
            half=template.half,
            # White noise moves the envelope as it moves the template's own.
            colour=_envelope_colour(template.samples, echoes.noise_correlation),
        )
        fit_gaussian_rows(echoes.rows, start, picks)
        return picks


def _envelope_colour(shape: FloatArray, correlation: FloatArray) -> float:
    """Return how much more coloured noise moves a pulse's envelope than white noise does."""
    weights = (np.arange(shape.size) - (shape.size - 1) / 2.0) * shape
    return noise_gain(weights, correlation) / float(np.linalg.norm(weights))
