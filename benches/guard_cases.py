"""What the guard measures: ways of measuring, their step blocks, and signals that raise every flag.

Every case is a folder of files in the public formats: `procedure.toml`, `block.npz` with the
steps' thickness in `known_mm.npy`, and components. Whatever checkout reads them gets equal bytes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import misleading
import numpy as np
import setups
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable
from guard_files import (
    Case,
    Records,
    case,
    known_of,
    meaning_of,
    noisy,
    on_plates,
    on_steps,
    plain,
    records_of,
    stacked,
    write_case,
)

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"


def of_difficulties(rows: int, seed: int) -> Iterator[Case]:
    """Yield the six set-ups of `setups`, each with every difficulty."""
    for setup in setups.setups():
        wall = WallTable(steps_mm=setup.steps_mm, readings=4)
        made = Synthesis(dataclasses.replace(setup.clean, seed=seed, wall=wall))
        components = {}
        for k, difficulty in enumerate(misleading.difficulties(setup)):
            found = misleading.signals(setup, difficulty, seed + 1 + k, rows)
            components[difficulty.name] = records_of(found.made, found.codes)
        yield Case(setup.name, setup.procedure.text, records_of(made), known_of(made), components)


TIMINGS = (
    '"peak"',
    '{ method = "first_crossing", level = 0.05 }',
    '{ method = "first_crossing", own_peak_fraction = 0.5 }',
    '"zero_crossing"',
    '"envelope"',
    '{ method = "envelope", edge_fraction = 0.5 }',
    '"centroid"',
    '"onset"',
    '"correlation"',
    '"carrier_phase"',
    '"pulse_fit"',
    '{ method = "pulse_fit", shape = "free" }',
)
UNFILTERED = '"onset"', '"correlation"', '"carrier_phase"', '"pulse_fit"'


def of_methods(rows: int) -> Iterator[Case]:
    """Yield every timing method on single echoes of a contact probe, clean and noisy."""
    clean = plain("contact")
    loud = noisy(clean, 0.03)
    for timing in TIMINGS:
        text = setups.CONTACT + f"timing = {timing}\n"
        if timing in UNFILTERED:
            text = "\n".join(line for line in text.splitlines() if not line.startswith("filter"))
        word = "".join(c if c.isalnum() else " " for c in timing).replace(" method", "")
        name = f"method {' '.join(word.split())}"
        yield case(name, text, clean, (3.0, 6.0, 12.0, 20.0), (3.0, 19.0), rows, noisy=loud)


TRAIN = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
interval = { mode = "echo_to_echo", gates = ["walls"] }
[[gate]]
name = "walls"
start_us = 0.6
stop_us = 7.5
threshold = 0.03
echo = "train"
"""
WITNESSED = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "gaussian", centre_mhz = 5.0, bandwidth_mhz = 3.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
witness = { mode = "echo_to_echo", gates = ["wall", "second"] }
COATING
[[gate]]
name = "wall"
start_mm = 3.0
stop_mm = 11.0
threshold = 0.05
half_cycles = "negative"
[[gate]]
name = "second"
follows = "wall"
start_mm = 4.0
stop_mm = 13.0
threshold = 0.02
half_cycles = "same"
"""


def of_trains_and_second_intervals(rows: int) -> Iterator[Case]:
    clean = plain("contact", radius_mm=0.0)
    yield case(
        "train", TRAIN, clean, (0.8, 1.2, 2.0), (0.6, 2.2), rows,
        noisy=noisy(clean, 0.05), film=stacked(clean, couplant_mm=0.05),
    )  # fmt: skip
    paint = stacked(clean, coating_mm=0.3, coating_velocity_mm_per_us=2.4)
    bare, coated = WITNESSED.replace("COATING", ""), "coating = { velocity_mm_per_us = 2.4 }"
    known = "coating = { velocity_mm_per_us = 2.4, thickness_mm = 0.3, u_thickness_mm = 0.02 }"
    alone = "\n".join(line for line in WITNESSED.splitlines() if not line.startswith("witness"))
    for name, text in (
        ("second interval", bare),
        ("second interval, coating", WITNESSED.replace("COATING", coated)),
        ("known coating", alone.replace("COATING", known)),
    ):
        steps, walls = (5.0, 6.0, 8.0, 10.0), (5.0, 10.0)
        yield case(name, text, clean, steps, walls, rows, painted=paint, noisy=noisy(clean, 0.05))
    turned = bare.replace("time_zero_to_echo", "X").replace("echo_to_echo", "time_zero_to_echo")
    turned = turned.replace('"X", gates = ["wall"]', '"echo_to_echo", gates = ["wall", "second"]')
    turned = turned.replace(
        '"time_zero_to_echo", gates = ["wall", "second"]', '"time_zero_to_echo", gates = ["wall"]'
    )
    steps, walls = (5.0, 6.0, 8.0, 10.0), (5.0, 10.0)
    yield case("second interval first", turned, clean, steps, walls, rows, painted=paint)


SURFACE_WITNESSED = """
probe = { arrangement = "immersion", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }
witness = { mode = "echo_to_echo", gates = ["wall", "second", "third"] }
[[gate]]
name = "surface"
start_us = 10.0
stop_us = 40.0
threshold = 0.1
echo = "largest"
[[gate]]
name = "wall"
follows = "surface"
start_mm = 3.0
stop_mm = 30.0
threshold = 0.004
half_cycles = "opposite"
echo = "largest"
timing = "correlation"
[[gate]]
name = "second"
follows = "wall"
start_mm = 3.0
stop_mm = 30.0
threshold = 0.002
half_cycles = "same"
[[gate]]
name = "third"
follows = "second"
start_mm = 3.0
stop_mm = 30.0
threshold = 0.001
half_cycles = "same"
"""


def immersed(path_mm: float, wander_mm: float, samples: int) -> Scenario:
    return Scenario(
        record=RecordTable(samples=samples, start_us=5.0, bits=14),
        probe=ProbeTable(
            arrangement="immersion", path_mm=path_mm, path_wander_mm=wander_mm, delay_us=0.35
        ),
        receiver=ReceiverTable(gain=0.8, noise=0.0004, gain_spread_db=1.0),
    )


def of_water(rows: int) -> Iterator[Case]:
    """Yield moving water paths: second interval of three echoes, surface repeats, whole records."""
    clean = immersed(20.0, 2.0, 4200)
    short = immersed(12.0, 1.0, 4200)
    made = on_steps(clean, (4.0, 6.0, 9.0, 12.0), 4, 31)
    yield Case(
        "immersion, three echoes",
        SURFACE_WITNESSED,
        records_of(made),
        known_of(made),
        {
            "clean": records_of(on_plates(clean, (4.0, 12.0), rows, 32)),
            "thick": records_of(on_plates(clean, (18.0, 28.0), rows, 34)),
            "on the repeat": records_of(on_plates(short, (22.0, 28.0), rows, 35)),
        },
    )
    whole = SURFACE_WITNESSED.split('[[gate]]\nname = "second"')[0]
    whole = whole.replace("interface_to_echo", "whole_record")
    whole = "\n".join(line for line in whole.splitlines() if not line.startswith("witness"))
    whole = whole.replace('timing = "correlation"', "").replace(
        'half_cycles = "opposite"\necho = "largest"', ""
    )
    yield case(
        "immersion, whole record", whole, short, (3.0, 6.0, 12.0, 20.0), (3.0, 29.0), rows,
        noisy=noisy(short, 0.01), painted=stacked(short, coating_mm=0.3),
    )  # fmt: skip


def of_coated_records(rows: int) -> Iterator[Case]:
    line = next(s for s in setups.setups() if s.name == "whole record")
    narrow = line.procedure.text + "\n[range]\nmin_mm = 4.0\nmax_mm = 15.0\n"
    steps = (2.0, 3.0, 5.0, 8.0, 10.0, 14.0, 20.0)
    yield case("whole record, range", narrow, line.clean, steps, line.walls_mm, rows)
    text = line.procedure.text + "\n[coating]\nvelocity_mm_per_us = 2.5\n"
    few = max(rows // 3, 4)
    thin = stacked(line.clean, coating_mm=0.05, coating_velocity_mm_per_us=2.5)
    thick = stacked(line.clean, coating_mm=0.4, coating_velocity_mm_per_us=2.8)
    yield case(
        "whole record, coating", text, line.clean, line.steps_mm, line.walls_mm, few,
        thin=thin, thick=thick, noisy=noisy(thick, 0.01),
    )  # fmt: skip


CONVERTED = """
witness = { mode = "echo_to_converted", gates = ["wall", "converted"] }
[[gate]]
name = "wall"
start_us = 6.0
stop_us = 17.0
echo = "head"
[[gate]]
name = "converted"
follows = "wall"
start_us = 0.8
stop_us = 2.0
threshold = 0.01
echo = "largest"
timing = "envelope"
"""


def of_dual_probes(rows: int) -> Iterator[Case]:
    clean = plain("dual")
    head = setups.DUAL.replace("MODE", "time_zero_to_echo")
    top = head.split("filter")[0]
    middle = 'interval = { mode = "time_zero_to_echo", gates = ["wall"] }\n'
    steps, walls = (8.0, 9.0, 10.0, 12.0), (8.0, 12.0)
    yield case(
        "dual, converted echo", top + middle + CONVERTED, clean, steps, walls, rows,
        noisy=noisy(clean, 0.02),
    )  # fmt: skip
    many = (2.0, 3.0, 5.0, 8.0, 12.0, 20.0)
    thin, late = (0.5, 3.0), (2.5, 19.0)
    hot = (
        "temperature = { block_c = 20.0, component_c = 45.0, u_block_c = 1.0, u_component_c = 3.0 }"
    )
    for name, more in (
        ("dual, pipe along", 'pipe = { outside_diameter_mm = 60.3, barrier = "along" }\n' + hot),
        ("dual, pipe across", 'pipe = { outside_diameter_mm = 60.3, barrier = "across" }'),
    ):
        yield case(name, f"{more}\n{head}", clean, many, late, rows, noisy=noisy(clean, 0.02))
    for mode in ("time_zero_to_echo", "whole_record"):
        text = setups.DUAL.replace("MODE", mode)
        made = on_steps(clean, many, 3, 41)
        yield Case(
            f"dual, six steps, {mode}",
            text,
            records_of(made),
            known_of(made),
            {
                "thin": records_of(on_plates(clean, thin, rows, 42)),
                "film": records_of(on_plates(stacked(clean, couplant_mm=0.03), late, rows, 43)),
                "noisy": records_of(on_plates(noisy(clean, 0.05), late, rows, 44)),
            },
        )
    bare = "\n".join(line for line in head.splitlines() if "wedge" not in line)
    bare = bare.replace("delay_us = 0.35,", "delay_us = 0.35")
    bare = 'probe = { arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35 }\n' + (
        "filter" + head.split("filter")[1].replace("start_mm = -1.0", "start_us = 6.5").replace(
            "stop_mm = 30.0", "stop_us = 18.0")
    )  # fmt: skip
    yield case("dual, no dimensions", bare, clean, many, late, rows)


LEVEL = '{ method = "first_crossing", level = 0.06 }'


def of_records_not_rf(rows: int) -> Iterator[Case]:
    clean = plain("contact")
    steps, walls = (3.0, 6.0, 12.0, 20.0), (3.0, 19.0)
    text = "\n".join(
        line for line in setups.CONTACT.splitlines()
        if not line.startswith(("filter", "half_cycles"))
    ).replace("threshold = 0.015", "threshold = 0.1")  # fmt: skip
    for name, table, timing in (
        ("rectified", {"rectified": True}, '"peak"'),
        ("held", {"held_samples": 4}, LEVEL),
    ):
        record = dataclasses.replace(clean.record, **table)
        form = dataclasses.replace(clean, record=record)
        made, plates = on_steps(form, steps, 4, 31), on_plates(form, walls, rows, 32)
        loud = on_plates(noisy(form, 0.03), walls, rows, 33)
        rate = record.sample_rate_mhz
        told = {"rectified": True} if name == "rectified" else {"peak_held": True}

        def kept(one: Synthesis, rate: float = rate, told: dict[str, Any] = told) -> Records:
            waveforms = one.waveforms()
            meaning = meaning_of(one) | told | {"sample_rate_mhz": rate}
            if waveforms.dtype.kind == "u":
                meaning |= {"full_scale": float(np.iinfo(waveforms.dtype).max)}
            for key in ("clip_low", "clip_high"):
                meaning.pop(key)
            return Records(waveforms, meaning)

        yield Case(
            name, f"{text}\ntiming = {timing}", kept(made), known_of(made),
            {"clean": kept(plates), "noisy": kept(loud)},
        )  # fmt: skip
    made, plates = on_steps(clean, steps, 4, 31), on_plates(clean, walls, rows, 32)

    def gated(one: Synthesis, low: int, high: int) -> Records:
        waveforms = one.waveforms().copy()
        waveforms[:, :low], waveforms[:, high:] = 0, 0
        return records_of(one, waveforms, gated_only=True)

    yield Case(
        "gated", setups.CONTACT, gated(made, 100, 1750), known_of(made),
        {"clean": gated(plates, 100, 1750), "blanked": gated(plates, 300, 700)},
    )  # fmt: skip


def of_conditions(rows: int) -> Iterator[Case]:
    """Yield temperature, verdicts, ranges, allowances, float codes, channels, odd gates."""
    clean = plain("contact")
    steps, walls = (3.0, 6.0, 12.0, 20.0), (3.0, 19.0)
    made, plates = on_steps(clean, steps, 4, 31), on_plates(clean, walls, rows, 32)
    more = """
