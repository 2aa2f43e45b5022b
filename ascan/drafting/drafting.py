"""The face of drafting: step records in, a commented procedure with its reasons out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ascan.base.errors import fault
from ascan.drafting.beside import changes
from ascan.drafting.candidates import ABOVE, BELOW, LEARNED_FROM, Candidate, Ground, candidates
from ascan.drafting.component import component_of
from ascan.drafting.pulse import Records, records_of, some_of_each
from ascan.drafting.tracks import INCHES_BELOW_MM, Tracks, tracks_of
from ascan.drafting.trials import Trial, tried
from ascan.drafting.wishes import Wishes
from ascan.kernels.arrays import FloatArray
from ascan.path.material import Material
from ascan.procedure.written import Procedure
from ascan.results.shown import length
from ascan.waveform.flat_tops import flat_tops
from ascan.waveform.scan import Progress, Scan, check_scan

# Seed of the noise that copies of the steps get.
SEED = 7
# A velocity so far off steel's is told: a wrong sample rate looks like another material.
UNUSUAL = 0.05
# So many records of each step choose; the chosen procedure is then calibrated on all.
CHOOSE_BY = 3


LEGEND = [
    "  right: share of noisy copies of the step records read right; unmarked: of these; spread: "
    "rms of their errors;",
    "  left out: most that an inner step was off, not calibrated on; component: share of its "
    "records read unmarked.",
    "  The first: most steps read, then most right, then most unmarked, then least spread.",
]


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Draft:
    """A drafted procedure and what it rests on.

    Attributes
    ----------
    text : str
        TOML, every value with its reason.
    trials : tuple of Trial
        Of every candidate, the best first.
    records : Records
    tracks : Tracks
    notes : tuple of str
        What could not be known, and what would make it better.
    beside : tuple of Trial
        Of the procedures that were to be tried beside it.
    """

    text: str
    trials: tuple[Trial, ...]
    records: Records
    tracks: Tracks
    notes: tuple[str, ...]
    beside: tuple[Trial, ...] = ()

    def text_of(self, number: int) -> str:
        """Return the procedure of a candidate, by its number in the table, from 1.

        Raises
        ------
        AscanError
            No such candidate, or one that is out.
        """
        if not 1 <= number <= len(self.trials):
            raise fault("candidate", f"is {number}", allowed=f"1 to {len(self.trials)}")
        trial = self.trials[number - 1]
        if trial.reason:
            raise fault(f"candidate {number}", f"is out: {trial.reason}")
        return trial.candidate.text

    def lines(self) -> list[str]:
        """Return in words what was seen, what was tried, and what to note."""
        tracks, records = self.tracks, self.records
        found = [
            f"pulse {records.frequency_mhz:.2f} MHz, {records.bandwidth_percent:.0f} % wide; noise "
            f"{records.noise:.4f} of full scale",
            f"echoes of {tracks.arrangement}, {tracks.velocity_mm_per_us:.3f} mm/µs, lowest first "
            f"echo {np.nanmin(tracks.first):.3f} of full scale",
            f"{'candidate':<52} right unmarked spread   left out  component",
        ]
        for number, trial in enumerate(self.trials, 1):
            found.append(_row(trial, f"{number:2d} "))
        found += [_row(trial, "") for trial in self.beside]
        found += LEGEND
        for trial in self.beside:
            found.append(_against(trial, self.trials[0]))
            told = changes(trial.candidate.text, self.text)
            found.append(f"{trial.candidate.name}: {len(told)} keys would change")
            found += [f"  {line}" for line in told]
        return found + [f"to note: {note}" for note in self.notes]


def _against(trial: Trial, best: Trial) -> str:
    """Return how a procedure beside the draft stands against it."""
    if trial.reason:
        return f"{trial.candidate.name} is out: {trial.reason}"
    word = "BETTER than" if trial.rank > best.rank else "no better than"
    return f"{trial.candidate.name} is {word} the draft by this table"


def _row(trial: Trial, number: str) -> str:
    """Return what a candidate reached, as a row of the table."""
    name = f"{number}{trial.candidate.name:<{52 - len(number)}}"
    if trial.reason:
        return f"{name} out: {trial.reason}"
    left = "-" if np.isnan(trial.left_out_mm) else length(trial.left_out_mm)
    read = "-" if np.isnan(trial.read) else f"{100.0 * trial.read:.0f} %"
    row = (
        f"{name} {100.0 * trial.right:4.0f} % {100.0 * trial.unmarked:5.0f} %  "
        f"{length(trial.spread_mm):<8} {left:<9} {read:<9}"
    )
    if trial.lost_mm:
        row += f" does not read {', '.join(f'{step:g} mm' for step in trial.lost_mm)}"
    return row.rstrip()


def draft_procedure(
    scan: Scan,
    known_mm: FloatArray,
    wishes: Wishes | None = None,
    *,
    progress: Progress | None = None,
) -> Draft:
    """Draft a procedure from records of a step block.

    Parameters
    ----------
    scan : Scan
        RF records of the steps.
    known_mm : ndarray, shape (n,)
        Thickness of the step that each stands on; NaN: none.
    wishes : Wishes, optional
        What no record can tell.
    progress : callable, optional
        Called with (candidates tried, candidates in all).

    Returns
    -------
    draft : Draft

    Raises
    ------
    AscanError
        Records without steps or signal, steps that contradict their echoes, an arrangement that is
        not stated, or no candidate that reads its own steps.

    Examples
    --------
    >>> known_mm, t = np.repeat([4.1, 7.3, 12.0], 2), np.arange(2000) / 100.0
    >>> echoes_us = 0.4 + np.outer(known_mm, [1.0, 2.0, 3.0]) / 2.96
    >>> late = t - echoes_us[..., np.newaxis]
    >>> each = np.exp(-(((late) / 0.18) ** 2)) * np.cos(2.0 * np.pi * 5.0 * late)
    >>> waves = np.einsum("i,nij->nj", [0.5, 0.3, 0.2], each)
    >>> noise = 0.002 * np.random.default_rng(1).standard_normal(waves.shape)
    >>> scan = Scan.from_array(waves + noise, sample_rate_mhz=100.0, full_scale=1.0)
    >>> draft = draft_procedure(scan, known_mm, Wishes(arrangement="contact"))
    >>> print(f"{draft.tracks.velocity_mm_per_us:.1f} mm/µs, {len(draft.trials)} tried")
    5.9 mm/µs, 8 tried
    """
    check_scan(scan)
    wishes = wishes or Wishes()
    known = np.asarray(known_mm, np.float64)
    if known.shape != (len(scan),):
        raise fault("known_mm", f"has shape {known.shape}", allowed=f"({len(scan)},)")
    records = records_of(scan, known)
    tracks = tracks_of(records, wishes.arrangement)
    if not wishes.arrangement:
        raise fault(
            "arrangement",
            f"is not stated; the echoes look like {_seen(tracks)}",
            allowed="contact, delay_line, immersion, dual: a wrong one is a wrong zero",
            remedy=f"if it is so, say --arrangement {tracks.arrangement}",
        )
    ground = ground_of(records, tracks, wishes)
    few, few_mm = _few(scan, records)
    beside = _beside(wishes.beside)
    asked, every = candidates(ground), list[Trial]()
    component = None if ground.component is None else ground.component.scan
    for candidate in (*asked, *beside):
        every.append(tried(candidate, few, few_mm, SEED, component))
        if progress is not None:
            progress(len(every), len(asked) + len(beside))
    trials = every[: len(asked)]
    trials.sort(key=lambda trial: trial.rank, reverse=True)
    if trials[0].reason:
        told = "; ".join(f"{trial.candidate.name}: {trial.reason}" for trial in trials)
        raise fault(
            "draft",
            f"no candidate reads its own steps ({told})",
            remedy="steps are in mm: are these inches?"
            if records.steps_mm[-1] < INCHES_BELOW_MM
            else f"look at the records: ascan plot {scan.name} -o look.png",
        )
    return Draft(
        text=trials[0].candidate.text,
        trials=tuple(trials),
        records=records,
        tracks=tracks,
        notes=tuple(_notes(ground, scan)),
        beside=tuple(every[len(asked) :]),
    )


def ground_of(records: Records, tracks: Tracks, wishes: Wishes) -> Ground:
    """Return what candidates stand on, the component's own records included where there are any."""
    ground = Ground(records=records, tracks=tracks, wishes=wishes)
    if wishes.component is None:
        return ground
    check_scan(wishes.component)
    low, high = ground.range_mm
    reach_mm = np.array([BELOW * low, ABOVE * high])
    seen = component_of(wishes.component, records, tracks, reach_mm)
    return replace(ground, component=seen)


