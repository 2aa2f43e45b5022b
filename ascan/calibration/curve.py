"""Calibration curves: a path's time plus a smooth correction through what the steps leave of it.

The time on a step is zero + scale × path time + a smooth function of the logarithm of thickness,
taken as a Gaussian process: where the path explains the steps it stays near 0, where it does not it
runs through them, and between the steps its own uncertainty is part of the curve's. Which path is
taken is decided by the Bayesian information criterion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import AscanError
from ascan.base.errors import calibration_fault as fault
from ascan.calibration.step_means import StepMeans
from ascan.kernels.arrays import FloatArray

# Crest and flank of an aperture's echo wander over factors of two to three in thickness: the
# correction is as smooth as that (one standard width in ln d).
WIDTH_LN = 1.0
# Even a noiseless record is timed no better than this.
LEAST_U_US = 1e-4
NODES = 1024
# The curve is worked out this far beyond the steps, so that what lies there can be flagged.
BELOW, ABOVE = 0.3, 2.0
SIZES = np.geomspace(1e-4, 1.0, 33)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class PathModel:
    """A path whose time is known as a function of thickness, but for zero and scale.

    Attributes
    ----------
    thickness_mm, time_us : ndarray, shape (n,)
        Both growing; at the velocity the curve is scaled from.
    usual_us : float
        What it is expected to leave of the steps (geometric middle of the prior, a factor of three
        either way).
    doubt : float
        What is added to its criterion beforehand: a path that leaves out known physics must fit
        better by this much to be taken.
    parameters : int
        How many of its numbers were fitted to the steps besides zero and scale.
    """

    name: str
    thickness_mm: FloatArray
    time_us: FloatArray
    usual_us: float
    doubt: float = 0.0
    parameters: int = 0

    def at(self, thickness_mm: FloatArray) -> FloatArray:
        """Return the path's time; beyond its table, on at the table's last slope."""
        d, t = self.thickness_mm, self.time_us
        inside = np.interp(thickness_mm, d, t)
        last = (t[-1] - t[-2]) / (d[-1] - d[-2])
        first = (t[1] - t[0]) / (d[1] - d[0])
        inside = np.where(thickness_mm > d[-1], t[-1] + last * (thickness_mm - d[-1]), inside)
        return np.asarray(
            np.where(thickness_mm < d[0], t[0] + first * (thickness_mm - d[0]), inside)
        )


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class CurveFit:
    """A fitted curve.

    Attributes
    ----------
    model : str
        The path that was taken.
    thickness_mm, time_us, u_time_us : ndarray, shape (nodes,)
        The curve, growing, with its standard uncertainty (common to all readings).
    zero_us, scale : float
        Of the path's time; ``covariance``, shape (2, 2), is theirs.
    correction_us, usual_us : float
        Standard size of the smooth correction, and what is usual for the path.
    residual_us : ndarray, shape (steps,)
        Time on each step minus the curve fitted without that step (with it, below three steps).
    misfit : float
        The largest of them in its own standard uncertainties.
    score : float
        Information criterion; the smaller, the better.
    """

    model: str
    thickness_mm: FloatArray
    time_us: FloatArray
    u_time_us: FloatArray
    zero_us: float
    scale: float
    covariance: FloatArray
    correction_us: float
    usual_us: float
    residual_us: FloatArray
    misfit: float
    score: float


@dataclass(frozen=True, eq=False, slots=True)
class _Steps:
    """Steps as the process sees them: ln thickness, path's time, time, and u of time."""

    ln_d: FloatArray
    path_us: FloatArray
    time_us: FloatArray
    u_us: FloatArray
    u_scale: float

    def without(self, k: int) -> _Steps:
        keep = np.arange(self.ln_d.size) != k
        return _Steps(
            self.ln_d[keep], self.path_us[keep], self.time_us[keep], self.u_us[keep], self.u_scale
        )


