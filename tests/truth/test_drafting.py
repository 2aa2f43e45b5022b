"""A procedure drafted from step records: what the echoes are, what is refused, what is reached."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of

from ascan import AscanError, Procedure, Scan, Wishes, calibrate, draft_procedure, measure
from ascan.base.flags import is_marked
from ascan.drafting.beside import changes
from ascan.drafting.candidates import Candidate, opens_largest
from ascan.drafting.drafting import ground_of
from ascan.drafting.pulse import records_of
from ascan.drafting.tracks import tracks_of
from ascan.drafting.trials import Trial
from ascan.kernels.arrays import FloatArray

VELOCITY_MM_PER_US, NOISE = 5.93, 0.003
STEPS_MM = np.repeat([3.1, 5.3, 9.7, 17.9], 3)
TIME_US = np.arange(3000) / SAMPLE_RATE_MHZ
ORIGINS_US = {"contact": 0.4, "delay_line": 8.7, "immersion": 11.0}


def records(
    arrangement: str,
    walls_mm: FloatArray,
    seed: int = 1,
    *,
    loss: float = 0.7,
    late_us: FloatArray | float = 0.0,
) -> Scan:
    """Return echoes of walls: three of each, behind an interface echo where there is one.

    Each is ``loss`` times the one before, and comes ``late_us`` late.
    """
    rng = np.random.default_rng(seed)
    origin_us = np.full(walls_mm.size, ORIGINS_US[arrangement])
    if arrangement == "immersion":
        origin_us += rng.uniform(-1.5, 1.5, walls_mm.size)
    signal = NOISE * rng.standard_normal((walls_mm.size, TIME_US.size))
    if arrangement != "contact":
        signal += 0.8 * burst(TIME_US, origin_us)
        # The path's own repeat: the trigger is 0.3 µs before the sound leaves.
        signal += 0.1 * burst(TIME_US, 2.0 * origin_us - 0.3)
    for n in range(1, 4):
        own = 0.3 * loss**n * rng.uniform(0.9, 1.1, walls_mm.size)
        echo = burst(TIME_US, origin_us + late_us + n * 2.0 * walls_mm / VELOCITY_MM_PER_US)
        signal -= own[:, None] * echo
    return scan_of(signal.astype(np.float32), full_scale=1.0)


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_the_echoes_say_what_they_are(arrangement: str) -> None:
    found = records_of(records(arrangement, STEPS_MM), STEPS_MM)
    assert found.frequency_mhz == pytest.approx(5.0, rel=0.05)
    assert found.bandwidth_percent == pytest.approx(60.0, abs=12.0)
    assert found.noise == pytest.approx(NOISE, rel=0.3)
    tracks = tracks_of(found)
    assert tracks.arrangement == arrangement
    assert tracks.velocity_mm_per_us == pytest.approx(VELOCITY_MM_PER_US, rel=0.01)
    assert np.abs(tracks.first - 0.21).max() < 0.04
    if arrangement != "contact":
        assert tracks.delay_us == pytest.approx(0.3, abs=0.06)


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_what_is_drafted_reads_other_walls_right(arrangement: str) -> None:
    draft = draft_procedure(
        records(arrangement, STEPS_MM), STEPS_MM, Wishes(arrangement=arrangement)
    )
    assert draft.trials[0].right == 1.0
    procedure = Procedure.from_text(draft.text)
    assert procedure.probe.arrangement == arrangement
    fit = calibrate(records(arrangement, STEPS_MM, 2), procedure, STEPS_MM, u_known_mm=0.002)
    walls_mm = np.random.default_rng(3).uniform(3.3, 17.0, 40)
    readings = measure(records(arrangement, walls_mm, 4), procedure, fit)
    assert np.abs(readings.thickness_mm - walls_mm).max() < 0.02
    assert is_marked(readings.flags).mean() <= 0.1


def test_every_value_of_a_draft_has_its_reason() -> None:
    draft = draft_procedure(
        records("contact", STEPS_MM), STEPS_MM, Wishes(arrangement="contact", range_mm=(4.0, 15.0))
    )
    values = [line for line in draft.text.splitlines() if " = " in line]
    numbers = [line for line in values if line.split(" = ")[1][:1].isdigit()]
    explained = [line for line in numbers if "#" in line]
    # A number without a comment is the second of a pair.
    assert len(explained) >= len(numbers) - 2
    assert "min_mm = 4                # stated" in draft.text


def test_an_arrangement_is_proposed_and_not_assumed() -> None:
    with pytest.raises(AscanError, match=r"look like immersion.*--arrangement immersion"):
        draft_procedure(records("immersion", STEPS_MM), STEPS_MM)


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_a_step_that_bears_the_wrong_label_is_named(arrangement: str) -> None:
    labels = np.where(STEPS_MM == 5.3, 7.0, STEPS_MM)
    with pytest.raises(AscanError, match=r"7 mm echoes as 5\.[23]"):
        draft_procedure(records(arrangement, STEPS_MM), labels, Wishes(arrangement=arrangement))


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_labels_in_reverse_are_told(arrangement: str) -> None:
    with pytest.raises(AscanError, match="run the other way than their echoes"):
        draft_procedure(
            records(arrangement, STEPS_MM), STEPS_MM[::-1], Wishes(arrangement=arrangement)
        )


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_a_component_is_no_block(arrangement: str) -> None:
    steps_mm = np.repeat([3.1, 5.3, 9.7, 17.9], 5)
    walls_mm = np.random.default_rng(9).uniform(3.0, 18.0, steps_mm.size)
    with pytest.raises(AscanError, match=r"is this a component.s scan|contradict their echoes"):
        draft_procedure(records(arrangement, walls_mm), steps_mm, Wishes(arrangement=arrangement))


@pytest.mark.parametrize("arrangement", ["contact", "delay_line"])
def test_a_painted_step_is_named(arrangement: str) -> None:
    """0.3 mm of paint delays all echoes of a step by 0.26 µs, and leaves their spacing."""
    late = np.where(STEPS_MM == 9.7, 0.26, 0.0)
    with pytest.raises(
        AscanError, match=r"late as a whole.*9\.7 mm by 0\.2[0-9] µs; is it painted"
    ):
        draft_procedure(
            records(arrangement, STEPS_MM, late_us=late), STEPS_MM, Wishes(arrangement=arrangement)
        )


def test_records_without_an_echo_are_left_out() -> None:
    """Half of them, one step whole: what is left is drafted from, and told."""
    scan = records("contact", STEPS_MM)
    waves = scan.rows.read_block(0, len(scan)).copy()
    lost = np.arange(len(scan)) % 2 == 0
    lost[STEPS_MM == 3.1] = True
    waves[lost] = NOISE * np.random.default_rng(2).standard_normal((int(lost.sum()), TIME_US.size))
    draft = draft_procedure(scan_of(waves, full_scale=1.0), STEPS_MM, Wishes(arrangement="contact"))
    assert draft.records.steps_mm.tolist() == [5.3, 9.7, 17.9]
    assert any(f"{int(lost.sum())} of 12 step records hold no echo" in each for each in draft.notes)
    waves[:] = waves[0]
    with pytest.raises(AscanError, match="holds no echo on the steps"):
        draft_procedure(scan_of(waves, full_scale=1.0), STEPS_MM, Wishes(arrangement="contact"))


def test_an_interface_echo_that_clips_as_another_does_is_sought_first() -> None:
    """Water whose repeat clips, too, on the thick step: the largest of the gate may be either."""
    rng = np.random.default_rng(4)
    origin_us = 8.0 + 0.5 * rng.uniform(-1.0, 1.0, STEPS_MM.size)
    signal = NOISE * rng.standard_normal((STEPS_MM.size, TIME_US.size))
    for late_us, height in ((0.0, 2.0), (3.0, 1.6)):
        signal += height * burst(TIME_US, origin_us + late_us)
    for n in range(1, 4):
        signal -= 0.2 * 0.6**n * burst(TIME_US, origin_us + n * 2.0 * STEPS_MM / VELOCITY_MM_PER_US)
    scan = scan_of(np.clip(signal, -1.0, 1.0).astype(np.float32), full_scale=1.0)
    found = records_of(scan, STEPS_MM)
    assert found.rail == 1.0
    both, one = (origin_us.min() - 1.0, origin_us.max() + 4.0), (origin_us.min() - 1.0, 9.0)
    at = origin_us[found.rows]
    assert not opens_largest(found, at, both)
    assert opens_largest(found, at, one)


def test_a_step_that_is_read_goes_before_a_small_spread() -> None:
    few = Trial(candidate=Candidate(name="a", text=""), right=0.7, unmarked=0.9, spread_mm=0.001)
    lost = replace(few, lost_mm=(25.0,))
    more = replace(few, right=1.0, unmarked=0.4, spread_mm=0.02)
    assert more.rank > few.rank > lost.rank
    assert replace(more, reason="read no step").rank < lost.rank


def test_another_candidate_is_taken_by_its_number() -> None:
    draft = draft_procedure(records("contact", STEPS_MM), STEPS_MM, Wishes(arrangement="contact"))
    assert draft.text_of(1) == draft.text
    second = draft.trials[1]
    if not second.reason:
        assert draft.text_of(2) == second.candidate.text != draft.text
    for number in (0, len(draft.trials) + 1):
        with pytest.raises(AscanError, match=f"is {number}; allowed: 1 to"):
            draft.text_of(number)
    out = [k for k, trial in enumerate(draft.trials, 1) if trial.reason]
    for number in out[:1]:
        with pytest.raises(AscanError, match="is out"):
            draft.text_of(number)


def test_coated_and_corroded_decide_before_any_spread() -> None:
    scan = records("delay_line", STEPS_MM)
    for wishes, modes in (
        ({"coated": True}, {"echo to echo"}),
        ({"corroded": True}, {"interface to", "whole record"}),
    ):
        found = draft_procedure(scan, STEPS_MM, Wishes(arrangement="delay_line", **wishes))
        for trial in found.trials:
            assert any(trial.candidate.name.startswith(mode) for mode in modes)


@pytest.mark.parametrize("arrangement", ORIGINS_US)
def test_a_component_is_looked_at_too(arrangement: str) -> None:
    """Its echoes are a fifth of the block's, and a second one is hardly there."""
    walls_mm = np.random.default_rng(3).uniform(3.3, 17.0, 60)
    corroded = records(arrangement, walls_mm, 4, loss=0.14)
    scan = records(arrangement, STEPS_MM)
    alone, with_it = (
        ground_of(found := records_of(scan, STEPS_MM), tracks_of(found), wishes)
        for wishes in (Wishes(), Wishes(component=corroded))
    )
    seen = with_it.component
    assert seen is not None
    # By envelopes in noise: to half a period, 0.1 µs.
    assert np.abs(seen.walls_mm - walls_mm).max() < 0.3
    # Behind a line some fall on its repeat.
    assert seen.second_heard < 0.2
    assert np.median(seen.first) == pytest.approx(0.3 * 0.14, abs=0.01)
    assert seen.noise == pytest.approx(NOISE, rel=0.3)
    assert with_it.threshold("first")[0] < alone.threshold("first")[0]
    assert any("--corroded" in line for line in seen.lines(with_it.range_mm))
    draft = draft_procedure(
        scan, STEPS_MM, Wishes(arrangement=arrangement, component=corroded, corroded=True)
    )
    assert draft.trials[0].read >= 0.0
    assert "component" in "\n".join(draft.lines())


