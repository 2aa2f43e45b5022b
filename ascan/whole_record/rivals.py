"""Each record's best explanation, its nearest rival, and what speaks against both."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.kernels.arrays import AnyArray, FlagArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import lay
from ascan.whole_record.fit import (
    DENSE,
    ECHOES,
    ROUNDS,
    WAVES,
    add,
    fit_record,
    lay_waves,
    solve_heights,
    take_off,
    weigh,
)
from ascan.whole_record.search import (
    APART,
    NEAR,
    best_spacings,
    find_front,
    products_of,
    score_spacings,
)

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
RIVAL = np.uint32(Flag.RIVAL_READING)
LOW_SNR = np.uint32(Flag.LOW_SNR)
WEAK = np.uint32(Flag.WEAK_ECHO)
OTHER = np.uint32(Flag.OTHER_ECHO)
UNLIKE = np.uint32(Flag.UNLIKE_MODEL)
UNCOUPLED = np.uint32(Flag.UNCOUPLED)
OUTSIDE = np.uint32(Flag.GATE_OUTSIDE_RECORD)

CANDIDATES = 3
# A train is there if it takes so many variances of what is left off the energy, and this part of
# what surface echo and baseline leave.
LEAST_GAIN, LEAST_SHARE = 44.0, 0.02
# No wall echo is so many times as high as the first one; noise may add so many deviations.
MOST_GROWTH, GROWTH_NOISE = 1.6, 4.0
# Noise may leave an echo of so many of its deviations (once in 10⁵ records). One that is told and
# comes ahead of the wall's may be the wall where it is this part of it.
OTHER_SIGMAS, AS_LIKELY = 6.0, 0.5
# So many periods round the surface echo and the wall's, what is left is their own.
OWN_PERIODS = 1.5
# What is left may be so many times the noise, or this part of the wall echo's height.
MOST_LEFT, MOST_LEFT_SHARE = 2.0, 0.03
# A sample that stands out by so many times what is left, and its neighbours do not, is a spike.
SPIKE, SPIKE_NEIGHBOUR = 8.0, 0.4
# A fit is given up that leaves so many times what the best one does.
HOPELESS = 2.0
# No record is quieter than a third of a code.
LEAST_NOISE = 0.3
# Behind a surface echo of the other polarity a wall echo this part of the usual is none.
FAINT = 0.3
# Noise is related over so many periods at most.
RELATED = 1.0
RESULTS = 8


@compiled
def load_window(
    record: AnyArray,
    zero: float,
    clips: tuple[float, float],
    begin: int,
    samples: AnyArray,
    weight: AnyArray,
) -> None:
    """Write a window of a record, clipped samples and their neighbours at 0."""
    size = samples.size
    clipped = False
    for j in range(size):
        code = np.float64(record[begin + j])
        samples[j] = code - zero
        weight[j] = 1.0
        if code <= clips[0] or code >= clips[1]:
            clipped = True
            weight[j] = 0.0
    if clipped:
        for j in range(size):
            code = np.float64(record[begin + j])
            if code <= clips[0] or code >= clips[1]:
                weight[max(j - 1, 0)] = 0.0
                weight[min(j + 1, size - 1)] = 0.0
        for j in range(size):
            samples[j] *= weight[j]


@compiled
def load_rails(
    record: AnyArray, zero: float, clips: tuple[float, float], begin: int, rails: AnyArray
) -> bool:
    """Write the clipping level where a window's samples clip, from zero, else 0; tell if any do."""
    found = False
    for j in range(rails.size):
        code = np.float64(record[begin + j])
        rails[j] = 0.0
        if code <= clips[0] or code >= clips[1]:
            rails[j], found = code - zero, True
    return found


@compiled
def trust_less(
    samples: AnyArray,
    weight: AnyArray,
    shape: AnyArray,
    start: int,
    scatter: float,
    noise: float,
    half: int,
) -> None:
    """Let samples under the surface echo count for less: it is not quite the same everywhere.

    ``scatter`` is by how much, in codes where the echo's size is 1; its size is the largest within
    half a period.
    """
    if not scatter > 0.0:
        return
    for j in range(max(start, 0), min(start + shape.size, samples.size)):
        size = np.float32(0.0)
        for k in range(max(j - start - half, 0), min(j - start + half + 1, shape.size)):
            size = max(size, abs(shape[k]))
        share = np.float32(1.0 / np.sqrt(1.0 + (scatter * size / max(noise, LEAST_NOISE)) ** 2))
        samples[j] *= share
        weight[j] *= share


