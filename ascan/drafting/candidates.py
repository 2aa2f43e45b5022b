"""The procedures that step records allow, each written out with the reason for every value."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.drafting.component import Component
from ascan.drafting.pulse import Records
from ascan.drafting.tracks import OPENS, Tracks
from ascan.drafting.wishes import Wishes
from ascan.kernels.arrays import FloatArray
from ascan.path.material import Material
from ascan.procedure.usual import ARRIVAL_BAND, BAND, MOST_OF_RATE

# Of the lowest first echo a threshold takes so much, of the noise so many deviations, and never
# more than half of that echo: corrosion takes 20 dB and more.
OF_LOWEST, OF_NOISE, NEVER_ABOVE = 0.12, 4.5, 0.5
# Gates reach so far beyond the walls wanted.
BELOW, ABOVE = 0.7, 1.12
# The echo of a gate that may be meant, and how it may be timed.
ECHOES = ("largest", "first")
TIMINGS = {"correlation": "by learned shapes", "peak": "band-passed peaks"}
# Tracks are of crests; an arrival opens so much earlier, and the quiet ahead of it tells where.
AHEAD_PERIODS = 5.0
# A train is sought of walls up to this, over so many echoes.
TRAIN_MM, TRAIN_ECHOES = 6.0, 10
# Whole records are learned from so many steps, as first arrivals are.
LEARNED_FROM = 4
WHOLE = "whole record"
# Another echo is plainly lower that reaches less than this share of it.
PLAINLY_LESS = 0.9
# What a gate of the interface echo is wider than the steps', µs: behind a line, in water.
MARGIN_US = {"delay_line": 1.0, "immersion": 2.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A procedure that may be used: its name, and its commented text."""

    name: str
    text: str


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Ground:
    """What all candidates stand on: the records, what their echoes are, and the wishes."""

    records: Records
    tracks: Tracks
    wishes: Wishes
    component: Component | None = None

    @property
    def range_mm(self) -> tuple[float, float]:
        """The walls wanted."""
        steps_mm = self.records.steps_mm
        return self.wishes.range_mm or (float(steps_mm[0]), float(steps_mm[-1]))

    @property
    def u_velocity_mm_per_us(self) -> float:
        """How well the tracks tell the velocity: a tenth of a period over what the steps span."""
        velocity, steps_mm = self.tracks.velocity_mm_per_us, self.records.steps_mm
        span_us = 2.0 / velocity * max(float(np.ptp(steps_mm)), float(steps_mm[0]))
        return velocity * max(0.005, 0.1 / self.records.frequency_mhz / span_us)

    def threshold(self, echo: str) -> tuple[float, str]:
        """Return what a first, second or interface echo must reach, and why."""
        of_steps = float(np.nanmin(getattr(self.tracks, echo)))
        lowest, noise, whose = of_steps, self.records.noise, "the steps'"
        if self.component is not None:
            noise = max(noise, self.component.noise)
            low = self.component.low(echo)
            lowest, whose = (low, "the component's") if low < lowest else (lowest, whose)
        wanted = max(OF_NOISE * noise, OF_LOWEST * lowest)
        found = min(wanted, NEVER_ABOVE * of_steps)
        if found < wanted:
            return found, f"half of the lowest echo, {of_steps:.3f}"
        if OF_NOISE * noise > OF_LOWEST * lowest:
            return found, f"{OF_NOISE:g} times the noise of {noise:.4f}"
        return found, f"{OF_LOWEST:g} of the lowest of {whose} echoes, {lowest:.3f}"

    @property
    def interface_us(self) -> tuple[float, float]:
        """When the interface echo came, first and last, on the block and on the component."""
        seen_us = [self.tracks.origin_us]
        if self.component is not None:
            seen_us.append(np.quantile(self.component.interface_us, (0.01, 0.99)))
        every_us = np.concatenate(seen_us)
        return float(every_us.min()), float(every_us.max())


