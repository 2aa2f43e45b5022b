"""Pulses: each with a reference instant (the maximum of its envelope, at time 0) and its spectrum.

"True arrival" means where the reference instant of an undistorted pulse would lie. Spectra follow
S(ω) = ∫ s(t) exp(−iωt) dt, ω in rad/µs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


class Pulse(Protocol):
    """A pulse of envelope height 1."""

    @property
    def centre_mhz(self) -> float:
        """Carrier frequency."""

    @property
    def lead_us(self) -> float:
        """Before this long ahead of the reference instant the pulse is below 2e-8."""

    @property
    def tail_us(self) -> float:
        """After this long past the reference instant it is below 2e-8."""

    def __call__(self, after_us: FloatArray) -> FloatArray:
        """Return the pulse at times after its reference instant, any shape."""

    def spectrum(self, omega: FloatArray) -> ComplexArray:
        """Return the spectrum at angular frequencies in rad/µs, any shape, in µs."""


def sum_of_delays(omega: FloatArray, delay_us: FloatArray, size: FloatArray) -> ComplexArray:
    """Return Σ size exp(−iω delay) over the last axis of the delays.

    Parameters
    ----------
    omega : ndarray, shape (frequencies,)
        Equally spaced: ω = ω₀ + (j + B k) Δ splits each exponential into one over j and one over k,
        so that few are computed and a matrix product does the rest.
    delay_us, size : ndarray, shape (n, points)

    Returns
    -------
    ndarray, shape (n, frequencies)
    """
    count = omega.size
    step = (omega[-1] - omega[0]) / max(count - 1, 1)
    if count < 3 or np.abs(np.diff(omega) - step).max() > 1e-9 * abs(omega[-1]):
        raise ValueError("sum_of_delays wants at least three equally spaced frequencies")
    inner = int(np.ceil(np.sqrt(count)))
    outer = -(-count // inner)
    fine = np.exp(-1j * delay_us[:, None, :] * (omega[0] + step * np.arange(inner))[:, None])
    coarse = np.exp(-1j * delay_us[:, :, None] * (step * inner * np.arange(outer)))
    table = (fine * size[:, None, :]) @ coarse
    return np.asarray(table.transpose(0, 2, 1).reshape(len(delay_us), -1)[:, :count])


@dataclass(frozen=True, slots=True)
class GaussianPulse:
    """A cosine under a Gaussian envelope.

    Attributes
    ----------
    centre_mhz : float
        Frequency of the cosine.
    bandwidth : float
        Width of the spectrum at half its amplitude, as a fraction of the centre frequency.
    phase_rad : float
        Phase of the cosine at the reference instant.
    """

    centre_mhz: float
    bandwidth: float = 0.6
    phase_rad: float = 0.0

    @property
    def sigma_us(self) -> float:
        """Standard deviation of the envelope.

        The spectrum of exp(−t²/2σ²) is exp(−σ²ω²/2); it is ½ at ω = π·bandwidth·centre, hence
        σ = √(2 ln 2) / (π·bandwidth·centre).
        """
        return math.sqrt(2.0 * math.log(2.0)) / (math.pi * self.bandwidth * self.centre_mhz)

    @property
    def lead_us(self) -> float:
        """Six standard deviations."""
        return 6.0 * self.sigma_us

    @property
    def tail_us(self) -> float:
        """Six standard deviations."""
        return 6.0 * self.sigma_us

    def __call__(self, after_us: FloatArray) -> FloatArray:
        """Return the pulse at times after its reference instant, any shape."""
        carrier = np.cos(2.0 * np.pi * self.centre_mhz * after_us + self.phase_rad)
        return np.asarray(carrier * np.exp(-0.5 * (after_us / self.sigma_us) ** 2))

    def spectrum(self, omega: FloatArray) -> ComplexArray:
        """Return the spectrum: two Gaussians at ± the centre, turned by ± the phase."""
        centre, sigma = 2.0 * np.pi * self.centre_mhz, self.sigma_us
        turn = np.exp(1j * self.phase_rad)
        above = turn * np.exp(-0.5 * (sigma * (omega - centre)) ** 2)
        below = turn.conjugate() * np.exp(-0.5 * (sigma * (omega + centre)) ** 2)
        return np.asarray(0.5 * math.sqrt(2.0 * math.pi) * sigma * (above + below))


@dataclass(frozen=True, slots=True)
class CausalPulse:
    """Fast rise, slow decay: (t/nτ)ⁿ exp(n − t/τ) cos(...) from a true beginning on.

    The envelope has its maximum, 1, at nτ after the beginning; that is the reference instant.

    Attributes
    ----------
    centre_mhz : float
    bandwidth : float
        Width of the spectrum at half its amplitude, as a fraction of the centre frequency.
    order : int
        n: the higher, the softer the beginning.
    phase_rad : float
        Phase of the cosine at the reference instant.
    """

    centre_mhz: float
    bandwidth: float = 0.6
    order: int = 3
    phase_rad: float = 0.0

    @property
    def decay_us(self) -> float:
        """Decay constant τ.

        The spectrum of the envelope goes as |1/τ + iω|^−(n+1); it is ½ of its maximum at
        ω = √(4^(1/(n+1)) − 1) / τ, which is π·bandwidth·centre.
        """
        half = math.sqrt(4.0 ** (1.0 / (self.order + 1)) - 1.0)
        return half / (math.pi * self.bandwidth * self.centre_mhz)

    @property
    def lead_us(self) -> float:
        """From the beginning to the reference instant, exactly."""
        return self.order * self.decay_us

    @property
    def tail_us(self) -> float:
        """Forty decay constants: the envelope is below 2e-8 for every order up to 9."""
        return 40.0 * self.decay_us

    def __call__(self, after_us: FloatArray) -> FloatArray:
        """Return the pulse at times after its reference instant, any shape."""
        n, tau = self.order, self.decay_us
        begun = np.maximum(after_us + self.lead_us, 0.0)
        envelope = (begun / (n * tau)) ** n * np.exp(n - begun / tau)
        return np.asarray(
            envelope * np.cos(2.0 * np.pi * self.centre_mhz * after_us + self.phase_rad)
        )

    def spectrum(self, omega: FloatArray) -> ComplexArray:
        """Return the spectrum: ∫ tⁿ exp(−st) dt = n! / s^(n+1), at s = 1/τ + i(ω ∓ ω₀)."""
        n, tau, centre = self.order, self.decay_us, 2.0 * np.pi * self.centre_mhz
        size = 0.5 * math.factorial(n) * math.exp(n) / (n * tau) ** n
        turn = np.exp(1j * (self.phase_rad - centre * self.lead_us))
        above = turn / (1.0 / tau + 1j * (omega - centre)) ** (n + 1)
        below = turn.conjugate() / (1.0 / tau + 1j * (omega + centre)) ** (n + 1)
        return np.asarray(size * (above + below) * np.exp(1j * omega * self.lead_us))


@dataclass(frozen=True, eq=False, slots=True)
class TemplatePulse:
    """Samples of a pulse, taken as band-limited: zero before the first and after the last.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        Scaled so that the envelope's maximum, which lies at ``reference``, is 1.
    sample_rate_mhz : float
    reference : float
        Index, not necessarily whole, of the reference instant.
    centre_mhz : float
    """

    samples: FloatArray
    sample_rate_mhz: float
    reference: float
    centre_mhz: float

    @classmethod
    def from_samples(cls, samples: FloatArray, sample_rate_mhz: float) -> TemplatePulse:
        """Return a pulse whose reference instant and centre are read off its analytic signal."""
        size = 16 * len(samples)
        spectrum = np.fft.fft(samples, size)
        spectrum[size // 2 + 1 :] = 0.0
        spectrum[1 : size // 2] *= 2.0
        # Zero-padding the spectrum interpolates the envelope sixteen-fold.
        fine = np.abs(np.fft.ifft(np.pad(spectrum, (0, 15 * size))) * 16.0)[: 16 * len(samples)]
        top = int(np.argmax(fine))
        power = np.abs(spectrum[: size // 2]) ** 2
        frequency = np.arange(size // 2) * sample_rate_mhz / size
        centre = float(frequency @ power / power.sum())
        return cls(samples / fine[top], sample_rate_mhz, top / 16.0, centre)

    @property
    def lead_us(self) -> float:
        """From the first sample to the reference instant."""
        return self.reference / self.sample_rate_mhz

    @property
    def tail_us(self) -> float:
        """From the reference instant to the last sample."""
        return (len(self.samples) - 1 - self.reference) / self.sample_rate_mhz

    def __call__(self, after_us: FloatArray) -> FloatArray:
        """Return the band-limited pulse (sum of sincs) at times after its reference instant."""
        place = np.asarray(after_us)[..., None] * self.sample_rate_mhz + self.reference
        return np.asarray(np.sinc(place - np.arange(len(self.samples))) @ self.samples)

    def spectrum(self, omega: FloatArray) -> ComplexArray:
        """Return the spectrum of the samples; 0 from half their sample rate on."""
        place_us = (np.arange(len(self.samples)) - self.reference) / self.sample_rate_mhz
        sums = np.exp(-1j * np.multiply.outer(omega, place_us)) @ self.samples
        inside = np.abs(omega) < np.pi * self.sample_rate_mhz
        return np.asarray(np.where(inside, sums / self.sample_rate_mhz, 0.0))