def test_a_procedure_is_tried_beside_the_draft() -> None:
    wishes = Wishes(arrangement="contact")
    first = draft_procedure(records("contact", STEPS_MM), STEPS_MM, wishes)
    other = first.text.replace("frequency_mhz = ", "frequency_mhz = 1")
    again = draft_procedure(
        records("contact", STEPS_MM), STEPS_MM, replace(wishes, beside=(first.text, other))
    )
    same, changed = again.beside
    assert same.spread_mm == again.trials[0].spread_mm
    assert changes(same.candidate.text, again.text) == []
    assert [line.split(":")[0] for line in changes(changed.candidate.text, again.text)] == [
        "probe.frequency_mhz"
    ]


def test_one_step_and_thin_ones() -> None:
    one = np.full(4, 9.7)
    draft = draft_procedure(records("contact", one), one, Wishes(arrangement="contact"))
    assert "[range]" not in draft.text
    assert any("fewer than three steps" in note for note in draft.notes)
    with pytest.raises(AscanError, match="no mode measures"):
        draft_procedure(
            records("contact", STEPS_MM), STEPS_MM, Wishes(arrangement="dual", coated=True)
        )


def test_steps_in_inches_are_asked_about() -> None:
    wishes = Wishes(arrangement="contact")
    with pytest.raises(AscanError, match="inches"):
        draft_procedure(records("contact", STEPS_MM), STEPS_MM / 25.4, wishes)


