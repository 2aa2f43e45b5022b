"""Transfer functions: what a probe hears after a unit impulse, band-limited, as stored codes.

A run pushes once with a short low-pass impulse; its spectrum is divided out, what lies above the
band is cut off softly, and the rest is sampled at 28 MHz, which holds all of it. Any pulse within
the band can be put on later by its spectrum. Above some 8 MHz the grid's own dispersion shows in
plastics (six cells a wavelength there).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from .media import Floats

# Flat up to the first, nothing beyond the second; the run's own impulse reaches somewhat further.
BAND_MHZ, IMPULSE_MHZ = (9.5, 12.5), (12.5, 17.0)
RATE_MHZ, FINE = 28.0, 8
START_US, CENTRE_US, FADE_US = -1.0, 0.5, 0.5
PEAK = 2**14


def fall(frequency_mhz: Floats, first_mhz: float, last_mhz: float) -> Floats:
    """Return 1 below the first frequency, 0 above the last, half a cosine between."""
    part = np.clip((frequency_mhz - first_mhz) / (last_mhz - first_mhz), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * part))


def impulse(time_us: Floats) -> Floats:
    """Return the impulse that a run pushes with, centred at 0 and over after `CENTRE_US`."""
    frequency: Floats = np.linspace(0.0, IMPULSE_MHZ[1], 400)
    weight = fall(frequency, *IMPULSE_MHZ)
    sum_ = np.cos(2.0 * np.pi * np.outer(time_us, frequency)) @ weight / weight.sum()
    ends = fall(np.abs(time_us), 0.5 * CENTRE_US, CENTRE_US)
    return np.asarray(sum_ * ends)


def response(heard: Floats, step_us: float, span_us: float) -> Floats:
    """Return the band-limited response to a unit impulse, sampled at `RATE_MHZ` from `START_US`.

    ``heard`` is what was heard at every step after an impulse centred at `CENTRE_US`; the last
    `FADE_US` of the span fade out.
    """
    time = START_US + np.arange(round((span_us - START_US) * RATE_MHZ) * FINE) / (FINE * RATE_MHZ)
    clock = step_us * np.arange(heard.size) - CENTRE_US
    within = (time >= clock[0]) & (time <= clock[-1])
    fine = np.where(within, CubicSpline(clock, heard)(np.where(within, time, 0.0)), 0.0)
    fine *= fall(time, span_us - FADE_US, span_us - 1.0 / RATE_MHZ)
    frequency: Floats = np.fft.rfftfreq(fine.size, 1.0 / (FINE * RATE_MHZ)).astype(np.float64)
    pushed = np.fft.rfft(impulse(time)) * np.exp(-2j * np.pi * frequency * START_US)
    band = fall(frequency, *BAND_MHZ)
    spectrum = np.fft.rfft(fine) * band / np.where(band > 0.0, pushed, 1.0)
    slow = fine.size // FINE
    return np.asarray(np.fft.irfft(spectrum[: slow // 2 + 1], slow))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Responses:
    """Stored transfer functions of one probe, n of them.

    Attributes
    ----------
    codes : ndarray of int16, shape (n, samples)
        Times ``scale`` they are the response; the largest of each is ±2^14.
    scale : ndarray, shape (n,)
    groups : ndarray of str, shape (n,)
        Which wall or set-up.
    truth_mm : ndarray, shape (n, 3)
        Wall at the axis, its mean and its least under the −6 dB beam.
    x_mm : ndarray, shape (n,)
    bare_codes, bare_scale : ndarrays, shapes (n, samples) and (n,)
        The same probe without an echo of the wall.
    beam_mm : float
        Beam that the truth is for.
    kind : str
        Probe: ``contact``, ``line`` or ``dual``.
    """

    codes: NDArray[np.int16]
    scale: Floats
    groups: NDArray[np.str_]
    truth_mm: Floats
    x_mm: Floats
    bare_codes: NDArray[np.int16]
    bare_scale: Floats
    beam_mm: float
    kind: str

    def signals(self) -> tuple[Floats, Floats]:
        """Return responses, and the bare ones, shape (n, samples)."""
        return self.codes * self.scale[:, None], self.bare_codes * self.bare_scale[:, None]


def coded(signals: Floats) -> tuple[NDArray[np.int16], Floats]:
    """Return codes and scale of signals (n, samples)."""
    largest = np.abs(signals).max(axis=1)
    scale = np.where(largest > 0.0, largest, 1.0) / PEAK
    return np.rint(signals / scale[:, None]).astype(np.int16), scale


def save(path: Path, kept: Responses) -> None:
    """Write responses; differences between samples take less room."""
    np.savez_compressed(
        path,
        codes=np.diff(kept.codes, axis=1, prepend=np.int16(0)),
        bare_codes=np.diff(kept.bare_codes, axis=1, prepend=np.int16(0)),
        scale=kept.scale,
        bare_scale=kept.bare_scale,
        groups=kept.groups,
        truth_mm=kept.truth_mm,
        x_mm=kept.x_mm,
        beam_mm=kept.beam_mm,
    )


def load(path: Path) -> Responses:
    """Read what `save` wrote; the file's name tells the probe."""
    with np.load(path, allow_pickle=False) as stored:
        return Responses(
            codes=np.cumsum(stored["codes"], axis=1, dtype=np.int16),
            bare_codes=np.cumsum(stored["bare_codes"], axis=1, dtype=np.int16),
            beam_mm=float(stored["beam_mm"]),
            kind=path.stem.rpartition("_")[2],
            **{key: stored[key] for key in ("scale", "bare_scale", "groups", "truth_mm", "x_mm")},
        )