def _beside(texts: tuple[str, ...]) -> list[Candidate]:
    """Return written procedures as candidates, named by their titles."""
    found = []
    for number, text in enumerate(texts, 1):
        title = Procedure.from_text(text, f"procedure {number} beside").title
        found.append(Candidate(name=f"beside {number}: {title}"[:52], text=text))
    return found


def _seen(tracks: Tracks) -> str:
    origin_us = tracks.origin_us
    if tracks.has_interface:
        moves = tracks.arrangement == "immersion"
        how = f"moves by {float(np.ptp(origin_us)):.2f} µs" if moves else "stays"
        at = f"an interface echo at {np.median(origin_us):.2f} µs, which {how}"
    else:
        at = f"the steps' echoes meet at {origin_us[0]:.2f} µs, where no echo stands"
    return f"{tracks.arrangement} ({at})"


def _few(scan: Scan, records: Records) -> tuple[Scan, FloatArray]:
    """Return some records of each step, of those that hold an echo."""
    some = some_of_each(records.known_mm, CHOOSE_BY)
    return scan.choose(records.rows[some].tolist()), records.known_mm[some]


def _notes(ground: Ground, scan: Scan) -> list[str]:
    """Return what could not be known, and what would make the procedure better."""
    wishes, tracks, steps_mm = ground.wishes, ground.tracks, ground.records.steps_mm
    low, high = ground.range_mm
    found = flat_tops(scan).lines()
    if ground.component is not None:
        found += ground.component.lines(ground.range_mm)
    usual, velocity = Material().velocity_mm_per_us, tracks.velocity_mm_per_us
    if abs(velocity / usual - 1.0) > UNUSUAL and tracks.arrangement != "dual":
        found.append(
            f"the block's velocity is {velocity:.2f} mm/µs, steel's {usual:.2f}: is it another "
            "material, or the sample rate wrong?"
        )
    if ground.records.silent:
        looked = ground.records.silent + len(ground.records.rows)
        found.append(f"{ground.records.silent} of {looked} step records hold no echo: left out")
    if steps_mm[0] > 1.05 * low:
        found.append(
            f"no step is as thin as {low:g} mm: below {steps_mm[0]:g} mm all will be marked"
        )
    if steps_mm[-1] < 0.95 * high:
        found.append(
            f"no step is as thick as {high:g} mm: above {steps_mm[-1]:g} mm all will be marked"
        )
    if steps_mm.size < 3:
        found.append("fewer than three steps: no step could be left out to try the others")
    if tracks.has_interface and np.isnan(tracks.delay_us):
        found.append(
            "the interface echo's repeat is not in the records: delay_us is not known, and counts "
            "as 0; record for longer, or state it"
        )
    if steps_mm.size < LEARNED_FROM and (tracks.has_interface or tracks.arrangement == "dual"):
        found.append("four steps and more allow whole records, or a first arrival's path")
    if tracks.has_interface and wishes.element_diameter_mm is None:
        found.append("the element's diameter was not stated: diffraction is left out")
    if tracks.arrangement == "dual" and wishes.dual is None:
        found.append(
            "the dual probe's dimensions were not stated: between steps its path is a plain curve, "
            "thirty times worse than by nominal ones"
        )
    return found
