"""Whole records of coated walls: which coating it may be, the usual search with it, then the fit.

The surface echo alone tells roughly which coating lies on the wall. For the likeliest few, the
records are searched and judged as bare ones are, by pulses changed as the coating would; what
explains a record best is then fitted with the coating free.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ascan.base.flags import FATAL, Flag, is_fatal
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.whole_record.coated_fit import CoatedFit, CoatedRecord, Problem
from ascan.whole_record.coated_front import APART, FURTHEST, CoatedFronts, Guess
from ascan.whole_record.coating import Coating, bare_of
from ascan.whole_record.operator import Operator
from ascan.whole_record.rivals import (
    AS_LIKELY,
    HOPELESS,
    MOST_LEFT,
    MOST_LEFT_SHARE,
    cost_of,
    load_window,
    other_echo,
    trust_less,
)
from ascan.whole_record.search import NEAR, products_of
from ascan.whole_record.stage import LONGEST_US, SHORTER_MM, RecordStage

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
JUDGED_ANEW = Flag.RIVAL_READING | Flag.UNLIKE_MODEL | Flag.OTHER_ECHO


@dataclass(frozen=True, eq=False, slots=True)
class Try:
    """A row as the search with one kind of coating reads it."""

    kind: tuple[int, int]
    guess: Guess
    place_us: float
    spacing_us: float
    left: float
    flags: int
    rival_us: float
    rival_odds: float

    @property
    def refused(self) -> bool:
        """Whether more speaks against it than a fit of the coating may answer."""
        fatal = self.flags & int(FATAL) & ~int(Flag.RIVAL_READING)
        return bool(fatal) or not np.isfinite(self.spacing_us + self.left)


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
        """Return pulses of surface and first wall echo under a coating.

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

    def run(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        picked_us: FloatArray,
        noise: FloatArray,
        flags: FlagArray,
    ) -> Columns:
        """Return what the fits of a block give (see `RecordStage.run`)."""
        rows = len(block)
        names = ("interval_us", "u_interval_us", "unexplained", "rival_us", "rival_odds")
        more = ("coating_us", "grown")
        columns: Columns = {name: np.full(rows, np.nan) for name in (*names, *more)}
        guess_us = picked_us + self.bare.model.lag_us
        for name in ("repeat_us", "unfreed_us"):
            columns[name] = self.bare.repeat_us(guess_us, start_time_us, block.shape[1])
        columns["freed_us"] = np.full(rows, np.inf)
        tries = self._searched(block, start_time_us, picked_us, noise, flags)
        for row, found in enumerate(tries):
            if found:
                self._settle(row, found, block[row], start_time_us[row], noise[row], columns, flags)
        return columns

    def _searched(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        picked_us: FloatArray,
        noise: FloatArray,
        flags: FlagArray,
    ) -> list[list[Try]]:
        """Return what the likeliest kinds of coating read on each row, the bare wall among them."""
        tries: list[list[Try]] = [[] for _ in block]
        wanted: dict[tuple[int, int], list[tuple[int, Guess, float]]] = {}
        for row in np.flatnonzero(~is_fatal(flags)):
            place = (picked_us[row] + self.bare.model.lag_us - start_time_us[row]) * self.rate
            for guess, where in self._likely(block[row], place):
                lean = round((guess.mismatch - self.mismatch) / MISMATCH_STEP)
                kind = (guess.number, lean if guess.number else 0)
                wanted.setdefault(kind, []).append((int(row), guess, where))
        for kind, chosen in wanted.items():
            which = np.array([row for row, _, _ in chosen])
            places = np.array([where for _, _, where in chosen])
            place_us = places / self.rate + start_time_us[which]
            own = flags[which].copy()
            seen = self.stage(kind).run(
                block[which],
                start_time_us[which],
                place_us - self.bare.model.lag_us,
                noise[which],
                own,
            )
            for k, row in enumerate(which):
                tries[row].append(
                    Try(
                        kind,
                        chosen[k][1],
                        float(place_us[k]),
                        float(seen["interval_us"][k]),
                        float(seen["unexplained"][k]),
                        int(own[k]),
                        float(seen["rival_us"][k]),
                        float(seen["rival_odds"][k]),
                    )
                )
        return tries

    @property
    def rate(self) -> float:
        """Samples in a µs."""
        return self.fit.sample_rate_mhz

    def _likely(self, record: AnyArray, place: float) -> list[tuple[Guess, float]]:
        """Return the likeliest coatings by a record's surface echo, and where it then is.

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

    def _settle(
        self,
        row: int,
        tries: list[Try],
        record: AnyArray,
        start_us: float,
        noise: float,
        columns: Columns,
        flags: FlagArray,
    ) -> None:
        """Fit the coating of a row from what was searched, and write what that gives."""
        usable = sorted((one for one in tries if not one.refused), key=lambda one: one.left)
        if not usable:
            least = min(tries, key=lambda one: one.left if np.isfinite(one.left) else np.inf)
            flags[row] |= np.uint32(least.flags)
            return
        best = usable[0]
        begin, problem = self._problem(record, best, start_us, noise)
        fits: list[tuple[float, Try, CoatedRecord]] = []
        for one in self._different(usable):
            found = problem.found(self._start(one, begin, start_us))
            if found is not None:
                fits.append((self._score(found), one, found))
        if not fits:
            flags[row] |= np.uint32(best.flags | int(Flag.NO_ECHO))
            return
        fits.sort(key=lambda one: one[0])
        fits = self._beside(fits, problem)
        _, one, found = fits[0]
        full = self.bare.recording.full_scale
        odds, rival_us = one.rival_odds * (one.left * full / found.noise) ** 2, one.rival_us
        alike = [found]
        for score, _, other in fits[1:]:
            if abs(other.numbers[1] - found.numbers[1]) < SAME * self.fit.period:
                if np.abs(other.numbers[2:4] - found.numbers[2:4]).max() > 1e-3:
                    alike.append(other)
                continue
            behind = (score - fits[0][0]) / found.noise**2
            if not behind > odds:
                odds, rival_us = behind, other.numbers[1] / self.rate
        found = self.fit.open_delay(problem, alike)
        columns["interval_us"][row] = found.numbers[1] / self.rate
        columns["u_interval_us"][row] = found.u_spacing / self.rate
        columns["unexplained"][row] = found.noise / full
        columns["coating_us"][row], columns["grown"][row] = found.numbers[2], found.grown
        judged, where_us = self._judged(found, one, noise)
        if judged & int(Flag.RIVAL_READING):
            rival_us = where_us
        columns["rival_us"][row], columns["rival_odds"][row] = rival_us, odds
        if odds < self.bare.limits["least_record_odds"]:
            judged |= int(Flag.RIVAL_READING)
        flags[row] |= np.uint32(one.flags & ~int(JUDGED_ANEW) | judged)

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

    def _problem(
        self, record: AnyArray, one: Try, start_us: float, noise: float
    ) -> tuple[int, Problem]:
        """Return the first sample of what is fitted, and the problem that it is."""
        recording, model = self.bare.recording, self.bare.model
        place = (one.place_us - start_us) * self.rate
        begin = max(int(place) - self.reach - model.zero_index - model.zero_index // 2, 0)
        repeat = (2.0 * one.place_us - self.bare.delay_us - start_us) * self.rate - model.zero_index
        longest = begin + int(LONGEST_US * self.rate)
        end = min(int(repeat), record.size, longest)
        samples, weight = np.empty(end - begin, np.float32), np.empty(end - begin, np.float32)
        clips = (float(recording.clip_low), float(recording.clip_high))
        load_window(record, float(recording.zero_code), clips, begin, samples, weight)
        late_us = one.guess.number * self.step_us
        front = self._pulses(late_us, one.guess.mismatch, self.reach, spread=True)[0]
        front = front.astype(np.float32)
        first = round(place) - begin - model.zero_index - self.reach
        inside = slice(max(first, 0), min(first + front.size, samples.size))
        under = front[inside.start - first : inside.stop - first]
        height = float(under @ samples[inside]) / max(float(under @ under), 1e-30)
        half = int(np.ceil(0.5 * self.fit.period))
        scatter = model.interface_scatter * abs(height)
        trust_less(samples, weight, front, first, scatter, float(noise), half)
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

    def _beside(
        self,
        fits: list[tuple[float, Try, CoatedRecord]],
        problem: Problem,
    ) -> list[tuple[float, Try, CoatedRecord]]:
        """Return fits, best first, that do not stay half a period of delay beside a better one.

        There an echo of the other sign is as like it as can be, so that no small step leads across.
        """
        period_us = 1.0 / self.bare.frequency_mhz
        for _ in range(MOST_MOVES):
            _, one, found = fits[0]
            tried = []
            for periods, way in ((-0.5, -1.0), (0.5, -1.0), (-1.0, 1.0), (1.0, 1.0)):
                start = found.numbers * np.array([1.0, 1.0, 1.0, way, 1.0])
                start[2] += periods * period_us
                if start[2] <= 0.0 or abs(start[3] - self.mismatch) > FURTHEST:
                    continue
                moved = problem.found(start)
                if moved is not None:
                    tried.append((self._score(moved), one, moved))
            best = fits[0][0]
            fits = sorted([*fits, *tried], key=lambda more: more[0])
            if best - fits[0][0] < MOVED * found.noise**2:
                break
        return fits

    def _score(self, found: CoatedRecord) -> float:
        """Return energy left, what the heights of many echoes cost counted in."""
        wall = self.bare.model.wall_pulse.astype(np.float32)
        variance = found.noise**2
        return found.left + variance * cost_of(
            found.heights[1:], wall, self.bare.model.decay, variance
        )

    def _judged(self, found: CoatedRecord, one: Try, noise: float) -> tuple[int, float]:
        """Return flags of what the fit leaves, and the spacing of what may be the wall instead."""
        stage, judged = self.stage(one.kind), 0
        place, spacing, wall = found.numbers[0], found.numbers[1], found.heights[1]
        products = np.empty(found.residual.size)
        left = found.residual.astype(np.float32)
        products_of(left, stage.comb.wall, int(stage.model.zero_index), products)
        share, by_noise, where = other_echo(
            products, stage.comb.wall, wall, found.noise, place, spacing, self.fit.period
        )
        if share > stage.most_other + by_noise:
            judged |= int(Flag.OTHER_ECHO)
            if share > AS_LIKELY and where < spacing:
                judged |= int(Flag.RIVAL_READING)
        if found.noise > max(MOST_LEFT * noise, MOST_LEFT_SHARE * abs(wall)):
            judged |= int(Flag.UNLIKE_MODEL)
        return judged, where / self.rate
