"""The template: what one echo of a gate looks like, with time zero at its middle sample."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.base.stored import stored
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.fir import SIGMA_OVER_BANDWIDTH

# The template is laid between the samples at so many places; what is left is one Newton step.
PLACES = 32
# Half the length of a nominal template, in widths σ of its envelope: what lies beyond holds less
# than a hundred-thousandth of its energy.
WIDTHS = 3.2
LEFT_OFF = 1e-5


@dataclass(frozen=True, eq=False, slots=True)
class Template:
    """One echo at the recording's sample rate, of height 1, its counted half-cycle positive.

    Attributes
    ----------
    samples : ndarray, shape (2 half + 1,)
        Conditioned as the traces are.
    echoes : int
        How many echoes it is the mean of; 0 for a nominal one.
    scatter : float
        Rms by which single echoes leave it, noise included, as a share of its height (0: nominal).
    polarity : int
        Which way round echoes of the gate are: 1 as the template, -1 turned over, 0 either way.
    drift : ndarray, shape (2 half + 1,)
        What the echoes of thin steps have more of and those of thick ones less, or the other way
        round: one of them is the template and up to once this, added or taken off. 0 where it is
        not known.
    shapes : ndarray, shape (PLACES + 1, 2 half + 1)
        The template half a sample early to half a sample late.
    slopes : ndarray, shape (PLACES + 1, 2 half + 1)
        Their derivatives, per sample.
    turned : ndarray, shape (PLACES + 1, 2 half + 1)
        Their quadratures (every frequency turned by 90°).
    drifts : ndarray, shape (PLACES + 1, 2 half + 1)
        The drift, likewise.
    carrier : float
        Centre of its energy spectrum, radians per sample.
    """

    samples: FloatArray = stored("1", "what an echo of this gate looks like")
    echoes: int = stored("1", "how many echoes it is the mean of", 0)
    scatter: float = stored("1", "rms by which single echoes leave it, over its height", 0.0)
    polarity: int = stored("1", "1: echoes are this way round; -1: not; 0: either", 0, later=True)
    drift: FloatArray = stored(
        "1",
        "how echoes change between thin steps and thick ones",
        default_factory=lambda: np.zeros(0),
    )
    shapes: FloatArray = field(init=False)
    slopes: FloatArray = field(init=False)
    turned: FloatArray = field(init=False)
    drifts: FloatArray = field(init=False)
    carrier: float = field(init=False)

    def __post_init__(self) -> None:
        kept = np.array(self.samples, np.float64)
        kept.flags.writeable = False
        object.__setattr__(self, "samples", kept)
        size = kept.size
        drift = np.array(self.drift if self.drift.size else np.zeros(size), np.float64)
        drift.flags.writeable = False
        object.__setattr__(self, "drift", drift)
        padded = 4 * size
        omega = 2.0 * np.pi * np.fft.rfftfreq(padded)
        places = np.linspace(-0.5, 0.5, PLACES + 1)
        early = np.exp(-1j * np.outer(places, omega))
        spectra = np.fft.rfft(self.samples, padded) * early

        def back(spectrum: AnyArray) -> FloatArray:
            out = np.fft.irfft(spectrum, padded)[:, :size].copy()
            out.flags.writeable = False
            return out

        object.__setattr__(self, "shapes", back(spectra))
        object.__setattr__(self, "slopes", back(spectra * 1j * omega))
        object.__setattr__(self, "turned", back(spectra * -1j))
        object.__setattr__(self, "drifts", back(np.fft.rfft(drift, padded) * early))
        power = np.abs(spectra[0]) ** 2
        object.__setattr__(self, "carrier", float(power @ omega / power.sum()))

    @property
    def half(self) -> int:
        """Samples on each side of the middle one."""
        return (self.samples.size - 1) // 2


def half_length(period: float, bandwidth: float) -> int:
    """Return half the length of a template in samples.

    ``period`` is in samples, ``bandwidth`` the −6 dB bandwidth over the frequency.
    """
    return int(np.ceil(WIDTHS * SIGMA_OVER_BANDWIDTH / bandwidth * period))


def nominal_template(period: float, bandwidth: float, taps: FloatArray) -> Template:
    """Return the Gaussian pulse of a probe's nominal frequency and bandwidth, conditioned.

    Its middle half-cycle is its largest, and symmetrical: of the pulse's real phase nothing is
    known before a calibration.
    """
    sigma = SIGMA_OVER_BANDWIDTH / bandwidth * period
    half = half_length(period, bandwidth) + taps.size
    whole = np.concatenate([taps[:0:-1], taps]).astype(np.float64)
    place = np.arange(-half - taps.size + 1, half + taps.size)
    pulse = np.exp(-0.5 * (place / sigma) ** 2) * np.cos(2.0 * np.pi * place / period)
    conditioned = np.convolve(pulse, whole, "valid")
    # What lies further out than all but a hundred-thousandth of the energy is left off.
    outside = np.cumsum(conditioned[: half + 1] ** 2) / (conditioned @ conditioned)
    off = int(np.searchsorted(outside, LEFT_OFF))
    conditioned = conditioned[off : conditioned.size - off]
    return Template(conditioned / np.abs(conditioned).max())
