"""Whole records of coated walls: which coating it may be, the usual search with it, then the fit.

The interface echo alone tells roughly which coating lies on the wall. For the likeliest few, the
records are searched and judged as bare ones are, by pulses changed as the coating would; what
explains a record best is then fitted with the coating free.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag, is_fatal
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.whole_record.coated_fit import CoatedFit
from ascan.whole_record.coated_front import APART, FURTHEST, CoatedFronts, Guess, Try
from ascan.whole_record.coated_problem import CoatedRecord, Problem
from ascan.whole_record.coating import Coating, bare_of
from ascan.whole_record.layered_candidates import HOPELESS, cost_of
from ascan.whole_record.layered_evidence import unexpected_echo
from ascan.whole_record.operator import Operator
from ascan.whole_record.search import NEAR, products_of
from ascan.whole_record.stage import LONGEST_US, SHORTER_MM, Judge, RecordStage, ToFit
from ascan.whole_record.window import Window, load_window, trust_less

# Coatings are tried so many periods of delay apart, and so far apart in mismatch.
DELAY_STEP, MISMATCH_STEP = 0.1, 0.1
# Kinds of coating, by the delays that they end with; so many of each are searched with, and the
# bare wall; so many of all are fitted, and those that read another wall.
KINDS, TRIED, FITTED = (1.0, 2.5, 5.0), 2, 3
MOST_DELAY = KINDS[-1]
# A fit may be beside a better one: so many moves lead there, each of which gains so much.
MOST_MOVES, MOVED = 4, 1.0
# Two fits are of the same wall where their spacings differ by less than this part of a period.
SAME = 0.2
# What the search says of the record's rest, a fit of the coating says better.
JUDGED_ANEW = Flag.AMBIGUOUS | Flag.SHAPE_MISMATCH | Flag.UNEXPECTED_ECHO


class Fit(NamedTuple):
    """A fit of the coating, begun from one search, and its score: the less the better."""

    score: float
    begun: Try
    found: CoatedRecord


@dataclass(frozen=True, eq=False, slots=True)
class CoatedStage:
    """Fits whole records of walls that may be coated; thread-safe.

    Attributes
    ----------
    bare : RecordStage
        The stage of bare walls.
    mismatch : float
        Half the logarithm of the coating's impedance over the path's, as expected.
    """

    bare: RecordStage
    mismatch: float
    fit: CoatedFit = field(init=False)
    fronts: CoatedFronts = field(init=False)
    stages: dict[tuple[int, int], RecordStage] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        bare, model = self.bare, self.bare.model
        coating = Coating(
            bare=bare_of(model.strength), mismatch=self.mismatch, frequency_mhz=bare.frequency_mhz
        )
        fit = CoatedFit(
            model=model,
            operator=bare.operator,
            coating=coating,
            sample_rate_mhz=bare.recording.sample_rate_mhz,
            span_mm=(-SHORTER_MM, 0.5 * bare.velocity_mm_per_us * LONGEST_US),
        )
        object.__setattr__(self, "fit", fit)
        steps = np.arange(1.0, round(MOST_DELAY / DELAY_STEP) + 1.0, dtype=np.float64)
        fronts = CoatedFronts.made(
            lambda late_us, mismatch: self._pulses(late_us, mismatch, self.reach, spread=True)[0],
            steps * self.step_us,
            self.mismatch,
            tuple(round(kind / DELAY_STEP) for kind in KINDS),
            round(APART / DELAY_STEP),
            # Pulses of ten samples a period and more are told apart by some of their samples.
            max(int(fit.period / 8.0), 1),
        )
        object.__setattr__(self, "fronts", fronts)

    @property
    def step_us(self) -> float:
        """By how much the delays that are tried differ."""
        return DELAY_STEP / self.bare.frequency_mhz

    @property
    def operator(self) -> Operator:
        """What distance does to an echo."""
        return self.bare.operator

    @property
    def reach(self) -> int:
        """Samples that the slowest coating delays by."""
        return int(np.ceil(MOST_DELAY * self.fit.period))

    def _pulses(
        self, late_us: float, mismatch: float, room: int, *, spread: bool = False
    ) -> FloatArray:
        """Return pulses of surface and first back-wall echo under a coating.

        They are ``room`` samples longer each way than bare ones; ``spread`` as at the surface.
        """
        model = self.bare.model
        size = model.interface_pulse.size + 2 * room
        spectra = self.fit.spectra(size)
        loss = self.fit.usual_loss
        made = spectra.pulses * self.fit.coating.factors(spectra.mhz, late_us, mismatch, loss, 1)
        if spread:
            made = made * self.operator.response(spectra.mhz, np.zeros(1))
        later = model.zero_index + room
        turned = made * np.exp(-1j * spectra.turning * later)
        return np.asarray(
            np.fft.irfft(self.fit.padded(turned, spectra), spectra.transform)[:, :size]
        )

    def stage(self, kind: tuple[int, int]) -> RecordStage:
        """Return the stage of walls under a kind of coating, by steps of delay and mismatch."""
        if kind[0] == 0:
            return self.bare
        if kind not in self.stages:
            late_us, model = kind[0] * self.step_us, self.bare.model
            room = int(np.ceil(late_us * self.rate)) + 1
            mismatch = self.mismatch + kind[1] * MISMATCH_STEP
            front, wall = self._pulses(late_us, mismatch, room)
            model = replace(
                model,
                interface_pulse=front,
                wall_pulse=wall,
                zero_index=model.zero_index + room,
            )
            self.stages[kind] = replace(self.bare, model=model)
        return self.stages[kind]

    def run(self, given: ToFit, flags: FlagArray, judge: Judge) -> Columns:
        """Return what the fits of a block say of themselves (see `RecordStage.run`)."""
        rows = len(given.block)
        names = (
            "interval_us",
            "u_interval_us",
            "residual_rms",
            "alternative_us",
            "alternative_odds",
        )
        more = ("coating_us", "grown")
        columns: Columns = {name: np.full(rows, np.nan) for name in (*names, *more)}
        guess_us = given.picked_us + self.bare.model.lag_us
        for name in ("repeat_us", "unfreed_us"):
            columns[name] = self.bare.repeat_us(given, guess_us)
        columns["freed_us"] = np.full(rows, np.inf)
        tries = self._searched(given, flags, judge)
        for row, found in enumerate(tries):
            if found:
                one = given.chosen(slice(row, row + 1))
                own = flags[row : row + 1]
                for name, value in self._settled(found, one, own, judge).items():
                    columns[name][row] = value
        return columns

    def _searched(self, given: ToFit, flags: FlagArray, judge: Judge) -> list[list[Try]]:
        """Return what the likeliest kinds of coating read on each row, the bare wall among them."""
        tries: list[list[Try]] = [[] for _ in given.block]
        wanted: dict[tuple[int, int], list[tuple[int, Guess, float]]] = {}
        lag_us = self.bare.model.lag_us
        for row in np.flatnonzero(~is_fatal(flags)):
            place = (given.picked_us[row] + lag_us - given.start_time_us[row]) * self.rate
            for guess, where in self._likely(given.block[row], place):
                lean = round((guess.mismatch - self.mismatch) / MISMATCH_STEP)
                kind = (guess.number, lean if guess.number else 0)
                wanted.setdefault(kind, []).append((int(row), guess, where))
        for kind, chosen in wanted.items():
            which = np.array([row for row, _, _ in chosen])
            places = np.array([where for _, _, where in chosen])
            place_us = places / self.rate + given.start_time_us[which]
            own = flags[which].copy()
            part = given.chosen(which)._replace(picked_us=place_us - lag_us)
            seen = self.stage(kind).run(part, own, judge)
            for k, row in enumerate(which):
                tries[row].append(
                    Try(
                        kind=kind,
                        guess=chosen[k][1],
                        place_us=float(place_us[k]),
                        spacing_us=float(seen["interval_us"][k]),
                        left=float(seen["residual_rms"][k]),
                        flags=int(own[k]),
                        alternative_us=float(seen["alternative_us"][k]),
                        alternative_odds=float(seen["alternative_odds"][k]),
                    )
                )
        return tries

    @property
    def rate(self) -> float:
        """Samples in a µs."""
        return self.fit.sample_rate_mhz

    def _likely(self, record: AnyArray, place: float) -> list[tuple[Guess, float]]:
        """Return the likeliest coatings by a record's interface echo, and where it then is.

        The gate's pick may be the coating's own echo, and the one from beneath it comes later.
        """
        reach, size = self.reach, self.fronts.bare.size
        near = int(np.ceil(NEAR * self.fit.period))
        first, lags = int(place) - near, 2 * near + reach + 1
        begin = first - self.bare.model.zero_index - reach
        samples = np.zeros(lags + size - 1)
        low, high = max(-begin, 0), min(samples.size, record.size - begin)
        zero = self.bare.recording.zero_code
        samples[low:high] = record[begin + low : begin + high].astype(np.float64) - zero
        guesses = self.fronts.likely(samples, lags, TRIED)
        return [(guess, float(first + guess.place)) for guess in guesses]

    def _settled(
        self, tries: list[Try], given: ToFit, flags: FlagArray, judge: Judge
    ) -> dict[str, float]:
        """Fit the coating of one row from what was searched, and return what that says."""
        usable = sorted((one for one in tries if not one.refused), key=lambda one: one.left)
        if not usable:
            least = min(tries, key=lambda one: one.left if np.isfinite(one.left) else np.inf)
            flags |= np.uint32(least.flags)
            return {}
        best = usable[0]
        begin, problem = self._problem(best, given)
        fits: list[Fit] = []
        for one in self._different(usable):
            found = problem.found(self._start(one, begin, float(given.start_time_us[0])))
            if found is not None:
                fits.append(Fit(self._score(found), one, found))
        if not fits:
            flags |= np.uint32(best.flags | int(Flag.NO_ECHO))
            return {}
        fits.sort(key=lambda one: one.score)
        return self._explained(self._beside(fits, problem), problem, given, flags, judge)

    def _explained(
        self, fits: list[Fit], problem: Problem, given: ToFit, flags: FlagArray, judge: Judge
    ) -> dict[str, float]:
        """Return what the best of the fits says, and judge it by what the others say."""
        _, one, found = fits[0]
        full = self.bare.recording.full_scale
        odds, alternative_us = (
            one.alternative_odds * (one.left * full / found.noise) ** 2,
            one.alternative_us,
        )
        alike = [found]
        for score, _, other in fits[1:]:
            if abs(other.numbers[1] - found.numbers[1]) < SAME * self.fit.period:
                if np.abs(other.numbers[2:4] - found.numbers[2:4]).max() > 1e-3:
                    alike.append(other)
                continue
            behind = (score - fits[0].score) / found.noise**2
            if not behind > odds:
                odds, alternative_us = behind, other.numbers[1] / self.rate
        found = self.fit.open_delay(problem, alike)
        evidence = self._evidence(found, one, float(given.noise[0]), odds)
        judged = np.zeros(1, np.uint32)
        judge(evidence, judged)
        # An echo that is left, and may be the wall, is the likelier alternative.
        left_us = float(evidence["alternative_us"][0])
        flags |= np.uint32(one.flags & ~int(JUDGED_ANEW)) | judged
        return {
            "interval_us": found.numbers[1] / self.rate,
            "u_interval_us": found.u_spacing / self.rate,
            "residual_rms": found.noise / full,
            "coating_us": found.numbers[2],
            "grown": found.grown,
            "alternative_us": left_us if np.isfinite(left_us) else alternative_us,
            "alternative_odds": odds,
        }

    def _different(self, usable: list[Try]) -> list[Try]:
        """Return the best of the searched, and those of other walls that are no worse by far.

        The bare wall is one of them, for a coating that hardly shows.
        """
        same = SAME / self.bare.frequency_mhz
        hopeful = HOPELESS * usable[0].left ** 2
        bare = [one for one in usable[FITTED:] if one.kind[0] == 0 and one.left**2 <= hopeful]
        best = [*usable[:FITTED], *bare]
        for one in usable[FITTED:]:
            seen = [abs(one.spacing_us - other.spacing_us) < same for other in best]
            if one.left**2 <= hopeful and not any(seen):
                best.append(one)
        return best

    def _problem(self, one: Try, given: ToFit) -> tuple[int, Problem]:
        """Return the first sample of what is fitted, and the problem that it is."""
        record, start_us = given.block[0], float(given.start_time_us[0])
        recording, model = self.bare.recording, self.bare.model
        place = (one.place_us - start_us) * self.rate
        begin = max(int(place) - self.reach - model.zero_index - model.zero_index // 2, 0)
        repeat = (2.0 * one.place_us - self.bare.delay_us - start_us) * self.rate - model.zero_index
        longest = begin + int(LONGEST_US * self.rate)
        end = min(int(repeat), record.size, longest)
        samples, weight = np.empty(end - begin, np.float32), np.empty(end - begin, np.float32)
        clips = (float(recording.clip_low), float(recording.clip_high))
        window = Window(samples, weight)
        load_window(record, float(recording.zero_code), clips, begin, window)
        late_us = one.guess.number * self.step_us
        front = self._pulses(late_us, one.guess.mismatch, self.reach, spread=True)[0]
        front = front.astype(np.float32)
        first = round(place) - begin - model.zero_index - self.reach
        inside = slice(max(first, 0), min(first + front.size, samples.size))
        under = front[inside.start - first : inside.stop - first]
        height = float(under @ samples[inside]) / max(float(under @ under), 1e-30)
        half = int(np.ceil(0.5 * self.fit.period))
        scatter = model.interface_scatter * abs(height)
        trust_less(window, front, first, scatter, float(given.noise[0]), half)
        usual = (model.usual_us - start_us) * self.rate - begin
        return begin, self.fit.problem(samples.astype(np.float64), weight.astype(np.float64), usual)

    def _start(self, one: Try, begin: int, start_us: float) -> FloatArray:
        """Return where the fit of a search begins."""
        return np.array(
            [
                (one.place_us - start_us) * self.rate - begin,
                one.spacing_us * self.rate,
                max(one.guess.number, 0.5) * self.step_us,
                one.guess.mismatch,
                self.fit.usual_loss,
            ]
        )

    def _beside(self, fits: list[Fit], problem: Problem) -> list[Fit]:
        """Return fits, best first, that do not stay half a period of delay beside a better one.

        There an echo of the other sign is as like it as can be, so that no small step leads across.
        """
        period_us = 1.0 / self.bare.frequency_mhz
        for _ in range(MOST_MOVES):
            best, one, found = fits[0]
            tried = []
            for periods, way in ((-0.5, -1.0), (0.5, -1.0), (-1.0, 1.0), (1.0, 1.0)):
                start = found.numbers * np.array([1.0, 1.0, 1.0, way, 1.0])
                start[2] += periods * period_us
                if start[2] <= 0.0 or abs(start[3] - self.mismatch) > FURTHEST:
                    continue
                moved = problem.found(start)
                if moved is not None:
                    tried.append(Fit(self._score(moved), one, moved))
            fits = sorted([*fits, *tried], key=lambda more: more.score)
            if best - fits[0].score < MOVED * found.noise**2:
                break
        return fits

    def _score(self, found: CoatedRecord) -> float:
        """Return energy left, what the heights of many echoes cost counted in."""
        wall = self.bare.model.wall_pulse.astype(np.float32)
        variance = found.noise**2
        return found.left + variance * cost_of(
            found.heights[1:], wall, self.bare.model.decay, variance
        )

    def _evidence(self, found: CoatedRecord, one: Try, noise: float, odds: float) -> Columns:
        """Return what a fit says of itself, as that of a bare wall does; NaN: not weighed anew."""
        stage = self.stage(one.kind)
        place, spacing, wall = found.numbers[0], found.numbers[1], found.heights[1]
        products = np.empty(found.residual.size)
        left = found.residual.astype(np.float32)
        products_of(left, stage.comb.wall, int(stage.model.zero_index), products)
        other = unexpected_echo(
            products, stage.comb.wall, (wall, found.noise), (place, spacing), self.fit.period
        )
        each = {
            "interval_us": spacing / self.rate,
            "alternative_us": np.inf,
            "alternative_odds": odds,
            "left": found.noise,
            "noise": noise,
            "height": wall,
            "top": 1.0,
            "peak": np.nan,
            "usual_left": 0.0,
            "astray": np.nan,
            "relative_amplitude": np.nan,
            "other": other.share,
            "by_noise": other.by_noise,
            "other_us": other.where / self.rate,
        }
        return {name: np.array([value], np.float64) for name, value in each.items()}
