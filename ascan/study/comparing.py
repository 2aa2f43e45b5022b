"""Timing methods side by side: on signals of known truth in rising noise, or on real steps."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ascan.base.errors import fault
from ascan.base.flags import OF_RANGE, is_fatal, is_marked, names
from ascan.engine.measuring import measure, time_echoes
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.results.compared import Cell, StepCell
from ascan.results.readings import gate_column
from ascan.timing.gating import Gate
from ascan.timing.interval import interval_weights
from ascan.timing.peak import Peak
from ascan.timing.protocol import TimingMethod
from ascan.waveform.scan import Scan
from ascan.waveform.template import half_length

ComplexArray = npt.NDArray[np.complex128]

# A carrier method that is off by more than this part of a period took another half-cycle; any
# method that is off by so many of its bounds timed something else.
GROSS_PERIODS, GROSS_BOUNDS = 0.25, 6.0
COVERAGE = 1.959964


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Signals:
    """Noise-free waveforms that are compared on.

    Attributes
    ----------
    clean : ndarray, shape (rows, samples)
        Fractions of full scale.
    true_us : ndarray, shape (rows,), optional
        True intervals, but for a constant. Without it what each method gives without noise is taken
        for true, row by row.
    sample_rate_mhz, start_us : float
    bits : int
        What they are digitised with once noise is added.
    """

    clean: FloatArray
    true_us: FloatArray | None
    sample_rate_mhz: float
    start_us: float
    bits: int

    def scan(self, signal: FloatArray) -> Scan:
        """Return a signal as a scan of whole codes."""
        full = 2 ** (self.bits - 1)
        codes = np.rint(signal * full).clip(-full, full - 1)
        stored = codes.astype(np.int8 if self.bits <= 8 else np.int16 if self.bits <= 16 else int)
        return Scan.from_array(
            stored,
            sample_rate_mhz=self.sample_rate_mhz,
            start_time_us=self.start_us,
            full_scale=full,
            clip_low=-full,
            clip_high=full - 1,
        )

    def noise_free(self) -> Scan:
        """Return them as they are, not digitised."""
        return Scan.from_array(
            self.clean, sample_rate_mhz=self.sample_rate_mhz, start_time_us=self.start_us
        )


def with_method(procedure: Procedure, method: TimingMethod) -> Procedure:
    """Return a procedure that times every gate of its interval with a method."""

    def changed(gate: Gate) -> Gate:
        used = gate.name in procedure.interval.gates
        return dataclasses.replace(gate, timing=method) if used else gate

    return dataclasses.replace(procedure, gates=tuple(map(changed, procedure.gates)))


def compare_methods(
    signals: Signals,
    procedures: Mapping[str, Procedure],
    snr_db: Sequence[float],
    seed: int = 1,
) -> list[Cell]:
    """Time the same noisy signals with every procedure.

    Parameters
    ----------
    signals : Signals
    procedures : mapping of str to Procedure
        By label; usually one procedure `with_method`s. All seek the same gates. Waveforms that
        `Peak` flags in them without any noise are left out.
    snr_db : sequence of float
        Amplitude (largest envelope) of the interval's last echo over the noise's standard
        deviation.
    seed : int

    Returns
    -------
    cells : list of Cell
        In the order of the ratios, then of the procedures.

    Raises
    ------
    AscanError
        More than half of the waveforms are flagged without any noise.
    """
    # Whose echoes are meant, no method of those compared may decide.
    first = with_method(next(iter(procedures.values())), Peak())
    quiet = time_echoes(signals.noise_free(), first).columns
    good = _fit_to_compare(quiet["flags"])
    quiet = {name: column[good] for name, column in quiet.items()}
    truth = None if signals.true_us is None else signals.true_us[good]
    signals = dataclasses.replace(signals, clean=signals.clean[good], true_us=truth)
    times = [quiet[gate_column(name, "time_us")] for name in first.interval.gates]
    used = [_echoes(signals, first, each) for each in times]
    amplitude = np.abs(used[-1]).max(axis=1)
    references = {label: _reference(signals, procedure) for label, procedure in procedures.items()}
    cells = []
    for ratio in snr_db:
        level = amplitude * 10.0 ** (-ratio / 20.0)
        rng = np.random.default_rng([seed, round(10 * ratio) + 10_000])
        noise = level[:, None] * rng.standard_normal(signals.clean.shape)
        scan = signals.scan(signals.clean + noise)
        step = 2.0 ** (1 - signals.bits)
        whole = np.hypot(level, step / np.sqrt(12.0))
        bounds = [_bounds_us(echoes, signals.sample_rate_mhz, whole) for echoes in used]
        known = _combined(np.array([bound[0] for bound in bounds]))
        phase_free = _combined(np.array([bound[1] for bound in bounds]))
        for label, procedure in procedures.items():
            cells.append(
                _judge(scan, label, procedure, ratio, references[label], (known, phase_free))
            )
    return cells


def _fit_to_compare(flags: FlagArray) -> AnyArray:
    """Return which waveforms show no flag where there is no noise."""
    good = ~is_marked(flags)
    if 2 * good.sum() < good.size:
        found, counts = np.unique(flags, return_counts=True)
        most = names(int(found[np.argmax(counts * (found != 0))]))
        raise fault(
            "compare",
            f"{good.size - int(good.sum())} of {good.size} waveforms are flagged without any noise "
            f"(most: {most})",
            remedy="set gates and threshold so that their echoes are found",
        )
    return np.asarray(good)


def _reference(signals: Signals, procedure: Procedure) -> tuple[FloatArray, float]:
    """Return what is taken for true, and by how much the method wanders without noise, in µs."""
    found = time_echoes(signals.noise_free(), procedure).columns["interval_us"]
    if signals.true_us is None:
        return found, float("nan")
    off = found - signals.true_us
    middle = np.nanmedian(off)
    near = np.abs(off - middle) < GROSS_PERIODS / procedure.probe.frequency_mhz
    return signals.true_us + np.mean(off[near]), float(np.ptp(off[near]))


def _echoes(signals: Signals, procedure: Procedure, times_us: FloatArray) -> ComplexArray:
    """Return the analytic signal of each noise-free echo round its time; 0 outside the record."""
    rate, probe = signals.sample_rate_mhz, procedure.probe
    half = half_length(rate / probe.frequency_mhz, 0.01 * probe.bandwidth_percent)
    lags, rows = np.arange(-half, half + 1), np.arange(len(times_us))

    def cut(middle: IntArray) -> FloatArray:
        place = middle[:, None] + lags
        inside = (place >= 0) & (place < signals.clean.shape[1])
        near = place.clip(0, signals.clean.shape[1] - 1)
        return np.where(inside, signals.clean[rows[:, None], near], 0.0)

    # Some methods time an edge, some a crest: what is cut out lies round the largest sample.
    middle = np.rint((times_us - signals.start_us) * rate).astype(np.int64)
    echo = cut(middle + lags[np.argmax(np.abs(cut(middle)), axis=1)])
    size = 4 * echo.shape[1]
    one_sided = np.zeros((len(echo), size), np.complex128)
    one_sided[:, : size // 2 + 1] = 2.0 * np.fft.rfft(echo, size)
    one_sided[:, 0] *= 0.5
    one_sided[:, size // 2] *= 0.5
    return np.asarray(np.fft.ifft(one_sided))


def _bounds_us(
    echoes: ComplexArray, rate_mhz: float, level: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least standard deviation of an echo's time, shape known and phase free.

    The energy of the noise-free echo's slope over the noise's variance (Cramér-Rao); with height
    and phase unknown, what of the slope is not in the span of the echo and its quadrature.
    """
    omega = 2.0 * np.pi * np.fft.fftfreq(echoes.shape[1]) * rate_mhz
    slope = np.fft.ifft(np.fft.fft(echoes) * 1j * omega).real
    energy = (slope**2).sum(axis=1)
    turned = echoes.imag
    span = (slope * turned).sum(axis=1) ** 2 / (turned**2).sum(axis=1)
    return level / np.sqrt(energy), level / np.sqrt(np.maximum(energy - span, 1e-300))


