"""What an interval is taken between, and what the procedure's tables settle together.

ISO 16809:2017 clause 4 names three modes: 1, from the transmit pulse to the first back-wall echo;
2, from the interface echo to the back wall; 3, between successive back-wall echoes.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from ascan.path.aperture import SHEAR_RATIO
from ascan.path.probe import SURFACED

# The mode-converted echo of a dual probe changes its shape with the wall as the first one does not
# (aperture-integrated echoes between steps 1 to 2 mm apart, own study).
DRIFT_PERIODS = 0.05


class Begins(enum.Enum):
    """What an interval begins with."""

    TRANSMIT = "the transmit pulse"
    INTERFACE = "the interface echo"
    BACK_WALL = "a back-wall echo"
    MODEL = "the model of a whole record"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One way to take an interval; data only.

    Attributes
    ----------
    name, standard : str
        As the procedure names it; what it is, with the standard's number where it has one.
    gates : tuple of int
        Fewest and most gates that it is taken between.
    arrangements : frozenset of str
        Probes that it can be taken with.
    begins : Begins
    free_zero : bool
        Whether the calibration fits a zero offset; else it is 0 by definition.
    single_echo : bool
        Whether one echo of the wall is timed.
    crosses_coating : bool
        Whether a coating of known thickness is part of the interval.
    times_first_arrival : bool
        Whether a gate may time the half-cycle that opens a dual probe's echo.
    velocity_ratio : float
        Half an interval is wall at so many times the wall's velocity.
    drift_periods : float
        How far it drifts between the steps, since the two echoes are of unlike shape.
    """

    name: str
    standard: str
    gates: tuple[int, int]
    arrangements: frozenset[str]
    begins: Begins
    free_zero: bool = True
    single_echo: bool = False
    crosses_coating: bool = False
    times_first_arrival: bool = False
    velocity_ratio: float = 1.0
    drift_periods: float = 0.0

    @property
    def models_record(self) -> bool:
        """Whether it is taken from a model of the whole record."""
        return self.begins is Begins.MODEL


EVERY = SURFACED | {"contact", "dual"}
MODES = {
    mode.name: mode
    for mode in (
        Mode(
            name="time_zero_to_echo",
            standard="transmit pulse to echo (ISO 16809 mode 1)",
            gates=(1, 1),
            arrangements=EVERY,
            begins=Begins.TRANSMIT,
            single_echo=True,
            crosses_coating=True,
            times_first_arrival=True,
        ),
        Mode(
            name="interface_to_echo",
            standard="interface echo to back-wall echo (ISO 16809 mode 2)",
            gates=(2, 2),
            arrangements=SURFACED,
            begins=Begins.INTERFACE,
            single_echo=True,
            crosses_coating=True,
        ),
        Mode(
            name="echo_to_echo",
            standard="between successive back-wall echoes (ISO 16809 mode 3)",
            gates=(1, 32),
            arrangements=EVERY,
            begins=Begins.BACK_WALL,
            free_zero=False,
        ),
        Mode(
            name="whole_record",
            standard="interface echo and all back-wall echoes of the record in one fit",
            gates=(1, 2),
            arrangements=SURFACED | {"dual"},
            begins=Begins.MODEL,
            times_first_arrival=True,
        ),
        Mode(
            name="echo_to_converted",
            standard="back-wall echo to the one that ran one way as a transverse wave",
            gates=(2, 2),
            arrangements=EVERY,
            begins=Begins.BACK_WALL,
            times_first_arrival=True,
            # It comes d (1/v_T − 1/v_L) after the echo that ran both ways as a longitudinal wave.
            velocity_ratio=2.0 * SHEAR_RATIO / (1.0 - SHEAR_RATIO),
            drift_periods=DRIFT_PERIODS,
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What the procedure's tables settle together, for all that read, judge or learn; data only.

    Attributes
    ----------
    mode : Mode
    arrangement : str
        Of the probe.
    echo : str
        What the first gate of the interval seeks.
    coating : str
        What becomes of a coating: ``fitted`` with the record, ``found`` from two intervals,
        ``known`` and taken off, or "" where none is stated.
    reader : str
        What turns echoes into an interval: ``echoes``, ``train``, or, where the calibration holds
        a model of whole records, ``layered``, ``coated`` or ``dual``.
    gates : tuple of str
        Of the interval, in order of arrival.
    interface : str
        The gate that holds the interface echo, or "".
    back_wall : str
        The gate that holds the first back-wall echo that is used.
    back_walls : tuple of str
        All gates of the interval but that of the interface echo.
    fit_judges_itself : bool
        Whether a fit of many echoes says itself what it leaves of them.
    period_us : float
        Of the probe's frequency.
    reach_us : float
        How far from its peak an echo is taken to reach: one and a half periods.
    """

    mode: Mode
    arrangement: str
    echo: str
    coating: str
    reader: str
    gates: tuple[str, ...]
    interface: str
    back_wall: str
    back_walls: tuple[str, ...]
    fit_judges_itself: bool
    period_us: float
    reach_us: float

    @property
    def is_dual(self) -> bool:
        """Whether the probe has two elements: what it hears is no plain train."""
        return self.arrangement == "dual"

    @property
    def crosses_film(self) -> bool:
        """Whether the interval crosses the film of couplant under the probe."""
        return self.mode.crosses_coating and self.arrangement != "immersion"

    @property
    def knows_path(self) -> bool:
        """Whether it is known how far an echo ran: in contact, or from the interface echo on."""
        return self.is_contact or bool(self.interface)

    @property
    def is_contact(self) -> bool:
        """Whether sound enters the wall when it is sent."""
        return self.arrangement == "contact"

    @property
    def has_delay_line(self) -> bool:
        """Whether the interface echo comes at the end of a delay line."""
        return bool(self.interface) and self.arrangement == "delay_line"

    @property
    def from_transmit(self) -> bool:
        """Whether the interval begins with the transmit pulse."""
        return self.mode.begins is Begins.TRANSMIT

    @property
    def from_interface(self) -> bool:
        """Whether the interval begins with the interface echo."""
        return self.mode.begins is Begins.INTERFACE

    @property
    def of_whole_record(self) -> bool:
        """Whether the interval is one of a model of the whole record."""
        return self.mode.models_record

    @property
    def times_single_echoes(self) -> bool:
        """Whether the interval is taken between echoes that are timed one by one."""
        return self.reader == "echoes"

    @property
    def times_train(self) -> bool:
        """Whether it is the spacing of a train, whose fit checks itself."""
        return self.reader == "train"

    @property
    def between_back_walls(self) -> bool:
        """Whether it is taken between back-wall echoes: its zero offset is 0 by definition."""
        return not self.mode.free_zero

    @property
    def nominal_freedom(self) -> int:
        """Numbers that a line through many steps has."""
        return 2 if self.mode.free_zero else 1