@compiled
def drop_spikes(residual: AnyArray, level: float, samples: AnyArray, weight: AnyArray) -> int:
    """Set lone samples far off the model to weight 0; return how many."""
    dropped = 0
    for j in range(1, residual.size - 1):
        size = abs(residual[j])
        if size <= SPIKE * level or weight[j] == 0.0:
            continue
        beside = max(abs(residual[j - 1]), abs(residual[j + 1]))
        if beside < SPIKE_NEIGHBOUR * size:
            weight[j] = 0.0
            samples[j] = 0.0
            dropped += 1
    return dropped


@compiled
def influence(
    starts: IntArray,
    shapes: AnyArray,
    dense: AnyArray,
    columns: tuple[int, int],
    moved: AnyArray,
    shared: AnyArray,
    inverse: AnyArray,
    out: AnyArray,
) -> None:
    """Write by how much the spacing follows each sample."""
    by_begin, by_spacing = inverse[1, 0], inverse[1, 1]
    for j in range(out.size):
        out[j] = np.float32(by_begin) * moved[0, j] + np.float32(by_spacing) * moved[1, j]
    heights = by_begin * shared[0] + by_spacing * shared[1]
    take_off(out, starts, shapes, dense, columns, heights)


@compiled
def related_noise(residual: AnyArray, follows: AnyArray, lags: int, free: int) -> float:
    """Return the standard deviation of a weighted sum of noise related as the residual is.

    Not less than what unrelated noise of the same level gives: the fit takes up noise that is like
    an echo, so that what is left seems to hold less of it.
    """
    size = residual.size
    total, alone = 0.0, 0.0
    for lag in range(min(lags, size - 1)):
        noise = dot(residual[: size - lag], residual[lag:]) / free
        weight = dot(follows[: size - lag], follows[lag:])
        total += (1.0 if lag == 0 else 2.0) * noise * weight
        if lag == 0:
            alone = noise * weight
    return float(np.sqrt(max(total, alone)))


@compiled
def cost_of(heights: AnyArray, shape: AnyArray, decay: float, variance: float) -> float:
    """Return twice the log odds that a train's free heights cost it.

    Each had to be found among as many values as noise lets be told in the range that a dying train
    leaves it (Laplace's approximation to the evidence): else many thin echoes would fit all noise.
    """
    told = heights[0] ** 2 * dot(shape, shape) / max(variance, 1e-300)
    cost = 0.0
    for _ in range(heights.size):
        cost += np.log1p(told)
        told *= decay * decay
    return float(cost)


@compiled
def other_echo(
    products: AnyArray,
    shape: AnyArray,
    wall: float,
    noise: float,
    place: float,
    spacing: float,
    period: float,
) -> tuple[float, float, float]:
    """Return the largest echo that is left and what noise may leave, over the wall's; its spacing.

    ``products`` are of the wall's pulse with what is left. Looked at is all that comes after the
    surface echo, but for the wall's own first echo.
    """
    energy = dot(shape, shape)
    best, where = 0.0, 0.0
    for j in range(int(place + OWN_PERIODS * period) + 1, products.size):
        if abs(j - place - spacing) < OWN_PERIODS * period:
            continue
        if abs(products[j]) > best:
            best, where = abs(products[j]), j - place
    by_noise = OTHER_SIGMAS * noise / np.sqrt(energy)
    return best / energy / abs(wall), by_noise / abs(wall), where


@compiled
def two_best(
    lefts: AnyArray, costs: AnyArray, spacings: AnyArray, same: float, variance: float
) -> tuple[int, int]:
    """Return the candidate that explains most for what it costs, and the next; -1 for none."""
    first, second = -1, -1
    best, next_best = np.inf, np.inf
    for c in range(lefts.size):
        if lefts[c] + variance * costs[c] < best:
            first, best = c, lefts[c] + variance * costs[c]
    for c in range(lefts.size):
        score = lefts[c] + variance * costs[c]
        if score < next_best and abs(spacings[c] - spacings[first]) >= same:
            second, next_best = c, score
    return first, second


@compiled
def own_left(
    rest: AnyArray, weight: AnyArray, start: int, shape: AnyArray, height: float, half: int
) -> float:
    """Return what is left within ``half`` samples of an echo's top, as a share of the echo there.

    Both are root mean squares; NaN where nothing of the echo counts.
    """
    top = int(np.argmax(np.abs(shape)))
    left, energy = 0.0, 0.0
    for j in range(max(top - half, -start, 0), min(top + half + 1, shape.size, rest.size - start)):
        if weight[start + j] > 0.0:
            left += np.float64(rest[start + j]) ** 2
            energy += (height * np.float64(shape[j])) ** 2
    return np.sqrt(left / energy) if energy > 0.0 else np.nan


