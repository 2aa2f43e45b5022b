"""Which echo of a step record is what: tracks of echoes that move with the step.

A wall of thickness d echoes at t0 + n · 2 d / v. One velocity and one origin, common or of each
record, are sought under all steps together; what stands at the origin says how sound gets there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ascan.base.errors import fault
from ascan.base.units import MM_PER_INCH
from ascan.drafting.labels import check_labels
from ascan.drafting.pulse import Records, crests
from ascan.drafting.teeth import FASTEST, SLOWEST, TEETH, compressed, teeth
from ascan.kernels.arrays import FloatArray
from ascan.path.probe import SURFACED

# Velocities that are tried are so far apart, as a share.
APART = 0.0025
# Origins that are tried, µs apart; a probe in contact sends no later than this.
ORIGINS_US, CONTACT_US = 0.03, 2.0
# Of one step: one origin for all fits if its comb finds so much of what one for each record does.
COMMON_FITS = 0.88
# Of one origin and one for each record that finds plainly more which does so many times as much.
PLAINLY = 1.3
# An opening rises with the step as an echo of the wall does, to so much.
WALL_LIKE = 0.2
# The interface echo opens a record where so much of the largest echo is reached first.
OPENS = 0.4
# So many loud crests of a record are looked at.
OPENINGS = 6
# Steps that are all thinner may have been given in inches.
INCHES_BELOW_MM = 1.5
# A delay from the trigger to the sound may be so long, µs.
MOST_DELAY_US = 1.5


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Tracks:
    """What the echoes of the steps say together.

    Attributes
    ----------
    arrangement : str
        That the origin speaks for.
    origin_us : ndarray, shape (n,)
        When sound enters the wall, of each record; of a dual probe, an effective one.
    velocity_mm_per_us : float
    first, second, interface : ndarray, shape (n,)
        Heights of the first two wall echoes and of the interface echo, shares of full scale.
    delay_us : float
        From the trigger to the sound leaving the probe, by the interface echo's own repeat; NaN
        where it is not heard.
    """

    arrangement: str
    origin_us: FloatArray
    velocity_mm_per_us: float
    first: FloatArray
    second: FloatArray
    interface: FloatArray
    delay_us: float

    @property
    def has_interface(self) -> bool:
        """Whether an echo of the wall's front opens the records."""
        return self.arrangement in SURFACED


def tracks_of(records: Records, arrangement: str = "") -> Tracks:
    """Return the tracks of step records.

    Parameters
    ----------
    records : Records
    arrangement : str
        Where it is stated, it is taken.

    Raises
    ------
    AscanError
        Steps whose echoes contradict their labels.
    """
    crests_us = _loud_crests(records)
    common = _comb(records, np.zeros(len(records.rows)), _origins(records, arrangement))
    first = _comb(records, np.array([own_us[0] for own_us in crests_us]), np.zeros(1))
    _refuse_inches(records, crests_us, (common, first))
    moving_us = _settled(records, first.velocity_mm_per_us, crests_us)
    moving = _comb(records, moving_us, np.zeros(1))
    found = arrangement or _arrangement(records, common, moving, moving_us)
    if found == "immersion":
        best, origin_us = moving, moving_us
    elif found == "delay_line":
        opening = float(np.median(moving_us))
        best = _comb(records, np.zeros(len(records.rows)), opening + np.arange(-0.3, 0.31, 0.03))
        origin_us = np.full(len(records.rows), best.origin_us)
    else:
        best, origin_us = common, np.full(len(records.rows), common.origin_us)
    # Wrong labels find a wrong origin; the echo that opens a record needs none.
    opens_us = moving_us if found in SURFACED else origin_us
    check_labels(records, best.velocity_mm_per_us, (origin_us, opens_us), dual=found == "dual")
    return _tracks(records, found, best.velocity_mm_per_us, origin_us)


def _refuse_inches(
    records: Records, crests_us: list[FloatArray], found: tuple[_Comb, _Comb]
) -> None:
    """Refuse small steps under which a comb fits plainly better if they are in inches.

    ``found`` are those of a common origin, and of one at the first crest of each record.
    """
    if records.steps_mm[-1] >= INCHES_BELOW_MM:
        return
    in_mm = replace(records, known_mm=MM_PER_INCH * records.known_mm)
    common = _comb(in_mm, np.zeros(len(records.rows)), _origins(records, ""))
    first = _comb(in_mm, np.array([own_us[0] for own_us in crests_us]), np.zeros(1))
    pairs = zip((common, first), found, strict=True)
    if any(better.score > PLAINLY * own.score for better, own in pairs):
        told = ", ".join(f"{step:g}" for step in records.steps_mm)
        raise fault(
            "steps",
            f"are {told} mm, and echo as {MM_PER_INCH:g} times as much",
            remedy="give them in mm: are these inches?",
        )


@dataclass(frozen=True, slots=True)
class _Comb:
    score: float
    origin_us: float
    velocity_mm_per_us: float


def _loud_crests(records: Records) -> list[FloatArray]:
    """Return when the first loud stretches of each record have their crests."""
    reach_us, out = 1.5 / records.frequency_mhz, []
    for time_us, own in zip(records.time_us, records.envelope, strict=True):
        loud = time_us[own >= OPENS * own.max()]
        begins = loud[np.concatenate([[True], np.diff(loud) > reach_us])][:OPENINGS]
        stretches = [(time_us >= begin) & (time_us <= begin + reach_us) for begin in begins]
        out.append(np.array([time_us[np.where(each, own, -1.0).argmax()] for each in stretches]))
    return out