def _combined(each_us: FloatArray) -> float:
    """Return the bound of an interval from those of its echo times, shape (echoes, rows)."""
    weights = interval_weights(each_us)
    return float(np.sqrt(np.mean((weights**2 * each_us**2).sum(axis=0))))


def _judge(
    scan: Scan,
    label: str,
    procedure: Procedure,
    snr_db: float,
    reference: tuple[FloatArray, float],
    bounds_us: tuple[float, float],
) -> Cell:
    """Return a cell; gross errors are counted, and left out of mean and spread."""
    columns = time_echoes(scan, procedure).columns
    error = columns["interval_us"] - reference[0]
    u = columns["u_interval_us"]
    known, phase_free = bounds_us
    limit = GROSS_PERIODS / procedure.probe.frequency_mhz
    if not _knows_phase(procedure):
        limit = max(limit, GROSS_BOUNDS * phase_free)
    timed = np.isfinite(error)
    good = timed & (np.abs(np.where(timed, error, np.inf)) < limit)
    error, u = error[good], u[good]
    return Cell(
        method=label,
        snr_db=snr_db,
        rows=len(timed),
        timed=int(timed.sum()),
        gross=int((timed & ~good).sum()),
        flagged=int((columns["flags"] != 0).sum()),
        bias_ns=1e3 * float(np.mean(error)) if good.any() else float("nan"),
        spread_ns=1e3 * float(np.std(error)) if good.any() else float("nan"),
        pattern_ns=1e3 * reference[1],
        bound_ns=1e3 * known,
        phase_free_bound_ns=1e3 * phase_free,
        error_over_u=float(np.std(error / u)) if good.any() else float("nan"),
        covered=float(np.mean(np.abs(error) <= COVERAGE * u)) if good.any() else float("nan"),
    )


