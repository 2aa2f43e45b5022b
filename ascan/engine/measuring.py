"""The face of measuring: time echoes, measure a scan, or one waveform after another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.given import array_given
from ascan.base.tables import checked_number
from ascan.calibration.record import Calibration
from ascan.engine.binding import bind
from ascan.engine.blocks import joined, readings_of
from ascan.engine.channels import Calibrations, scan_pipelines, shared_by, walk_channels
from ascan.engine.pipeline import Pipeline
from ascan.engine.scan_usual import knowing, usual_kept
from ascan.engine.taught import taught_of
from ascan.kernels.arrays import AnyArray
from ascan.procedure.written import Procedure
from ascan.results.readings import Reading, Readings
from ascan.waveform.recording import check_meaning, recording_for
from ascan.waveform.scan import MIN_SAMPLES, Progress, Scan, check_scan
from ascan.waveform.template import Template


def time_echoes(
    scan: Scan,
    procedure: Procedure,
    *,
    templates: Mapping[str, Template] | None = None,
    progress: Progress | None = None,
) -> Readings:
    """Time the echoes of a scan without a calibration.

    Parameters
    ----------
    scan : Scan
        The waveforms to be timed.
    procedure : Procedure
        Its gates, filter and timing method are used.
    templates : mapping of str to Template, optional
        What an echo of each gate looks like, for methods that take it; without it, the nominal
        pulse of the probe.
    progress : callable, optional
        Called with (rows done, rows in all) after each block.

    Returns
    -------
    readings : Readings
        Intervals, and for each gate its times, amplitudes, signal-to-noise and flags; no thickness.

    Raises
    ------
    AscanError
        The recording does not fit the procedure.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(1000) / 100.0
    >>> echo = np.exp(-(((t - 5.0) / 0.1) ** 2)) * np.cos(2 * np.pi * 5.0 * (t - 5.0))
    >>> scan = Scan.from_array(echo, sample_rate_mhz=100.0)
    >>> procedure = Procedure.from_text('''
    ... probe = { arrangement = "contact", frequency_mhz = 5.0 }
    ... interval = { mode = "time_zero_to_echo", gates = ["wall"] }
    ... gate = [{ name = "wall", start_us = 2.0, stop_us = 9.0, threshold = 0.2 }]
    ... ''')
    >>> times = time_echoes(scan, procedure).picks("wall")["time_us"]
    >>> print(f"{times[0]:.6f}")
    5.000000
    """
    check_scan(scan)
    taught = taught_of(procedure, scan.recording)
    taught = replace(taught, templates=dict(templates or {}))
    return readings_of(bind(procedure, scan.recording, taught=taught), scan, progress)


def measure(
    scan: Scan,
    procedure: Procedure,
    calibration: Calibrations,
    *,
    like: Readings | None = None,
    progress: Progress | None = None,
) -> Readings:
    """Measure every waveform of a scan; the readings are held in memory.

    Parameters
    ----------
    scan : Scan
        The waveforms to be measured.
    procedure : Procedure
        What is measured, and how.
    calibration : Calibration, or mapping of int to Calibration
        Made with the same timing; another is refused. A scan of several channels takes one for
        each, by the number in its column ``channel``.
    like : Readings, optional
        Of the scan that these waveforms are part of. From ten waveforms on, a scan tells what is
        usual in it, and is judged by that: without an interface echo how weak an echo may be
        (``least_strength``), of a dual probe how late its echoes come (``scan_delay_us``) and which
        way up they are. With ``like``, part of a scan is judged as all of it was.
    progress : callable, optional
        Called with (rows done, rows in all) after each block.

    Returns
    -------
    readings : Readings
        Thickness in mm with its standard uncertainty, random and common parts apart, flags, and
        the columns of every gate. For a scan whose readings do not fit in memory, see
        `ascan.measure_to_file`.

    Raises
    ------
    AscanError
        The calibration or the recording does not fit the procedure.

    Examples
    --------
    >>> from ascan.examples import plate_example
    >>> scan, procedure, calibration = plate_example(thickness_mm=8.0)
    >>> print(measure(scan, procedure, calibration)[0])
    8.000 mm, u 0.009 mm on the block, 0.040 mm of this component
    """
    pipelines = scan_pipelines(scan, procedure, calibration, like)
    blocks = walk_channels(scan, pipelines, progress)
    return Readings(joined(columns for _, columns in blocks), shared_by(procedure, pipelines))


@dataclass(frozen=True, eq=False, slots=True)
class Prepared:
    """Procedure and calibration bound once, for one waveform after another; thread-safe."""

    pipeline: Pipeline

    def __repr__(self) -> str:
        return f"<Prepared '{self.pipeline.procedure.title}' for {self.pipeline.recording.dtype}>"

    def measure_one(self, waveform: AnyArray, start_time_us: float = 0.0) -> Reading:
        """Return the reading of one waveform.

        Parameters
        ----------
        waveform : ndarray, shape (samples,)
            In the stored type this engine was prepared for.
        start_time_us : float
            Time of sample 0 after the transmit pulse.

        Raises
        ------
        AscanError
            Another shape or stored type, or a start time that is not finite.
        """
        dtype, array = self.pipeline.recording.dtype, array_given(waveform, "waveform")
        if array.ndim != 1 or array.size < MIN_SAMPLES or array.dtype.name != dtype:
            raise fault(
                "waveform",
                f"has shape {array.shape} and type {array.dtype}",
                allowed=f"(samples,) of {dtype}, at least {MIN_SAMPLES}",
            )
        start = checked_number(start_time_us, "start_time_us")
        block = np.ascontiguousarray(array, dtype=dtype)[np.newaxis]
        columns = self.pipeline.run(block, np.array([start]))
        self.pipeline.conclude(columns)
        return Readings(columns)[0]


def prepare(
    procedure: Procedure,
    calibration: Calibration,
    *,
    dtype: str,
    sample_rate_mhz: float,
    like: Readings | None = None,
    **meaning: Any,
) -> Prepared:
    """Bind a procedure and a calibration to a stored type, for `Prepared.measure_one`.

    Parameters
    ----------
    procedure : Procedure
        As for `measure`.
    calibration : Calibration
        As for `measure`.
    dtype : str
        Stored type of the waveforms to come, ``"int16"`` for example.
    sample_rate_mhz : float
        Samples per µs of the waveforms to come.
    like : Readings, optional
        As for `measure`.
    **meaning
        ``full_scale``, ``zero_code``, ``clip_low``, ``clip_high`` (codes), ``rectified``,
        ``peak_held``, ``gated_only``.

    Returns
    -------
    prepared : Prepared

    Raises
    ------
    AscanError
        The calibration or the recording does not fit the procedure.

    Examples
    --------
    >>> from ascan.examples import plate_example
    >>> scan, procedure, calibration = plate_example(thickness_mm=8.0)
    >>> waveform = scan.rows.read_block(0, 1)[0]
    >>> engine = prepare(procedure, calibration, dtype="float32", sample_rate_mhz=100.0)
    >>> print(engine.measure_one(waveform))
    8.000 mm, u 0.009 mm on the block, 0.040 mm of this component
    """
    try:
        stored = np.dtype(dtype)
    except TypeError:
        raise fault("dtype", f"is {dtype!r}", allowed="the name of a stored type") from None
    check_meaning(meaning, "prepare")
    recording = recording_for(stored, sample_rate_mhz=sample_rate_mhz, **meaning)
    pipeline = bind(procedure, recording, calibration)
    return Prepared(pipeline if like is None else knowing(pipeline, usual_kept(like)))
