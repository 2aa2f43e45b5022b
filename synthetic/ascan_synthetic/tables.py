"""The tables of a scenario file, strictly read."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from ascan_synthetic.limits import check_number
from ascan_synthetic.medium import PAINT, STEEL

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordTable:
    """[record]: the digitiser."""

    sample_rate_mhz: float = 100.0
    samples: int = 1000
    start_us: float = 0.0
    bits: int = 12
    zero_code: int = 0
    rectified: bool = False
    held_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeTable:
    """[probe]: pulse, arrangement, path.

    ``pulse`` is gaussian, causal or template: the last takes its samples from ``template``, at
    ``template_rate_mhz``. ``radius_mm`` above 0 switches piston diffraction on; ``footprint_mm`` is
    the −6 dB spot.
    ``path_wander_mm`` is half the range over which a water path changes from waveform to waveform.
    """

    arrangement: str = "contact"
    pulse: str = "gaussian"
    centre_mhz: float = 5.0
    bandwidth: float = 0.6
    phase_deg: float = 0.0
    order: int = 3
    template: tuple[float, ...] = ()
    template_rate_mhz: float = 100.0
    delay_us: float = 0.35
    path_mm: float = 12.0
    path_wander_mm: float = 0.0
    radius_mm: float = 0.0
    footprint_mm: float = 0.0
    footprint_rings: int = 6
    face: float = 0.5
    temperature_c: float = 20.0
    width_mm: float = 5.0
    length_mm: float = 8.0
    gap_mm: float = 1.0
    height_mm: float = 8.0
    roof_deg: float = 3.5
    cross_talk: float = 0.0
    cross_talk_us: float = 1.5
    conversion: float = 1.0
    echoes: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class StackTable:
    """[stack]: what lies between probe and wall, and behind it."""

    couplant_mm: float = 0.0
    coating_mm: float = 0.0
    coating_velocity_mm_per_us: float = PAINT.velocity_mm_per_us
    backing: str = "air"
    wall_velocity_mm_per_us: float = STEEL.velocity_mm_per_us
    wall_temperature_c: float = 20.0
    attenuation_db_per_mm: float = STEEL.attenuation_db_per_mm
    attenuation_exponent: float = STEEL.exponent


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTable:
    """[wall]: either ``steps_mm``, or ``uniform_mm``, or a raster over a field.

    ``steps_mm`` with ``readings`` on each; ``uniform_mm`` = [least, most] with ``count`` plates of
    random thickness; else ``columns`` × ``rows`` at ``pitch_mm`` over ``nominal_mm`` with the
    features given, an encoder jitter of ``position_jitter_mm`` and every ``pit`` and
    ``lamination`` a table of its own.
    """

    steps_mm: tuple[float, ...] = ()
    readings: int = 1
    uniform_mm: tuple[float, ...] = ()
    count: int = 0
    columns: int = 1
    rows: int = 1
    pitch_mm: float = 1.0
    position_jitter_mm: float = 0.0
    nominal_mm: float = 10.0
    tilt_deg: float = 0.0
    radius_mm: float = 0.0
    waviness_mm: float = 0.0
    rough_rms_mm: float = 0.0
    rough_correlation_mm: float = 1.0
    pits: int = 0
    pit_kinds: tuple[str, ...] = ("round",)
    deepest_mm: float = 3.0
    pit_width_mm: tuple[float, ...] = (4.0, 12.0)
    pit: tuple[Mapping[str, Any], ...] = ()
    lamination: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverTable:
    """[receiver]: gain, noise and faults.

    Levels are fractions of full scale; ``grain`` is what it is at a gain of 1.
    Waveforms come from ``channels`` in turn. ``jitter_ns`` shifts the trigger of each shot of all
    channels together, ``channel_jitter_ns`` each waveform by itself, ``channel_skew_ns`` (rms) each
    channel for good, ``shared_shift_ns`` everything. ``previous_us`` is the time since the last
    transmit pulse, whose late echoes are heard (0: long ago); ``average_over_mm`` averages while
    the probe moves; ``lost_coupling``, ``dead``, ``stuck`` are shares of the waveforms.
    """

    channels: int = 1

    gain: float = 0.8
    gain_spread_db: float = 0.0
    time_gain_db_per_us: float = 0.0
    time_gain_from_us: float = 0.0
    noise: float = 0.002
    noise_band_mhz: tuple[float, ...] = ()
    grain: float = 0.0
    grain_decay_us: float = 5.0
    spikes: float = 0.0
    spike_height: float = 0.5
    offset: float = 0.0
    wander: float = 0.0
    wander_period_us: float = 8.0
    burst: float = 0.0
    burst_decay_us: float = 0.12
    soft_clip: float = 0.0
    jitter_ns: float = 0.0
    channel_jitter_ns: float = 0.0
    channel_skew_ns: float = 0.0
    shared_shift_ns: float = 0.0
    previous_us: float = 0.0
    inverted: float = 0.0
    average_over_mm: float = 0.0
    lost_coupling: float = 0.0
    dead: float = 0.0
    stuck: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """All that decides the waveforms; frozen. Read it with `load_scenario`."""

    title: str = "untitled"
    seed: int = 0
    record: RecordTable = field(default_factory=RecordTable)
    probe: ProbeTable = field(default_factory=ProbeTable)
    stack: StackTable = field(default_factory=StackTable)
    wall: WallTable = field(default_factory=WallTable)
    receiver: ReceiverTable = field(default_factory=ReceiverTable)


def build(cls: type[T], table: Mapping[str, Any], place: str) -> T:
    """Return a dataclass from a table, strictly."""
    known = {f.name: f for f in dataclasses.fields(cls)}  # type: ignore[arg-type]
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, 0.6)
            way_out = f"did you mean '{near[0]}'?" if near else f"allowed: {', '.join(known)}"
            raise ValueError(f"{place or 'scenario'}: unknown key '{key}'; {way_out}")
        values[key] = _value(known[key], value, f"{place}.{key}".removeprefix("."))
    try:
        return cls(**values)
    except TypeError as problem:
        raise ValueError(f"{place}: {problem}") from None


def _value(known: dataclasses.Field[Any], value: Any, place: str) -> Any:
    if known.default_factory is not dataclasses.MISSING:
        return build(known.default_factory, value, place)  # type: ignore[arg-type]
    wanted = type(known.default)
    kinds = {tuple: (list,), float: (int, float)}.get(wanted, (wanted,))
    if known.default is dataclasses.MISSING:
        return value
    if not isinstance(value, kinds) or isinstance(value, bool) != (wanted is bool):
        raise ValueError(f"{place}: is {value!r}; wanted {wanted.__name__}")
    if value == []:
        raise ValueError(f"{place}: is empty; leave it out, or give a value")
    for number in value if isinstance(value, list) else [value]:
        if isinstance(number, (int, float)):
            check_number(known.name, number, place)
    return tuple(value) if isinstance(value, list) else value