def candidates(ground: Ground) -> list[Candidate]:
    """Return what may be tried, by the modes of ISO 16809 (clauses from memory).

    A coating asks for intervals between back-wall echoes; a corroded far side has no second one
    that could be relied on.

    Raises
    ------
    AscanError
        Nothing is left to try.
    """
    wishes, found = ground.wishes, list[Candidate]()
    interface, dual = ground.tracks.has_interface, ground.tracks.arrangement == "dual"
    if not wishes.coated:
        make = _of_dual if dual else _from_interface if interface else _from_transmit
        found += make(ground)
    if (not wishes.corroded or wishes.coated) and not dual:
        found += _between(ground)
    if not found and not dual and not interface:
        clear_us, (low, _) = ground.records.burst_us, ground.range_mm
        raise fault(
            "draft",
            f"the transmit burst has died away by {clear_us:.2f} µs, later than the first echo of "
            f"{low:g} mm",
            allowed="walls whose first echo stands clear of it, or whose second one is heard",
            remedy="a delay line or a dual probe measures thinner walls",
        )
    if not found:
        raise fault(
            "draft",
            "no mode measures such a component with such a probe",
            allowed="a coating under a dual probe asks for its thickness and velocity",
            remedy="measure the coating's thickness, and state it in [coating] by hand",
        )
    return found


def _from_transmit(ground: Ground) -> list[Candidate]:
    """Return candidates from the transmit pulse to the first echo."""
    interval = _interval("time_zero_to_echo", ["wall"], "from the transmit pulse to the first echo")
    return [
        _written(ground, f"transmit to {way.echo} echo, {way.how}", [*way.band, interval, way.wall])
        for way in _ways(ground)
    ]


def _from_interface(ground: Ground) -> list[Candidate]:
    """Return candidates from the interface echo to the first back-wall echo, and whole records."""
    both, found = ["surface", "wall"], []
    interval = _interval("interface_to_echo", both, "from the interface echo to the first echo")
    for way in _ways(ground):
        parts = [*way.band, interval, _surface_gate(ground, way.timing), way.wall]
        found.append(_written(ground, f"interface to {way.echo} echo, {way.how}", parts))
    wall = _wall_gate(ground, "largest", "peak")
    if wall and ground.records.steps_mm.size >= LEARNED_FROM:
        whole = _interval("whole_record", both, "all echoes of a record in one fit")
        if ground.wishes.element_diameter_mm is not None:
            whole += '\ndiffraction = "round_element"  # the element\'s diameter is stated'
        found.append(_written(ground, WHOLE, [whole, _surface_gate(ground, "peak"), wall]))
    return found


def _between(ground: Ground) -> list[Candidate]:
    """Return candidates between successive back-wall echoes."""
    found, second = list[Candidate](), ground.tracks.second
    heard = np.isfinite(second).all() and np.min(second) > 2.0 * OF_NOISE * ground.records.noise
    interval = _interval("echo_to_echo", ["wall", "second"], "between the first two wall echoes")
    surface = [_surface_gate(ground, "peak")] if ground.tracks.has_interface else []
    for way in _ways(ground) if heard else ():
        gates = [*surface, way.wall, _second_gate(ground, way.echo, way.timing)]
        parts = [*way.band, interval, *gates]
        found.append(_written(ground, f"echo to echo, {way.echo}, {way.how}", parts))
    if ground.range_mm[1] <= TRAIN_MM and not ground.tracks.has_interface:
        found.append(_written(ground, "train of echoes", _train(ground)))
    return found


class _Way(NamedTuple):
    """A way to time the first back-wall echo: which one of its gate, how, and what it needs."""

    echo: str
    timing: str
    how: str
    band: list[str]
    wall: str


def _ways(ground: Ground) -> Iterator[_Way]:
    """Yield the ways to time the first back-wall echo; none where the burst covers it."""
    for echo in ECHOES:
        for timing, how in TIMINGS.items():
            wall = _wall_gate(ground, echo, timing)
            if wall:
                # A learned shape is its own filter.
                band = [_band_pass(ground, BAND)] if timing == "peak" else []
                yield _Way(echo, timing, how, band, wall)