range = { min_mm = 4.0, max_mm = 15.0 }
decision = { minimum_mm = 9.0, guard = 1.0 }
temperature = { block_c = 20.0, component_c = 45.0, u_block_c = 1.0, u_component_c = 3.0 }
"""
    text = more + setups.CONTACT.replace(
        "component_velocity_percent = 0.1",
        "component_velocity_percent = 0.1, couplant_mm = 0.01, surface_mm = 0.02, "
        "curvature_mm = 0.01, operator_mm = 0.015",
    )
    warm = np.linspace(5.0, 50.0, len(plates))
    yield Case(
        "temperature, verdict, allowances", text, records_of(made), known_of(made),
        {
            "clean": records_of(plates),
            "by column": records_of(
                plates, temperature_c=warm, time_s=4e9 + np.arange(len(plates)), x_mm=warm
            ),
        },
    )  # fmt: skip
    rule = text.replace("block_c = 20.0,", 'rule = "one_percent_per_55_c", block_c = 20.0,')
    yield Case(
        "temperature by rule", rule, records_of(made), known_of(made),
        {"clean": records_of(plates)},
    )  # fmt: skip

    def as_float(one: Synthesis, kind: str, **more: Any) -> Records:
        meaning = {k: v for k, v in meaning_of(one).items() if not k.startswith(("clip", "full"))}
        return Records((one.waveforms() / one.full_scale).astype(kind), meaning | more)

    def holed(one: Synthesis, kind: str) -> Records:
        records = as_float(one, kind)
        records.waveforms[::3, 700] = np.nan
        records.waveforms[1::3, 300:340] = 0.7
        return records

    for kind in ("float32", "float64"):
        yield Case(
            f"codes of {kind}", setups.CONTACT, as_float(made, kind), known_of(made),
            {"clean": as_float(plates, kind), "holes": holed(plates, kind)},
        )  # fmt: skip
    eight = dataclasses.replace(clean, record=dataclasses.replace(clean.record, bits=8))
    yield case("eight bits", setups.CONTACT, eight, steps, walls, rows)
    zero = dataclasses.replace(eight, record=dataclasses.replace(eight.record, zero_code=128))
    unsigned = on_steps(zero, steps, 4, 31)
    told = {"full_scale": 128.0, "clip_low": 0.0, "clip_high": 255.0, "zero_code": 128.0}
    yield Case(
        "unsigned codes", setups.CONTACT, records_of(unsigned, **told), known_of(unsigned),
        {"clean": records_of(on_plates(zero, walls, rows, 32), **told)},
    )  # fmt: skip
    tight = setups.CONTACT.replace("start_mm = 2.0", "start_mm = 4.0").replace(
        "stop_mm = 22.0", "stop_mm = 60.0"
    )
    yield Case(
        "gates beside the record", tight.replace("stop_mm = 60.0", "stop_mm = 22.0"),
        records_of(made), np.where(known_of(made) < 4.0, np.nan, known_of(made)),
        {"thin": records_of(on_plates(clean, (2.0, 6.0), rows, 36)),
         "late record": records_of(plates, start_time_us=3.0),
         "early record": records_of(plates, start_time_us=-4.0)},
    )  # fmt: skip
    freed = setups.CONTACT.replace(
        'gates = ["wall"] }', 'gates = ["wall"], diffraction = "round_element" }'
    ).replace("delay_us = 0.35", "delay_us = 0.35, element_diameter_mm = 6.0")
    yield case("freed of diffraction", freed, clean, steps, walls, rows)
    mislabelled = known_of(made).copy()
    mislabelled[mislabelled == 6.0] = 6.3
    yield Case(
        "calibration in doubt", setups.CONTACT, records_of(made), mislabelled,
        {"clean": records_of(plates)},
    )  # fmt: skip
    soon = setups.CONTACT.replace("start_mm = 2.0", "start_us = 0.05").replace(
        "stop_mm = 22.0", "stop_us = 9.0"
    )
    late = records_of(on_plates(clean, (5.0, 9.0), rows, 37), start_time_us=-2.2)
    yield Case("clock late", soon, records_of(made), known_of(made), {"late": late})


def of_channels(rows: int) -> Iterator[Case]:
    clean = plain("contact")
    two = dataclasses.replace(
        clean, receiver=dataclasses.replace(clean.receiver, channels=2, channel_skew_ns=20.0)
    )
    made = on_steps(two, (3.0, 6.0, 12.0, 20.0), 6, 51)
    plates = on_plates(two, (3.0, 19.0), rows, 52)
    channel = {one: np.asarray(one.truth_columns()["channel"]) for one in (made, plates)}
    yield Case(
        "two channels", setups.CONTACT, records_of(made, channel=channel[made]), known_of(made),
        {"clean": records_of(plates, channel=channel[plates])},
    )  # fmt: skip


STEEL = """
probe = { name = "immersion 5", arrangement = "immersion", frequency_mhz = 5.0, delay_us = 0.5 }
INTERVAL
[[gate]]
name = "surface"
start_us = 10.0
stop_us = 60.0
threshold = 0.25
half_cycles = "negative"
SURFACE
[[gate]]
name = "wall"
follows = "surface"
start_mm = 4.0
stop_mm = 30.0
threshold = 0.04
WALL
SECOND
"""
ALUMINIUM = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
material = { velocity_mm_per_us = 6.42, u_velocity_mm_per_us = 0.05 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "echo_to_echo", gates = ["wall", "second"] }
[[gate]]
name = "wall"
start_us = 11.0
stop_us = 15.0
threshold = 0.1
echo = "largest"
half_cycles = "positive"
[[gate]]
name = "second"
follows = "wall"
start_us = 11.0
stop_us = 14.5
threshold = 0.03
echo = "largest"
half_cycles = "same"
"""


