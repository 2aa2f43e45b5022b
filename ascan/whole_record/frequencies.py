"""The transform that learning makes its models by."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.fft import next_fast_len

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.whole_record.columns import WAVES, lay_waves
from ascan.whole_record.pulse import HIGHEST, PulseBasis


@dataclass(frozen=True, eq=False, slots=True)
class Frequencies:
    """Windows of one width and their transform; only bins that carry the pulse are kept."""

    basis: PulseBasis
    width: int
    transform: int = field(init=False)
    mhz: FloatArray = field(init=False)
    turning: AnyArray = field(init=False)
    functions: AnyArray = field(init=False)
    waves: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        transform = next_fast_len(self.width + 2 * self.basis.size, real=True)
        waves = np.empty((WAVES, self.width), np.float32)
        lay_waves(np.ones(self.width, np.float32), waves)
        object.__setattr__(self, "waves", waves.astype(np.float64))
        mhz = np.fft.rfftfreq(transform, 1.0 / self.basis.sample_rate_mhz)
        kept = int(np.searchsorted(mhz, 1.5 * HIGHEST * self.basis.frequency_mhz))
        object.__setattr__(self, "transform", transform)
        object.__setattr__(self, "mhz", mhz[:kept])
        object.__setattr__(self, "turning", 2.0 * np.pi * np.fft.rfftfreq(transform)[:kept])
        spectra = self.basis.spectra(self.basis.functions, transform)
        object.__setattr__(self, "functions", spectra[:, :kept])

    def back(self, spectrum: AnyArray) -> FloatArray:
        """Return the samples of the window."""
        return np.fft.irfft(spectrum, self.transform)[..., : self.width]
