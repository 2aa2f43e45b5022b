"""What a component's own records show beside the block's: where its echoes lie, and how high."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.drafting.pulse import Records, crests, noise_of, samples_of
from ascan.drafting.tracks import Tracks
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.results.shown import length
from ascan.waveform.scan import Scan
from ascan.waveform.shares import envelope_of

# So many records of it are looked at, evenly spread.
LOOKED_AT = 200
# A threshold has to catch all but this share of its first echoes: the lowest of many is a hole.
LOW = 0.1
# A second echo is heard that stands so many times above the noise. Of a sound wall most are.
HEARD, MOST = 6.0, 0.5


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Component:
    """What records of a component show; every array has shape (n,).

    Attributes
    ----------
    scan : Scan
        The records that were looked at.
    walls_mm : ndarray
        By the highest echo where a first one may be.
    first, second, interface : ndarray
        Heights, shares of full scale.
    interface_us : ndarray
        When the sound enters the wall.
    noise : float
        Standard deviation, share of full scale.
    """

    scan: Scan
    walls_mm: FloatArray
    first: FloatArray
    second: FloatArray
    interface: FloatArray
    interface_us: FloatArray
    noise: float

    def low(self, echo: str) -> float:
        """Return what all but a tenth of the first, second or interface echoes reach."""
        return float(np.nanquantile(getattr(self, echo), LOW))

    @property
    def second_heard(self) -> float:
        """Share of the records in which a second echo stands above the noise."""
        told = np.isfinite(self.second)
        return float(np.mean(self.second[told] > HEARD * self.noise)) if told.any() else 0.0

    def lines(self, range_mm: tuple[float, float]) -> list[str]:
        """Return in words what it shows that the block does not."""
        low_mm, high_mm = np.nanquantile(self.walls_mm, (0.02, 0.98))
        found = [
            f"the component's highest echoes lie at {length(float(low_mm), 1)} to "
            f"{length(float(high_mm), 1)}; a tenth of them is below {self.low('first'):.3f} of "
            "full scale"
        ]
        if low_mm < range_mm[0] or high_mm > range_mm[1]:
            found.append(
                "some of the component's walls lie outside the range: state it (--range), and "
                "use steps that enclose it"
            )
        if self.second_heard < MOST:
            found.append(
                f"a second echo is heard in {100.0 * self.second_heard:.0f} % of the component's "
                "records: its far side is corroded, or it scatters; --corroded leaves out what "
                "needs one"
            )
        return found


def component_of(scan: Scan, block: Records, tracks: Tracks, range_mm: FloatArray) -> Component:
    """Return what a component's records show.

    Parameters
    ----------
    scan : Scan
        Of the component.
    block : Records
        Their pulse is the component's, too.
    tracks : Tracks
        Of the block: velocity, and how sound gets to the wall.
    range_mm : ndarray, shape (2,)
        Where a first echo may be, in mm of wall.
    """
    rows = np.unique(np.linspace(0, len(scan) - 1, min(len(scan), LOOKED_AT)).astype(np.int64))
    rows, samples = samples_of(scan, rows)
    if not rows.size:
        raise fault(scan.name, "holds no waveform that is finite")
    clock_us = np.arange(samples.shape[1]) / scan.recording.sample_rate_mhz
    time_us = scan.start_time_us[rows][:, None] + clock_us
    envelope = np.where(time_us > block.burst_us, envelope_of(samples), 0.0)
    origin_us = np.full(rows.size, float(np.median(tracks.origin_us)))
    interface = np.zeros(rows.size)
    if tracks.has_interface:
        origin_us, interface = _interfaces(time_us, envelope, tracks, block.frequency_mhz)
    slowness = 2.0 / tracks.velocity_mm_per_us
    walls_mm, first = np.full(rows.size, np.nan), np.full(rows.size, np.nan)
    for k in range(rows.size):
        begin_us, end_us = origin_us[k] + slowness * range_mm
        inside = (time_us[k] >= begin_us) & (time_us[k] <= end_us)
        if inside.any():
            top = int(np.where(inside, envelope[k], -1.0).argmax())
            walls_mm[k] = (time_us[k, top] - origin_us[k]) / slowness
            first[k] = envelope[k, top]
    twice_us = origin_us + 2.0 * slowness * walls_mm
    second = crests(time_us, envelope, twice_us, 1.0 / block.frequency_mhz)[1]
    return Component(
        scan=scan.choose(rows),
        walls_mm=walls_mm,
        first=first,
        second=second,
        interface=interface,
        interface_us=origin_us,
        noise=noise_of(samples),
    )


def _interfaces(
    time_us: FloatArray, envelope: FloatArray, tracks: Tracks, frequency_mhz: float
) -> tuple[FloatArray, FloatArray]:
    """Return when sound enters the wall, and how high that echo is.

    Behind a line it comes when it did on the block; in water the highest echo is taken.
    """
    if tracks.arrangement == "delay_line":
        usual_us = np.full(len(envelope), float(np.median(tracks.origin_us)))
        found, height = crests(time_us, envelope, usual_us, 1.0 / frequency_mhz)
        return np.where(np.isfinite(found), found, usual_us), height
    tops: AnyArray = envelope.argmax(axis=1)
    every = np.arange(tops.size)
    return time_us[every, tops], envelope[every, tops]