def test_what_is_no_record_of_steps_is_refused() -> None:
    scan = records("contact", STEPS_MM)
    nothing = np.full(STEPS_MM.size, np.nan)
    with pytest.raises(AscanError, match="no record stands on a step"):
        draft_procedure(scan, nothing, Wishes(arrangement="contact"))
    with pytest.raises(AscanError, match="has shape"):
        draft_procedure(scan, STEPS_MM[:3], Wishes(arrangement="contact"))
    sizes = Scan.from_array(
        np.abs(scan.rows.read_block(0, len(scan))), sample_rate_mhz=100.0, rectified=True
    )
    with pytest.raises(AscanError, match="no RF records"):
        draft_procedure(sizes, STEPS_MM, Wishes(arrangement="contact"))
    silent = scan_of(np.zeros((STEPS_MM.size, 500), np.float32), full_scale=1.0)
    with pytest.raises(AscanError, match="no signal"):
        draft_procedure(silent, STEPS_MM, Wishes(arrangement="contact"))


@pytest.mark.parametrize(
    ("wish", "word"),
    [
        ({"arrangement": "through"}, "arrangement"),
        ({"range_mm": (9.0, 3.0)}, "least wall first"),
        ({"element_diameter_mm": -1.0}, "element diameter"),
    ],
)
def test_wishes_that_cannot_be_met(wish: dict[str, object], word: str) -> None:
    with pytest.raises(AscanError, match=word):
        Wishes(**wish)  # type: ignore[arg-type]
