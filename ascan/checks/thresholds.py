"""Thresholds of the self-checks, as a procedure states them."""

from __future__ import annotations

from dataclasses import dataclass

from ascan.base.tables import number


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """Thresholds of the self-checks.

    Attributes
    ----------
    least_snr_db : float
        Below it ``LOW_SNR`` is set. The default, 14 dB, is where a band-passed peak still picks
        the wrong half-cycle in less than one trace in 10 000 (own study on synthetic echoes).
    least_rival_odds : float
        Twice the log odds that a pick must have against being another half-cycle, a later echo or
        a repeat of the surface echo. By default even odds set the flag.
    least_record_odds : float
        The same against another thickness that the whole record may be of; the reading is refused
        below it. By default four standard deviations.
    least_strength, least_strength_alone : float
        What must be left of the wall echo's usual height, against the surface echo and without
        one. A pit under three tenths of the beam takes as much of the echo and leaves its shape and
        its time (own study: elastic finite differences, plane pits of 1 to 8 mm). Without a surface
        echo, coupling alone changes the height by 4 dB and more (common practice); told are 6 dB,
        at which half of a beam meets something else (half-value method, common practice), and the
        first limit, too, of an echo whose shape is changed as well (`ascan.checks.weak_echo`).
    most_strength : float
        What the wall echo may be at most of its usual height against the surface echo. Sound walls
        stay within 1.3, in grain, too (own study); twice is 6 dB: another gain over time, or an
        echo that is none of the wall's.
    most_apart : float
        Of the timed echo's height, what may stand behind it and at none of its multiples, beyond
        half as much again as on the steps: mode-converted arrivals reach a tenth (own study).
    most_ahead, most_behind : float
        Of the timed echo's height, what may stand ahead of it and behind it in its gate. Ahead, one
        24 dB below: a tenth moves a time by some 20 ns (`benches/accuracy.py`); behind it come the
        wall's later echoes. Of whole records, ``most_ahead`` is what the fit may leave anywhere.
    most_misfit : float
        What the steps' mean echo may leave of an echo beyond what it left of theirs, as a share of
        its root mean square. So much is left where one 24 dB below runs into it (reckoned); clean
        echoes between two steps stay within 0.05 (own study).
    most_moved_periods : float
        By how much the surface echo may come off the steps' behind a delay line. A line that warms
        by 10 °C moves it by less (own study); a wrong line, trigger or clock by more.
    most_second_periods : float
        By how much the wall's second echo may be off. Diffraction moves it by 0.07 periods at most
        (own table, `ascan.path.diffraction`), another half-cycle by half a period.
    most_witness_off : float
        In standard uncertainties of the difference; chance exceeds 3 once in 370.
    """

    least_snr_db: float = number(14.0)
    least_rival_odds: float = number(0.0, least=-50.0, most=50.0)
    least_record_odds: float = number(16.0, least=0.0, most=100.0)
    least_strength: float = number(0.7, least=0.0, most=1.0)
    least_strength_alone: float = number(0.5, least=0.0, most=1.0)
    most_strength: float = number(2.0, least=1.0, most=1000.0)
    most_apart: float = number(0.3, above=0.0, most=10.0)
    most_ahead: float = number(0.06, above=0.0, most=10.0)
    most_behind: float = number(1.3, above=0.0, most=100.0)
    most_misfit: float = number(0.06, above=0.0, most=1.0)
    most_moved_periods: float = number(1.0, above=0.0, most=100.0)
    most_second_periods: float = number(0.2, above=0.0, most=1.0)
    most_witness_off: float = number(3.0, above=0.0, most=100.0)