def _settled(records: Records, velocity: float, crests_us: list[FloatArray]) -> FloatArray:
    """Return openings of a path that moves; of several loud crests, the one that echoes follow.

    A burst ahead of the interface echo may be as loud.
    """
    out = np.empty(len(records.rows))
    size, number = compressed(records), np.arange(1, TEETH + 1)
    for k, loud_us in enumerate(crests_us):
        place_us = loud_us[:, None] + 2.0 / velocity * records.known_mm[k] * number
        found = np.interp(place_us, records.time_us[k], size[k], right=0.0).sum(axis=1)
        out[k] = loud_us[int(found.argmax())]
    return out


def _origins(records: Records, arrangement: str) -> FloatArray:
    early = float(records.time_us[:, 0].min())
    last = float(records.time_us[:, -1].max())
    stop = CONTACT_US if arrangement == "contact" else early + 0.7 * (last - early)
    return np.arange(0.0 if early <= CONTACT_US else early - 4.0, max(stop, 0.1), ORIGINS_US)


def _comb(records: Records, shift_us: FloatArray, origins_us: FloatArray) -> _Comb:
    """Return the comb that fits best under all steps."""
    velocity = np.exp(np.arange(np.log(SLOWEST), np.log(FASTEST), APART))
    score = teeth(records, shift_us, origins_us, 2.0 / velocity).mean(axis=0)
    origin, fastest = np.unravel_index(int(score.argmax()), score.shape)
    return _Comb(float(score.max()), float(origins_us[origin]), float(velocity[fastest]))


def _arrangement(records: Records, common: _Comb, moving: _Comb, openings_us: FloatArray) -> str:
    """Return how sound seems to get to the wall.

    What opens a record is an echo of the wall itself where its time rises with the step as an echo
    of the wall does: then nothing stands at the origin, which is that of a probe in contact or of
    a dual probe. Else it is the interface echo, of a fixed path (a delay line's, or still water's)
    or of one that moves.
    """
    steps_mm, period_us = records.steps_mm, 1.0 / records.frequency_mhz
    still = float(np.ptp(openings_us)) < period_us
    from_interface = "delay_line" if still else "immersion"
    if steps_mm.size == 1:
        fits = common.score >= COMMON_FITS * moving.score and common.origin_us < CONTACT_US
        return "contact" if fits else from_interface
    if moving.score > PLAINLY * common.score:
        return from_interface
    if common.score > PLAINLY * moving.score and not still:
        return "contact" if common.origin_us < CONTACT_US else "dual"
    usual_us = np.array([np.median(openings_us[records.of_step(step)]) for step in steps_mm])
    slope, origin_us = np.polyfit(steps_mm, usual_us, 1)
    number = slope * common.velocity_mm_per_us / 2.0
    off_us = float(np.abs(usual_us - slope * steps_mm - origin_us).max())
    nearest = max(round(number), 1)
    if abs(number / nearest - 1.0) < WALL_LIKE and off_us < 1.5 * period_us:
        return "contact" if origin_us < CONTACT_US else "dual"
    return from_interface


def _tracks(records: Records, arrangement: str, velocity: float, origin_us: FloatArray) -> Tracks:
    """Return the tracks once more by their crests: velocity, and heights of the echoes."""
    first_us, first = _crests(records, origin_us + 2.0 / velocity * records.known_mm)
    if records.steps_mm.size > 1 and arrangement != "dual":
        design = np.column_stack([np.ones(first.size), records.known_mm])
        line = np.linalg.lstsq(design, first_us - origin_us, rcond=None)[0]
        refined = 2.0 / float(line[1]) if line[1] > 0.0 else velocity
        # A crest that was missed moves the line far; the comb then stands.
        velocity = refined if abs(refined / velocity - 1.0) < 0.03 else velocity
    second = _crests(records, origin_us + 4.0 / velocity * records.known_mm)[1]
    interface = np.zeros(first.size)
    delay_us = float("nan")
    if arrangement in SURFACED:
        interface = _crests(records, origin_us)[1]
        delay_us = _delay(records, origin_us)
    return Tracks(
        arrangement=arrangement,
        origin_us=origin_us,
        velocity_mm_per_us=velocity,
        first=first,
        second=second,
        interface=interface,
        delay_us=delay_us,
    )


def _crests(records: Records, near_us: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return time and height of the largest envelope within a period of a time, of each record."""
    return crests(records.time_us, records.envelope, near_us, 1.0 / records.frequency_mhz)


def _delay(records: Records, origin_us: FloatArray) -> float:
    """Return the delay from the trigger, by the interface echo's repeat: it comes at 2 t - delay.

    Wall echoes stand elsewhere on every step; the repeat stands under all.
    """
    if records.steps_mm.size < 2:
        return float("nan")
    before_us = np.arange(0.0, MOST_DELAY_US, 0.25 / records.frequency_mhz)
    least = np.full(before_us.size, np.inf)
    for step in records.steps_mm:
        seen = []
        for k in np.flatnonzero(records.of_step(step)):
            place_us = 2.0 * origin_us[k] - before_us
            own = np.interp(place_us, records.time_us[k], records.envelope[k], right=0.0)
            seen.append(own / max(records.envelope[k].max(), 1e-12))
        least = np.minimum(least, np.median(seen, axis=0))
    top = int(least.argmax())
    stands = least[top] > max(0.02, 5.0 * records.noise) and least[top] > 3.0 * np.median(least)
    return float(before_us[top]) if stands else float("nan")