@compiled
def fit_records(
    block: AnyArray,
    zero: float,
    clips: tuple[float, float],
    guess: AnyArray,
    ends: IntArray,
    noise: AnyArray,
    banks: tuple[AnyArray, AnyArray],
    scale: tuple[float, float],
    setup: AnyArray,
    usual: AnyArray,
    period: float,
    decay: float,
    comb: tuple[AnyArray, AnyArray, AnyArray, AnyArray],
    comb_numbers: tuple[float, float, float],
    longest: int,
    limits_told: tuple[float, float, float, float, float],
    results: AnyArray,
    flags: FlagArray,
) -> None:
    """Fit every record of a block.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    zero, clips : float
        Code of zero, and the clipping levels.
    guess : ndarray, shape (n,)
        Where the surface echo may be, in samples of the record (NaN: nowhere).
    ends : ndarray, shape (n,), int64
        Where the window ends: before the path repeats itself.
    noise : ndarray, shape (n,)
        Standard deviation of the record's noise, in codes.
    banks, scale, setup, decay
        As for `fit_record`; the last two of ``setup`` are the usual height of the first wall
        echo against the surface echo, and the scatter of the surface echo.
    usual : ndarray, shape (n,)
        Where the surface echo usually is, in samples of the record.
    period : float
        In samples.
    comb, comb_numbers
        Front and wall pulse, levels and energies of `Comb`; least spacing, turn, front's energy.
    longest : int
        Of a window, in samples.
    limits_told : tuple of float
        Twice the log odds that a rival must be behind by, or ``RIVAL_READING``; what the first wall
        echo must be of its usual height, or ``WEAK_ECHO``, and of what is left, or ``LOW_SNR``;
        what another echo may be of it, or ``OTHER_ECHO``.
    results : ndarray, shape (n, RESULTS)
        Gets spacing, its standard uncertainty (samples), what is left (codes), the rival's spacing,
        twice the log odds against it, what of the first wall echo is left (share of its root mean
        square), its height over the noise, and the largest echo that neither the fit nor noise
        explains over it.

    Notes
    -----
    Flags: ``NO_ECHO``, ``UNCOUPLED``, ``RIVAL_READING`` (fatal); ``UNLIKE_MODEL``, ``LOW_SNR``,
    ``OTHER_ECHO``, ``WEAK_ECHO``.
    """
    before, size = int(setup[0]), banks[0].shape[3]
    quiet = before // 2
    least, turn, front_energy = comb_numbers
    least_odds, least_strength, most_strength, least_snr, most_other = limits_told
    samples, weight = np.empty(longest, np.float32), np.empty(longest, np.float32)
    residual, follows = np.empty(longest, np.float32), np.empty(longest, np.float32)
    products, rails = np.empty(longest), np.empty(longest, np.float32)
    few = ECHOES + 2
    starts = np.zeros(few, np.int64)
    shapes, slopes = np.empty((few, size), np.float32), np.empty((few, size), np.float32)
    gram, heights = np.empty((few + DENSE, few + DENSE)), np.zeros(few + DENSE)
    shared, inverse = np.empty((2, few + DENSE)), np.empty((2, 2))
    scores, candidates = np.empty(comb[3].shape[0]), np.empty(CANDIDATES)
    lefts, costs, fitted = np.empty(CANDIDATES), np.zeros(CANDIDATES), np.zeros((CANDIDATES, 2))
    numbers, setup_row = np.empty(2), setup.copy()
    lags = int(np.ceil(RELATED * period))
    results[:] = np.nan
    for row in range(block.shape[0]):
        if flags[row] & FATAL_BITS:
            continue
        begin = int(np.floor(guess[row])) - before - quiet
        end = min(ends[row], block.shape[1])
        cut = max(-begin, 0)
        begin += cut
        wide = min(end - begin, longest)
        if cut > quiet or wide < size:
            flags[row] |= OUTSIDE
            continue
        y, w = samples[:wide], weight[:wide]
        moved, basis = np.empty((2, wide), np.float32), np.empty((DENSE, wide), np.float32)
        load_window(block[row], zero, clips, begin, y, w)
        any_clipped = load_rails(block[row], zero, clips, begin, rails[:wide])
        rest = residual[:wide]
        setup_row[4] = usual[row] - begin
        near = guess[row] - begin
        reach, seen = int(np.ceil(NEAR * period)), rails[: wide if any_clipped else 0]
        place, front = find_front(y, w, seen, comb[0], before, near, reach, False)
        whole = int(np.rint(place))
        starts[0] = whole - before
        late_mm = (place - setup_row[4]) * setup[3]
        lay(banks[0], scale, late_mm, place - whole, shapes[0], slopes[0])
        half = int(np.ceil(0.5 * period))
        trust_less(y, w, shapes[0], starts[0], setup[6] * abs(front), noise[row], half)
        weigh(shapes[0], starts[0], w)
        lay_waves(w, basis)
        rest[:] = y
        add(rest, starts[0], shapes[0], -front)
        products_of(rest, comb[1], before, products[:wide])
        score_spacings(
            products[:wide], place, np.sign(front), front_energy, comb[2], least, turn, comb[3],
            scores,
        )  # fmt: skip
        count = best_spacings(scores, least, APART * period, candidates)
        limits = (least - 1.0, least + 0.5 * scores.size + 1.0)
        lefts[:], least_left = np.inf, np.inf
        for c in range(count):
            numbers[0], numbers[1] = place, candidates[c]
            left, shaped, _ = fit_record(
                y, w, numbers, banks, scale, setup_row, period, decay, limits, ROUNDS,
                HOPELESS * least_left, starts, shapes, slopes, basis, gram, heights, rest, moved,
                shared, inverse,
            )  # fmt: skip
            if not np.isfinite(left) or heights[0] * heights[1] <= 0.0:
                continue
            noisy = GROWTH_NOISE * np.sqrt(left / wide) / (np.linalg.norm(shapes[1]) + 1e-30)
            most = MOST_GROWTH * abs(heights[1]) + noisy
            if shaped > 2 and np.abs(heights[2:shaped]).max() > most:
                continue
            least_left = min(left, least_left)
            lefts[c], fitted[c] = left, numbers
            costs[c] = cost_of(heights[1:shaped], shapes[1], decay, left / wide)
        first, second = two_best(lefts, costs, fitted[:, 1], 0.2 * period, least_left / wide)
        if first < 0:
            flags[row] |= UNCOUPLED if front < 0.0 else NO_ECHO
            continue
        numbers[:] = fitted[first]
        for attempt in range(2):
            best, shaped, dense_count = fit_record(
                y, w, numbers, banks, scale, setup_row, period, decay, limits, ROUNDS,
                np.inf, starts, shapes, slopes, basis, gram, heights, rest, moved,
                shared, inverse,
            )  # fmt: skip
            if attempt or not drop_spikes(rest, np.sqrt(best / wide), y, w):
                break
            lay_waves(w, basis)
        if not np.isfinite(best):
            flags[row] |= UNCOUPLED if front < 0.0 else NO_ECHO
            continue
        columns = (shaped, dense_count)
        free = max(int(w.sum()) - shaped - dense_count - 2, 1)
        variance = max(best / free, 1e-300)
        influence(starts, shapes, basis, columns, moved, shared, inverse, follows[:wide])
        u = related_noise(rest, follows[:wide], lags, free)
        own = np.sqrt(variance * dot(follows[:wide], follows[:wide]))
        colour = max(u / max(own, 1e-300), 1.0)
        height_front, height_wall = heights[0], heights[1]
        alone = solve_heights(y, starts, shapes, basis, (1, WAVES), gram, heights, follows[:wide])
        loudness = variance * colour * colour
        odds, rival_spacing = np.inf, np.nan
        if second >= 0:
            odds = (lefts[second] - best) / loudness + costs[second] - costs[first]
            rival_spacing = fitted[second, 1]
        gain = (alone - best) / loudness - costs[first]
        results[row, 0], results[row, 1], results[row, 2] = numbers[1], u, np.sqrt(variance)
        results[row, 3], results[row, 4] = rival_spacing, odds
        faint = abs(height_wall) < FAINT * setup[5] * abs(height_front)
        if (
            gain < LEAST_GAIN
            or alone - best < LEAST_SHARE * alone
            or (height_front < 0.0 and faint)
        ):
            flags[row] |= UNCOUPLED if height_front < 0.0 else NO_ECHO
            continue
        if abs(height_wall) < least_strength * setup[5] * abs(height_front):
            flags[row] |= WEAK
        if abs(height_wall) > most_strength * setup[5] * abs(height_front):
            flags[row] |= OTHER
        products_of(rest, comb[1], before, products[:wide])
        share, by_noise, where = other_echo(
            products[:wide], comb[1], height_wall, np.sqrt(variance), place, numbers[1], period
        )
        results[row, 7] = max(share - by_noise, 0.0)
        if share > most_other + by_noise:
            flags[row] |= OTHER
            if share > AS_LIKELY and where < numbers[1] and where < results[row, 3]:
                flags[row] |= RIVAL
                results[row, 3] = where
        if odds < least_odds:
            flags[row] |= RIVAL
        own_half = int(np.ceil(OWN_PERIODS * period))
        results[row, 5] = own_left(rest, w, starts[1], shapes[1], height_wall, own_half)
        results[row, 6] = abs(height_wall) * np.abs(shapes[1]).max() / noise[row]
        if abs(height_wall) * np.abs(shapes[1]).max() < least_snr * np.sqrt(variance):
            flags[row] |= LOW_SNR
        floor = max(MOST_LEFT * noise[row], MOST_LEFT_SHARE * abs(height_wall))
        if np.sqrt(variance) > floor:
            flags[row] |= UNLIKE
