"""What a scenario's tables stand for: pulse, response, and the walls under the beams."""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan_synthetic.aperture import DualProbe, Piston
from ascan_synthetic.layers import Layer
from ascan_synthetic.medium import AIR, GEL, PAINT, PMMA, STEEL, WATER, Medium, water_at
from ascan_synthetic.pulse import CausalPulse, FloatArray, GaussianPulse, Pulse, TemplatePulse
from ascan_synthetic.response import DualElement, Response, single_element
from ascan_synthetic.tables import ProbeTable, Scenario, WallTable, build
from ascan_synthetic.walls import (
    Beam,
    Field,
    Footprints,
    Lamination,
    Pit,
    Roughness,
    look,
    scattered_pits,
)

BACKINGS = {"air": AIR, "water": WATER, "product": Medium(1.3, 0.85)}


def pulse_of(probe: ProbeTable) -> Pulse:
    """Return the probe's pulse."""
    phase = np.radians(probe.phase_deg)
    if probe.pulse == "gaussian":
        return GaussianPulse(probe.centre_mhz, probe.bandwidth, float(phase))
    if probe.pulse == "causal":
        return CausalPulse(probe.centre_mhz, probe.bandwidth, probe.order, float(phase))
    if probe.pulse == "template":
        if len(probe.template) < 4:
            raise ValueError(f"probe.template: has {len(probe.template)} samples; wanted 4 or more")
        return TemplatePulse.from_samples(np.array(probe.template), probe.template_rate_mhz)
    raise ValueError(f"probe.pulse: is '{probe.pulse}'; allowed: gaussian, causal, template")


def path_medium(probe: ProbeTable) -> Medium:
    """Return water or the plastic of a delay line, at the probe's temperature."""
    if probe.arrangement == "immersion":
        return water_at(probe.temperature_c)
    return PMMA.at(probe.temperature_c - 20.0)


def response_of(scenario: Scenario) -> Response:
    """Return what the probe hears of a wall."""
    probe, stack = scenario.probe, scenario.stack
    if stack.backing not in BACKINGS:
        raise ValueError(f"stack.backing: is '{stack.backing}'; allowed: {', '.join(BACKINGS)}")
    steel = dataclasses.replace(
        STEEL,
        velocity_mm_per_us=stack.wall_velocity_mm_per_us,
        attenuation_db_per_mm=stack.attenuation_db_per_mm,
        exponent=stack.attenuation_exponent,
    ).at(stack.wall_temperature_c - 20.0)
    if probe.arrangement == "dual":
        if stack.coating_mm or stack.backing != "air":
            raise ValueError("stack: a dual probe takes bare walls with air behind them only")
        dual = DualProbe(
            width_mm=probe.width_mm,
            length_mm=probe.length_mm,
            gap_mm=probe.gap_mm,
            height_mm=probe.height_mm,
            roof_deg=probe.roof_deg,
            film_mm=max(stack.couplant_mm, 1e-6),
            wall=steel,
        )
        warm = dataclasses.replace(dual, wedge=dual.wedge.at(probe.temperature_c - 20.0))
        return DualElement(
            probe=warm,
            echoes=probe.echoes,
            conversion=probe.conversion,
            cross_talk=probe.cross_talk,
            cross_talk_us=probe.cross_talk_us,
        )
    layers = []
    if stack.couplant_mm:
        layers.append(Layer(GEL, stack.couplant_mm))
    if stack.coating_mm:
        velocity = stack.coating_velocity_mm_per_us
        paint = dataclasses.replace(PAINT, velocity_mm_per_us=velocity)
        layers.append(Layer(paint, stack.coating_mm))
    piston = Piston(probe.radius_mm) if probe.radius_mm else None
    return single_element(
        probe.arrangement,
        path_medium(probe),
        tuple(layers),
        steel,
        BACKINGS[stack.backing],
        piston,
        probe.face,
    )


def walls_of(scenario: Scenario) -> tuple[FloatArray, FloatArray, Footprints]:
    """Return position of every waveform and what its beam sees."""
    wall, probe, seed = scenario.wall, scenario.probe, scenario.seed
    rng = np.random.default_rng([seed, 2**31])
    moved_mm = scenario.receiver.average_over_mm
    beam = Beam(probe.footprint_mm, probe.footprint_rings, moved_mm)
    if wall.steps_mm or wall.uniform_mm:
        thickness = np.repeat(np.array(wall.steps_mm, np.float64), wall.readings)
        if wall.uniform_mm:
            thickness = rng.uniform(wall.uniform_mm[0], wall.uniform_mm[1], wall.count)
        place = np.arange(len(thickness), dtype=np.float64) * wall.pitch_mm
        return place, np.zeros_like(place), _flat(wall, beam, thickness)
    across, along = np.arange(wall.columns, dtype=float), np.arange(wall.rows, dtype=float)
    column, row = np.meshgrid(across, along)
    x, y = column.ravel() * wall.pitch_mm, row.ravel() * wall.pitch_mm
    jitter = wall.position_jitter_mm * rng.standard_normal((2, x.size))
    return x, y, look(_field(wall, seed), beam, x + jitter[0], y + jitter[1])


def _flat(wall: WallTable, beam: Beam, thickness: FloatArray) -> Footprints:
    """Return footprints on plates of given thickness, each with the wall's tilt and roughness."""
    field_ = dataclasses.replace(_field(wall, 0), nominal_mm=0.0, pits=(), laminations=())
    if not (wall.tilt_deg or wall.radius_mm or wall.rough_rms_mm):
        beam = Beam()
    # Far apart, so that no two plates share a patch of roughness.
    y = np.arange(len(thickness), dtype=np.float64) * 100.0
    lifted = dataclasses.replace(field_, nominal_mm=1000.0, waviness_mm=0.0)
    seen = look(lifted, beam, np.zeros_like(y), y)
    depth = seen.depth_mm - 1000.0 + thickness[:, None]
    truth = seen.truth
    return Footprints(
        np.maximum(depth, 0.05),
        seen.weight,
        dataclasses.replace(
            truth,
            **{
                f.name: getattr(truth, f.name) - 1000.0 + thickness
                for f in dataclasses.fields(truth)
            },
        ),
    )


def _field(wall: WallTable, seed: int) -> Field:
    area = (wall.columns * wall.pitch_mm, wall.rows * wall.pitch_mm)
    width = (wall.pit_width_mm[0], wall.pit_width_mm[1])
    scattered = scattered_pits(wall.pits, area, wall.deepest_mm, width, seed, wall.pit_kinds)
    rough = None
    if wall.rough_rms_mm:
        rough = Roughness(
            rms_mm=wall.rough_rms_mm, correlation_mm=wall.rough_correlation_mm, seed=seed
        )
    return Field(
        nominal_mm=wall.nominal_mm,
        tilt_deg=wall.tilt_deg,
        radius_mm=wall.radius_mm,
        waviness_mm=wall.waviness_mm,
        pits=(*scattered, *(build(Pit, pit, "wall.pit") for pit in wall.pit)),
        laminations=tuple(build(Lamination, one, "wall.lamination") for one in wall.lamination),
        roughness=rough,
    )