def _knows_phase(procedure: Procedure) -> bool:
    """Tell whether a procedure's methods time a half-cycle, which they may mistake for another."""
    timing = procedure.gate(procedure.interval.gates[-1]).timing
    return not timing.traits.phase_free


def compare_on_steps(
    scan: Scan,
    procedures: Mapping[str, Procedure],
    known_mm: FloatArray,
    u_known_mm: FloatArray | float | None,
) -> list[StepCell]:
    """Calibrate with every procedure on the same step readings, and read them back.

    Returns
    -------
    cells : list of StepCell
        By procedure, then by step. Reading back what was calibrated on flatters every method alike;
        a straight line through few steps does so most.
    """
    cells = []
    for label, procedure in procedures.items():
        calibration = calibrate(scan, procedure, known_mm, u_known_mm=u_known_mm)
        readings = measure(scan, procedure, calibration)
        for step in np.unique(known_mm[~np.isnan(known_mm)]):
            on: AnyArray = known_mm == step
            refused = on & is_fatal(readings.flags)
            # A flagged reading is for a second look, and says nothing of the method; one outside
            # the procedure's range is as good as any here.
            clean = on & (readings.flags & ~OF_RANGE == 0)
            error = 1e3 * (readings.thickness_mm[clean] - step)
            some = error.size > 0
            cells.append(
                StepCell(
                    method=label,
                    step_mm=float(step),
                    rows=int(on.sum()),
                    refused=int(refused.sum()),
                    clean=int(clean.sum()),
                    mean_error_um=float(error.mean()) if some else float("nan"),
                    spread_um=float(error.std()) if some else float("nan"),
                    mean_u_um=1e3 * float(readings.u_mm[clean].mean()) if some else float("nan"),
                )
            )
    return cells