def _of_dual(ground: Ground) -> list[Candidate]:
    """Return candidates of a dual probe: first arrival, and, its dimensions known, whole record."""
    records, tracks = ground.records, ground.tracks
    low, high = ground.range_mm
    origin, slowness = float(tracks.origin_us[0]), 2.0 / tracks.velocity_mm_per_us
    opens_us = origin + slowness * BELOW * low - AHEAD_PERIODS / records.frequency_mhz
    start_us = max(opens_us, float(records.time_us[:, 0].max()))
    stop_us = min(origin + slowness * ABOVE * high + 0.5, float(records.time_us[:, -1].min()))
    gate = (
        '[[gate]]\nname = "wall"\n'
        f"start_us = {start_us:.2f}            # the steps' first arrivals move by "
        f"{slowness:.3f} µs for each mm\n"
        f"stop_us = {stop_us:.2f}\n"
        'echo = "first_arrival"     # what a pit sends first'
    )
    found = []
    modes = [("time_zero_to_echo", "first arrival", "to the half-cycle that opens the echo")]
    if ground.wishes.dual is not None and records.steps_mm.size >= LEARNED_FROM:
        modes.append(("whole_record", WHOLE, "all arrivals of a record in one fit"))
    for mode, name, what in modes:
        parts = [_band_pass(ground, ARRIVAL_BAND), _interval(mode, ["wall"], what), gate]
        found.append(_written(ground, name, parts))
    return found


def _written(ground: Ground, name: str, parts: list[str]) -> Candidate:
    head = f'title = "drafted from steps: {name}"'
    text = "\n\n".join([head, _probe(ground), *_material(ground), *parts, *_range(ground)])
    return Candidate(name=name, text=text + "\n")


def _probe(ground: Ground) -> str:
    records, tracks, wishes = ground.records, ground.tracks, ground.wishes
    lines = [
        "[probe]",
        f'arrangement = "{tracks.arrangement}"     # stated',
        f"frequency_mhz = {records.frequency_mhz:.2f}        # middle of the echoes' −6 dB band",
        f"bandwidth_percent = {records.bandwidth_percent:.0f}      # its width",
    ]
    if tracks.arrangement == "contact":
        lines.append(
            f"delay_us = {max(float(tracks.origin_us[0]), 0.0):.3f}           # where the steps' "
            "echoes meet at no wall; the calibration finds it anew"
        )
    elif np.isfinite(tracks.delay_us):
        lines.append(
            f"delay_us = {tracks.delay_us:.3f}           # by the interface echo's own repeat"
        )
    if wishes.element_diameter_mm is not None and tracks.arrangement != "dual":
        lines.append(f"element_diameter_mm = {wishes.element_diameter_mm:g}  # stated")
    if wishes.dual is not None and tracks.arrangement == "dual":
        lines += [
            f"{key} = {size:g}  # stated, nominal" for key, size in wishes.dual._asdict().items()
        ]
    return "\n".join(lines)


def _material(ground: Ground) -> list[str]:
    """Return the material's velocity where it is not that of the usual block."""
    usual, velocity = Material(), ground.tracks.velocity_mm_per_us
    u = ground.u_velocity_mm_per_us
    if ground.tracks.arrangement == "dual" or abs(velocity - usual.velocity_mm_per_us) < 2.0 * u:
        return []
    return [
        '[material]\nname = "of the block"\n'
        f"velocity_mm_per_us = {velocity:.3f}  # by the steps' echoes; places gates in mm\n"
        f"u_velocity_mm_per_us = {u:.3f}"
    ]


def _band_pass(ground: Ground, share: tuple[float, float]) -> str:
    frequency, rate = ground.records.frequency_mhz, ground.records.rate_mhz
    low, high = share[0] * frequency, min(share[1] * frequency, MOST_OF_RATE * rate)
    return (
        f'[filter]\nkind = "band_pass"\nlow_mhz = {low:.2f}              # {share[0]:g} to '
        f"{share[1]:g} of the pulse's middle\nhigh_mhz = {high:.2f}"
    )


def _interval(mode: str, gates: list[str], what: str) -> str:
    named = ", ".join(f'"{gate}"' for gate in gates)
    return f'[interval]\nmode = "{mode}"  # {what}\ngates = [{named}]'


def _range(ground: Ground) -> list[str]:
    """Return the measuring range; one step alone gives none."""
    (low, high), why = ground.range_mm, "stated"
    if ground.wishes.range_mm is None:
        # Within the steps, whatever their last digits.
        low, high, why = math.ceil(100.0 * low) / 100.0, math.floor(100.0 * high) / 100.0, "steps"
    return [f"[range]\nmin_mm = {low:g}                # {why}\nmax_mm = {high:g}"] * (low < high)