@dataclass(frozen=True, eq=False, slots=True)
class _Process:
    """The process conditioned on steps, for one size of the correction."""

    steps: _Steps
    size_us: float
    inverse: FloatArray
    spread: FloatArray
    parameters: FloatArray
    likelihood: float

    def at(self, ln_d: FloatArray, path_us: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return time and its standard uncertainty at thicknesses."""
        steps = self.steps
        design, design_at = _design(steps.path_us), _design(path_us)
        cross = _likeness(ln_d, steps.ln_d) * self.size_us**2
        rest = steps.time_us - design @ self.parameters
        value = design_at @ self.parameters + cross @ (self.inverse @ rest)
        lever = design_at - cross @ (self.inverse @ design)
        variance = (
            self.size_us**2
            - np.einsum("ij,jk,ik->i", cross, self.inverse, cross)
            + np.einsum("ij,jk,ik->i", lever, self.spread, lever)
        )
        return value, np.sqrt(np.maximum(variance, 0.0))


def _design(path_us: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(path_us), path_us], axis=1)


def _likeness(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the correlation of the correction at two thicknesses: twice differentiable, no more.

    Matérn's family with ν = 5/2: Rasmussen and Williams 2006, equation (4.17) (from memory).
    """
    r = np.sqrt(5.0) * np.abs(np.subtract.outer(a, b)) / WIDTH_LN
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r))


def _process(steps: _Steps, size_us: float) -> _Process:
    """Condition the process: generalised least squares for zero and scale, the scale with a prior.

    References
    ----------
    Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, equations (2.41)-(2.45)
    (from memory; the tests compare with plain least squares and with brute force).
    """
    covariance = size_us**2 * _likeness(steps.ln_d, steps.ln_d) + np.diag(steps.u_us**2)
    inverse: FloatArray = np.asarray(np.linalg.inv(covariance), np.float64)
    design = _design(steps.path_us)
    prior = np.diag([0.0, steps.u_scale**-2])
    spread: FloatArray = np.asarray(np.linalg.inv(design.T @ inverse @ design + prior), np.float64)
    pull = design.T @ inverse @ steps.time_us + prior @ np.array([0.0, 1.0])
    parameters = spread @ pull
    rest = steps.time_us - design @ parameters
    off_scale = (parameters[1] - 1.0) / steps.u_scale
    likelihood = -0.5 * (rest @ inverse @ rest + off_scale**2)
    likelihood -= 0.5 * float(np.linalg.slogdet(covariance)[1])
    return _Process(steps, size_us, inverse, spread, parameters, float(likelihood))


