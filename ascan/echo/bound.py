"""What a gate is bound to: the procedure's part in it, the recording, what a calibration taught."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ascan.finding.first_arrival import ArrivalGuide
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.fir import gaussian_taps, whole_taps
from ascan.path.modes import Layout
from ascan.path.probe import Probe
from ascan.timing.bands import spectral_spread
from ascan.waveform.conditioning import Filter
from ascan.waveform.noise import NoiseMeter, noise_correlation
from ascan.waveform.recording import Recording
from ascan.waveform.template import Template


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What of a procedure the gates need.

    Attributes
    ----------
    layout : Layout
    probe : Probe
    filter : Filter
    velocity_mm_per_us : float
        Nominal, of the wall.
    """

    layout: Layout
    probe: Probe
    filter: Filter
    velocity_mm_per_us: float

    @property
    def bandwidth(self) -> float:
        """The probe's −6 dB bandwidth over its frequency."""
        return 0.01 * self.probe.bandwidth_percent


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Taught:
    """What is known of echoes to come; all of it may be absent before a calibration.

    Attributes
    ----------
    guide : ArrivalGuide
        Of first arrivals.
    cycle_shift : int
        First arrivals are timed on the half-cycle so many later than the one that opens them.
    templates : mapping of str to Template
        By gate; the nominal one stands in where none was learned.
    amplitude_range : mapping of str to ndarray, shape (2,)
        By gate: least and largest echo the calibration rests on, as fractions of full scale.
    cycle_offset_us : mapping of str to ndarray, shape ()
        By gate: by how much its echoes are timed after the top of their envelope.
    """

    guide: ArrivalGuide = field(default_factory=ArrivalGuide)
    cycle_shift: int = 0
    templates: Mapping[str, Template] = field(default_factory=dict)
    amplitude_range: Mapping[str, FloatArray] = field(default_factory=dict)
    cycle_offset_us: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Search:
    """The filter that echoes are sought through where none is timed through.

    As wide as the probe's band, the nominal pulse keeping its height.

    Attributes
    ----------
    taps : ndarray
    meter : NoiseMeter
        Of the noise in that band.
    norm : float
        By what white noise of level 1 is changed.
    spread : float
        Slope of the noise round its carrier, per sample and level of white noise.
    """

    taps: AnyArray
    meter: NoiseMeter
    norm: float
    spread: float


def search_of(
    setting: Setting, recording: Recording, meter: NoiseMeter, nominal: Template
) -> Search | None:
    """Return the filter that echoes are sought through.

    None where the record is filtered, rectified, or too coarse for it.
    """
    rate, frequency = recording.sample_rate_mhz, setting.probe.frequency_mhz
    width = setting.bandwidth * frequency
    coarse = frequency + 0.5 * width >= 0.5 * rate
    if meter.taps.size > 1 or recording.rectified or coarse:
        return None
    wide = gaussian_taps(rate, frequency, width)
    height = np.convolve(nominal.samples, whole_taps(wide), "same").max()
    taps = np.asarray((wide / height).astype(meter.taps.dtype))
    norm = float(np.linalg.norm(whole_taps(taps)))
    spread = norm * spectral_spread(noise_correlation(taps), meter.period)
    return Search(taps=taps, meter=replace(meter, taps=taps), norm=norm, spread=spread)
