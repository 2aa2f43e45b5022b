"""What timing methods reached beside each other: a cell for each method and noise, or step."""

from __future__ import annotations

from dataclasses import dataclass

# With more than this share of gross errors left out, what stays is cut off, and says nothing.
MOST_GROSS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one method reached at one signal-to-noise ratio.

    Attributes
    ----------
    rows, timed, gross, flagged : int
        Waveforms; those with a time; of these, those on another half-cycle or echo; with a flag.
    bias_ns, spread_ns : float
        Mean and standard deviation of the error of those not gross, against what the method gives
        without noise.
    pattern_ns : float
        Peak to peak, without noise: what the place between the samples makes of it.
    bound_ns, phase_free_bound_ns : float
        What no unbiased method can fall below: with the pulse's shape known, and with its phase not
        known.
    error_over_u, covered : float
        Standard deviation of the error over its stated uncertainty; share within 1.96 of them.
    """

    method: str
    snr_db: float
    rows: int
    timed: int
    gross: int
    flagged: int
    bias_ns: float
    spread_ns: float
    pattern_ns: float
    bound_ns: float
    phase_free_bound_ns: float
    error_over_u: float
    covered: float

    @property
    def over_bound(self) -> float:
        """Spread over the bound for a known shape; NaN where `spreads_freely` is not so."""
        return self.spread_ns / self.bound_ns if self.spreads_freely else float("nan")

    @property
    def over_phase_free(self) -> float:
        """Spread over the bound for a pulse whose phase is not known; NaN likewise."""
        return self.spread_ns / self.phase_free_bound_ns if self.spreads_freely else float("nan")

    @property
    def spreads_freely(self) -> bool:
        """Whether so few are gross that leaving them out does not cut the spread."""
        return self.gross <= MOST_GROSS * self.timed


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCell:
    """What one method reached on steps of known thickness, calibrated on the same readings.

    Attributes
    ----------
    rows, refused, clean : int
        Waveforms on the step; those without a thickness; those without a flag.
    mean_error_um, spread_um, mean_u_um : float
        Of those without a flag.
    """

    method: str
    step_mm: float
    rows: int
    refused: int
    clean: int
    mean_error_um: float
    spread_um: float
    mean_u_um: float
