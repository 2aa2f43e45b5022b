"""Diffraction of a round element: the closed form against a sum over pairs of its points.

Echo to echo, as published (measured before the project began): the second echo of a 5 MHz, 6.35 mm
element is 5, 13 and 8 ns early against the first at 5, 10 and 25 mm of steel.
"""

from __future__ import annotations

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import AscanError, Procedure, Scan, time_echoes
from ascan.path.diffraction import lead_table, piston_loss


@pytest.mark.parametrize("s", [0.3, 1.0, 3.0])
def test_closed_form_is_the_mean_pressure_over_the_mirrored_piston(s: float) -> None:
    """Mean over both discs of exp(−ikr) / (i λ r), against the plane wave exp(−ikz); 4 %.

    A sum over 2 x 500 rings and angles for radius 20 wavelengths; the closed form is the limit of
    many wavelengths.
    """
    radius, wavelength = 20.0, 1.0
    path = s * radius**2 / wavelength
    count = 60
    ring = (np.arange(count) + 0.5) / count * radius
    angle = np.linspace(0.0, np.pi, 181)[:-1] + np.pi / 360.0
    out, back, turn = np.meshgrid(ring, ring, angle, indexing="ij")
    apart = np.sqrt(path**2 + out**2 + back**2 - 2.0 * out * back * np.cos(turn))
    weight = out * back
    wave = np.exp(-2j * np.pi * (apart - path) / wavelength) / apart
    # ∫∫ over both discs / area: 2 π ∫ out ... 2 ∫₀^π ...
    whole = (weight * wave).sum() * (radius / count) ** 2 * (np.pi / 180) * 4.0 * np.pi
    mean = whole / (np.pi * radius**2) * 1j / wavelength
    assert abs(mean - piston_loss(np.array([s]))[0]) < 0.04


def test_second_echo_is_early_as_published() -> None:
    path, lead = lead_table(6.35, 5.0, 0.6, 5.92)
    early_ns = [
        1e3 * (np.interp(4.0 * d, path, lead) - np.interp(2.0 * d, path, lead))
        for d in (5.0, 10.0, 25.0)
    ]
    # Given to the nanosecond.
    assert early_ns == pytest.approx([5.0, 13.0, 8.0], abs=1.0)


PROCEDURE = """
[probe]
arrangement = "contact"
frequency_mhz = 5.0
delay_us = 0.35
element_diameter_mm = 6.35
[interval]
mode = "echo_to_echo"
gates = ["one", "two"]
diffraction = "round_element"
[filter]
kind = "gaussian"
centre_mhz = 5.0
bandwidth_mhz = 3.0
"""


@pytest.mark.parametrize("thickness_mm", [5.0, 10.0, 25.0])
def test_freed_intervals_of_a_piston_that_the_laboratory_works_out(thickness_mm: float) -> None:
    """Two derivations: 5 to 14 ns of diffraction, of which 1 ns is left."""
    made = Synthesis(
        Scenario(
            record=RecordTable(bits=16, samples=2200),
            probe=ProbeTable(radius_mm=3.175),
            wall=WallTable(steps_mm=(thickness_mm,)),
            receiver=ReceiverTable(gain=2.0, noise=0.0),
        )
    )
    scan = Scan.from_array(made.waveforms() / made.full_scale, sample_rate_mhz=100.0)
    text = PROCEDURE
    for name, number in (("one", 1), ("two", 2)):
        middle = 0.35 + number * 2.0 * thickness_mm / 5.92
        text += f'[[gate]]\nname = "{name}"\nstart_us = {middle - 0.7}\nstop_us = {middle + 0.7}\n'
        text += "threshold = 0.002\necho = 'largest'\n"
    freed = time_echoes(scan, Procedure.from_text(text)).columns["interval_us"][0]
    plain_text = text.replace('diffraction = "round_element"', "")
    plain = time_echoes(scan, Procedure.from_text(plain_text)).columns["interval_us"][0]
    truth = 2.0 * thickness_mm / 5.92
    assert abs(plain - truth) > 3e-3
    assert freed == pytest.approx(truth, abs=1.5e-3)


def test_it_is_refused_where_it_is_not_worked_out() -> None:
    gates = "".join(
        f'[[gate]]\nname = "{name}"\nstart_us = 1.0\nstop_us = 2.0\nthreshold = 0.1\n'
        for name in ("one", "two")
    )
    for old, new in (("element_diameter_mm = 6.35", ""), ('"contact"', '"immersion"')):
        with pytest.raises(AscanError, match=r"interval\.diffraction"):
            Procedure.from_text((PROCEDURE + gates).replace(old, new))