def of_measured_sets() -> Iterator[Case]:
    steel, block = (REAL / f"{name}.npz" for name in (
        "step_block_steel_immersion_5mhz", "block_aluminium_contact_5mhz"))  # fmt: skip
    if steel.is_file():
        with np.load(steel) as found:
            given = {name: found[name] for name in found.files}
        meaning = {n: given[n] for n in ("sample_rate_mhz", "start_time_us", "full_scale")}
        clips = meaning | {"clip_low": -512.0, "clip_high": 511.0}
        records = Records(given["waveforms"], clips)
        ends = np.where(given["checked_mm"] == 15.0, np.nan, given["checked_mm"])
        only_10 = np.where(given["checked_mm"] == 10.0, 10.0, np.nan)
        filtered = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'
        second = """[[gate]]
name = "second"
follows = "wall"
start_mm = 7.0
stop_mm = 30.0
threshold = 0.04
echo = "largest"
half_cycles = "same"
"""
        wall = 'echo = "largest"\nhalf_cycles = "positive"'
        level = 'timing = { method = "first_crossing", level = 0.25 }'
        for name, interval, surface, back, more, known in (
            ("interface_to_echo", '["surface", "wall"]', level, wall, "", ends),
            ("echo_to_echo", '["wall", "second"]', level, wall, second, only_10),
            ("whole_record", '["surface", "wall"]', 'echo = "largest"', "", "", ends),
        ):
            text = STEEL.replace(
                "INTERVAL",
                (filtered if name != "whole_record" else "")
                + f'interval = {{ mode = "{name}", gates = {interval} }}',
            )
            text = text.replace("SURFACE", surface).replace("WALL", back).replace("SECOND", more)
            yield Case(f"measured steel, {name}", text, records, known, {"all": records})
    if block.is_file():
        with np.load(block) as found:
            given = {name: found[name] for name in found.files}
        meaning = {n: given[n] for n in ("sample_rate_mhz", "start_time_us", "full_scale")}
        records = Records(
            given["waveforms"],
            meaning | {"clip_low": -128.0, "clip_high": 127.0, "x_mm": given["x_mm"]},
        )
        known = np.where(np.arange(64) < 16, 40.0, np.nan)
        yield Case("measured aluminium", ALUMINIUM, records, known, {"all": records}, 0.1)


SOURCES: tuple[Callable[[int], Iterator[Case]], ...] = (
    of_methods,
    of_trains_and_second_intervals,
    of_water,
    of_coated_records,
    of_dual_probes,
    of_records_not_rf,
    of_conditions,
    of_channels,
)


def cases(rows: int, seed: int) -> Iterator[Case]:
    """Return every case; measured sets where they are on this machine."""
    yield from of_difficulties(rows, seed)
    for source in SOURCES:
        yield from source(rows)
    yield from of_measured_sets()


def write_cases(folder: Path, rows: int, seed: int) -> None:
    """Write every case to a folder of its own."""
    for one in cases(rows, seed):
        write_case(one, folder)
