"""The least wall to be expected on a whole component of which a part was scanned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import FloatArray
from ascan.results.shown import length
from ascan.survey.cells import Cells
from ascan.survey.extremes import ExtremeFit, Gev, fit_maxima, level_of, log_tail

# Fewer blocks tell next to nothing of a tail; a block counts of which so much was read.
FEWEST, READ = 20, 0.9
# Neighbouring blocks are alike, or walls run thin one way, beyond so many standard errors; the
# blocks follow no one distribution where a draw from the fitted one is as far off it this seldom.
ALIKE, TREND, SELDOM = 2.5, 3.5, 0.01
DRAWS, SEED = 200, 1


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Elsewhere:
    """What block minima say of the ground that nobody looked at.

    Attributes
    ----------
    fit, gumbel : ExtremeFit
        Of negated block minima; with any shape, and with none.
    block_mm : float
        Side of a block.
    left_out : int
        Blocks of which too little was read.
    blocks : float
        In the whole component.
    least_mm : float
        The wall that one block in so many falls below.
    low_mm, high_mm : float
        Its 95 % interval by profile likelihood; not below 0.
    """

    fit: ExtremeFit
    gumbel: ExtremeFit
    block_mm: float
    left_out: int
    blocks: float
    least_mm: float
    low_mm: float
    high_mm: float

    def lines(self) -> list[str]:
        """Return it in words."""
        shape, u_shape = self.fit.best.shape, float(np.sqrt(self.fit.covariance[2, 2]))
        of_gumbel = max(-level_of(self.gumbel.best, self.blocks), 0.0)
        return [
            "THIS EXTRAPOLATES, to ground that corrodes as the scanned ground does, and no other: "
            "another zone, another product or a weld is not in it",
            f"{self.fit.values.size} blocks of {length(self.block_mm, 1)}, {self.left_out} left "
            f"out (too little read); the whole holds {self.blocks:.0f}",
            f"least wall to be expected on the whole: {length(self.least_mm, 2)}, at 95 % between "
            f"{length(self.low_mm, 2)} and {length(self.high_mm, 2)} (profile likelihood)",
            f"shape {shape:+.2f}, u {u_shape:.2f}; with none (Gumbel) {length(of_gumbel, 2)}, log "
            f"likelihood {self.gumbel.likelihood:.2f} against {self.fit.likelihood:.2f}",
        ]


@dataclass(frozen=True, eq=False, slots=True)
class Blocks:
    """Block minima, shape (n,): least wall, its u by noise, and the block's middle.

    ``side_mm`` is that of a block, in whole cells.
    """

    least_mm: FloatArray
    u_mm: FloatArray
    x_mm: FloatArray
    y_mm: FloatArray
    left_out: int
    side_mm: float


def blocks_of(cells: Cells, block_mm: float) -> Blocks:
    """Return the least wall of each block of cells of which enough was read."""
    each = max(round(block_mm / cells.cell_mm), 1)
    thickness, noise = cells.thickness_mm, cells.of_least(cells.places.u_random_mm)
    ny, nx = (size // each for size in thickness.shape)
    found, left_out = [], 0
    for j in range(ny):
        for i in range(nx):
            part = np.s_[j * each : (j + 1) * each, i * each : (i + 1) * each]
            walls = thickness[part]
            if np.isfinite(walls).mean() < READ:
                left_out += 1
                continue
            worst = int(np.nanargmin(walls))
            found.append((walls.flat[worst], noise[part].flat[worst], i + 0.5, j + 0.5))
    columns = np.array(found, np.float64).reshape(-1, 4).T
    side = each * cells.cell_mm
    return Blocks(columns[0], columns[1], columns[2] * side, columns[3] * side, left_out, side)


def least_elsewhere(cells: Cells, block_mm: float, whole_mm2: float) -> Elsewhere:
    """Return the least wall to be expected on a whole component.

    Parameters
    ----------
    cells : Cells
        Of the scanned ground.
    block_mm : float
        Side of a block: large against pits, and so that neighbours know nothing of each other.
    whole_mm2 : float
        Area of the whole component, the scanned ground included.

    Raises
    ------
    AscanError
        Too few blocks, neighbours that are alike, walls that run thin one way, or blocks that
        follow no one distribution.
    """
    scanned_mm2 = cells.area.mm2
    if whole_mm2 < scanned_mm2:
        raise fault(
            "whole",
            f"is {whole_mm2:g} mm², and {scanned_mm2:g} mm² were scanned",
            allowed="the area of the whole component, the scanned ground included",
        )
    blocks = blocks_of(cells, block_mm)
    _refuse_few(blocks)
    _refuse_alike(blocks)
    _refuse_trend(blocks)
    fit = fit_maxima(-blocks.least_mm, blocks.u_mm)
    _refuse_mixture(fit)
    count = whole_mm2 / blocks.side_mm**2
    low, high = fit.interval(count)
    return Elsewhere(
        fit=fit,
        gumbel=fit_maxima(-blocks.least_mm, blocks.u_mm, gumbel=True),
        block_mm=blocks.side_mm,
        left_out=blocks.left_out,
        blocks=count,
        least_mm=max(-fit.return_level(count), 0.0),
        low_mm=max(-high, 0.0),
        high_mm=max(-low, 0.0),
    )


def _refuse_few(blocks: Blocks) -> None:
    if blocks.least_mm.size < FEWEST:
        raise fault(
            "blocks",
            f"are {blocks.least_mm.size}, {blocks.left_out} more were not read well enough",
            allowed=f"{FEWEST} and more",
            remedy="scan more ground, or take smaller blocks",
        )


def _refuse_alike(blocks: Blocks) -> None:
    """Refuse blocks whose neighbours know of each other: their number then says too much."""
    off = blocks.least_mm - blocks.least_mm.mean()
    place = {
        (round(x / blocks.side_mm - 0.5), round(y / blocks.side_mm - 0.5)): k
        for k, (x, y) in enumerate(zip(blocks.x_mm, blocks.y_mm, strict=True))
    }
    pairs = [
        (k, place[i + di, j + dj])
        for (i, j), k in place.items()
        for di, dj in ((1, 0), (0, 1))
        if (i + di, j + dj) in place
    ]
    if len(pairs) < FEWEST or not off.any():
        return
    first, second = np.array(pairs).T
    alike = float(np.mean(off[first] * off[second]) / np.mean(off**2))
    if alike > ALIKE / np.sqrt(len(pairs)):
        raise fault(
            "blocks",
            f"are alike where they are neighbours (correlation {alike:.2f} of {len(pairs)} pairs)",
            allowed="blocks that know nothing of each other",
            remedy="take larger blocks",
        )


def _refuse_trend(blocks: Blocks) -> None:
    """Refuse ground that runs thin one way: it is no sample of anything."""
    along = [each for each in (blocks.x_mm, blocks.y_mm) if np.ptp(each) > 0.0]
    design = np.column_stack([np.ones(blocks.x_mm.size), *along])
    solved, _, rank, _ = np.linalg.lstsq(design, blocks.least_mm, rcond=None)
    left = blocks.least_mm - design @ solved
    variance = float(left @ left) / max(blocks.least_mm.size - int(rank), 1)
    errors = np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
    steep = float(np.max(np.abs(solved[1:] / errors[1:]), initial=0.0))
    if steep > TREND:
        raise fault(
            "blocks",
            f"run thinner one way (a slope of {steep:.1f} standard errors)",
            allowed="ground that is alike all over",
            remedy="judge zones by themselves",
        )


def _refuse_mixture(fit: ExtremeFit) -> None:
    """Refuse blocks that follow no one distribution, such as pitted and sound ones together."""
    rng = np.random.default_rng(SEED)
    seen, worse = _distance(fit.values, fit.best), 0
    for _ in range(DRAWS):
        blocks = 1.0 / rng.uniform(size=fit.values.size)
        drawn = np.array([level_of(fit.best, each) for each in blocks])
        drawn += fit.u * rng.standard_normal(drawn.size)
        worse += _distance(drawn, fit.best) >= seen
    if worse < SELDOM * DRAWS:
        raise fault(
            "blocks",
            f"follow no one distribution (at most {seen:.2f} off the fitted one; of {DRAWS} draws "
            f"{worse} were so far)",
            allowed="ground of one kind",
            remedy="judge pitted and sound ground apart",
        )


def _distance(values: FloatArray, how: Gev) -> float:
    """Return the largest distance between the values' shares and a distribution of such a shape.

    Its location and scale are those that the values' own quartiles ask for: a fit by likelihood of
    every draw would take minutes.
    """
    unit = Gev(0.0, 1.0, how.shape)
    quarters = np.array([level_of(unit, each) for each in (4.0 / 3.0, 2.0, 4.0)])
    own = np.quantile(values, (0.25, 0.5, 0.75))
    scale = max(float(own[2] - own[0]) / float(quarters[2] - quarters[0]), 1e-12)
    z = (np.sort(values) - own[1]) / scale + quarters[1]
    log_t, _ = log_tail(z, how.shape)
    held = np.exp(-np.exp(np.minimum(log_t, 700.0)))
    steps = np.arange(z.size + 1) / z.size
    return float(max(np.max(held - steps[:-1]), np.max(steps[1:] - held)))