def _surface_gate(ground: Ground, timing: str) -> str:
    early, late = ground.interface_us
    margin = MARGIN_US[ground.tracks.arrangement] + 0.2 * (late - early)
    start = max(early - margin, float(ground.records.time_us[:, 0].max()))
    where = "the steps" if ground.component is None else "steps and component"
    threshold, why = ground.threshold("interface")
    echo, reason = "largest", ""
    if not opens_largest(ground.records, ground.tracks.origin_us, (start, late + margin)):
        # A clipped or a repeated one may be higher; what comes first and is loud opens the record.
        echo, threshold = "first", OPENS * float(np.nanmin(ground.tracks.interface))
        why = f"{OPENS:g} of the steps' lowest interface echo"
        reason = "             # a later one is as high in some records"
    return (
        '[[gate]]\nname = "surface"\n'
        f"start_us = {start:.2f}            # on {where} the interface echo came at "
        f"{early:.2f} to {late:.2f} µs\n"
        f"stop_us = {late + margin:.2f}\n"
        f"threshold = {threshold:.4f}         # {why}\n"
        f'echo = "{echo}"{reason}\ntiming = "{timing}"'
    )


def opens_largest(records: Records, origin_us: FloatArray, gate_us: tuple[float, float]) -> bool:
    """Tell whether the interface echo is the largest of a gate in every record, plainly."""
    reach_us, most = 1.5 / records.frequency_mhz, PLAINLY_LESS * records.rail
    for own, clock, origin in zip(records.envelope, records.time_us, origin_us, strict=True):
        inside = (clock >= gate_us[0]) & (clock <= gate_us[1])
        near = inside & (np.abs(clock - origin) <= reach_us)
        top = min(float(own[near].max(initial=0.0)) * PLAINLY_LESS, most)
        if float(own[inside & ~near].max(initial=0.0)) > top:
            return False
    return True


def _wall_gate(ground: Ground, echo: str, timing: str) -> str:
    """Return the gate of the first back-wall echo; "" where the burst covers it."""
    low, high = ground.range_mm
    start, why = BELOW * low, f"{BELOW:g} of the least wall wanted"
    if not ground.tracks.has_interface:
        tracks = ground.tracks
        clear_us = ground.records.burst_us + 0.5 / ground.records.frequency_mhz
        after = 0.5 * tracks.velocity_mm_per_us * (clear_us - float(tracks.origin_us[0]))
        if after > start:
            start, why = after, "where the transmit burst has died away"
        if start >= low:
            return ""
    threshold, reason = ground.threshold("first")
    follows = 'follows = "surface"\n' if ground.tracks.has_interface else ""
    return (
        f'[[gate]]\nname = "wall"\n{follows}'
        f"start_mm = {start:.2f}             # {why}\n"
        f"stop_mm = {ABOVE * high:.2f}            # {ABOVE:g} of the greatest\n"
        f"threshold = {threshold:.4f}         # {reason}\n"
        f'echo = "{echo}"\ntiming = "{timing}"'
    )


def _second_gate(ground: Ground, echo: str, timing: str) -> str:
    low, high = ground.range_mm
    threshold, why = ground.threshold("second")
    return (
        '[[gate]]\nname = "second"\nfollows = "wall"\n'
        f"start_mm = {BELOW * low:.2f}\nstop_mm = {ABOVE * high:.2f}\n"
        f"threshold = {threshold:.4f}         # {why}\n"
        f'half_cycles = "same"       # as the first echo\necho = "{echo}"\ntiming = "{timing}"'
    )


def _train(ground: Ground) -> list[str]:
    low, high = ground.range_mm
    records, tracks = ground.records, ground.tracks
    slowness = 2.0 / tracks.velocity_mm_per_us
    origin = float(tracks.origin_us[0])
    start_us = max(origin + slowness * BELOW * low, records.burst_us)
    stop_us = min(origin + TRAIN_ECHOES * slowness * high, float(records.time_us[:, -1].min()))
    threshold, why = ground.threshold("first")
    return [
        _interval("echo_to_echo", ["walls"], "the spacing of all echoes of a thin wall at once"),
        '[[gate]]\nname = "walls"\n'
        f"start_us = {start_us:.2f}             # ahead of the thinnest wall's first echo\n"
        f"stop_us = {stop_us:.2f}              # {TRAIN_ECHOES} echoes of the thickest\n"
        f"threshold = {threshold:.4f}         # {why}\n"
        f'echo = "train"\nmin_spacing_mm = {BELOW * low:.2f}\nmax_spacing_mm = {ABOVE * high:.2f}',
    ]