@dataclass(frozen=True, eq=False, slots=True)
class _Mixture:
    """Processes of all sizes of the correction, each with its weight."""

    processes: list[_Process]
    weights: FloatArray

    @property
    def best(self) -> _Process:
        """The most likely one."""
        return self.processes[int(np.argmax(self.weights))]

    def at(self, ln_d: FloatArray, path_us: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return time and its standard uncertainty: how large the correction is, is not known."""
        parts = [process.at(ln_d, path_us) for process in self.processes]
        value, u = np.array([p[0] for p in parts]), np.array([p[1] for p in parts])
        mean = self.weights @ value
        return mean, np.sqrt(self.weights @ (u**2 + (value - mean) ** 2))


def _mixture(steps: _Steps, usual_us: float) -> _Mixture:
    """Return the processes with the posterior weights of their sizes, a log-normal prior's."""
    found = [_process(steps, float(size)) for size in SIZES[10.0 * usual_us >= SIZES]]
    prior = [-0.5 * (np.log(one.size_us / usual_us) / np.log(3.0)) ** 2 for one in found]
    log_weight = np.array([one.likelihood for one in found]) + np.array(prior)
    weights = np.exp(log_weight - log_weight.max())
    keep = weights > 1e-4 * weights.max()
    kept = [one for one, is_kept in zip(found, keep, strict=True) if is_kept]
    return _Mixture(kept, weights[keep] / weights[keep].sum())


def _steps_on(means: StepMeans, model: PathModel, u_scale: float) -> _Steps:
    d = means.thickness_mm
    slope = (model.at(d * 1.001) - model.at(d * 0.999)) / (0.002 * d)
    u = np.hypot(np.maximum(means.u_interval_us, LEAST_U_US), slope * means.u_thickness_mm)
    return _Steps(np.log(d), model.at(d), means.interval_us, u, u_scale)


def _score(best: _Process, model: PathModel) -> float:
    """Return the Bayesian information criterion, −2 ln L + k ln n, and the path's doubt."""
    fitted = 2 + model.parameters
    return -2.0 * best.likelihood + fitted * float(np.log(best.steps.ln_d.size)) + model.doubt


def least_score(means: StepMeans, models: list[PathModel], u_scale: float) -> float:
    """Return the criterion of the path that explains step readings best."""
    mixtures = [_mixture(_steps_on(means, model, u_scale), model.usual_us) for model in models]
    scores = [_score(mix.best, model) for mix, model in zip(mixtures, models, strict=True)]
    return min(scores)


def fit_curve(means: StepMeans, model: PathModel, u_scale: float) -> CurveFit:
    """Fit one path and its correction to step readings.

    Parameters
    ----------
    means : StepMeans
    model : PathModel
    u_scale : float
        Prior standard uncertainty of the scale (that of velocity, relative), round 1.

    Raises
    ------
    AscanError
        The times do not grow with the thickness.
    """
    d = means.thickness_mm
    steps = _steps_on(means, model, u_scale)
    mixture = _mixture(steps, model.usual_us)
    best = mixture.best
    nodes = np.geomspace(BELOW * d.min(), ABOVE * d.max(), NODES)
    time, u_time = mixture.at(np.log(nodes), model.at(nodes))
    grows = np.diff(time) > 0.0
    within = (nodes[1:] >= d.min()) & (nodes[1:] <= d.max())
    if not grows[within].all():
        raise fault(
            "calibration",
            "the interval does not grow with the thickness of the steps",
            remedy="look for steps given in the wrong order or echoes picked wrongly",
        )
    # Beyond the steps, only as far as it grows.
    low = int(np.max(np.flatnonzero(~grows & (nodes[1:] < d.min())), initial=-1)) + 1
    high = int(np.min(np.flatnonzero(~grows & (nodes[1:] > d.max())), initial=NODES - 1)) + 1
    residual, misfit = _left_out(steps, best)
    return CurveFit(
        model=model.name,
        thickness_mm=nodes[low:high],
        time_us=time[low:high],
        u_time_us=u_time[low:high],
        zero_us=float(best.parameters[0]),
        scale=float(best.parameters[1]),
        covariance=best.spread,
        correction_us=best.size_us,
        usual_us=model.usual_us,
        residual_us=residual,
        misfit=misfit,
        score=_score(best, model),
    )


def _left_out(steps: _Steps, best: _Process) -> tuple[FloatArray, float]:
    """Return what each step is off the curve fitted without it, and the worst in its own u."""
    count = steps.ln_d.size
    residual, worst = np.zeros(count), 0.0
    for k in range(count):
        process = best if count < 3 else _process(steps.without(k), best.size_us)
        value, u = process.at(steps.ln_d[k : k + 1], steps.path_us[k : k + 1])
        residual[k] = steps.time_us[k] - value[0]
        worst = max(worst, abs(residual[k]) / float(np.hypot(u[0], steps.u_us[k])))
    return residual, worst


def choose_curve(means: StepMeans, models: list[PathModel], u_scale: float) -> list[CurveFit]:
    """Return the fits of several paths, the best first; paths that cannot grow are left out.

    Raises
    ------
    AscanError
        None of them grows with the thickness.
    """
    fits, problems = [], []
    for model in models:
        try:
            fits.append(fit_curve(means, model, u_scale))
        except AscanError as problem:
            problems.append(problem)
    if not fits:
        raise problems[0]
    return sorted(fits, key=lambda fit: fit.score)
