"""Fit of the cure model to the readings of one or several prints of one bottle.

Every family is brought to its most probable parameters by least squares, sampled
around them, and weighed by its evidence; what comes back is an average over families.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import least_squares
from scipy.stats import chi2, qmc
from scipy.special import ndtri

from calib.families import FAMILIES, Family
from calib.observations import Observation, read_off, readings_mm
from calib.stack import GROWTH_RANGE_MM, ROOT_STEPS, Resins, log_peak_dose
from patterns.errors import RecordError

Array = NDArray[np.float64]

MODEL_U_MM = 0.002
"""Standard uncertainty of the model for one feature, where it fits (trial prints)."""

_DIFFERENCE_STEP = 1e-4
_SCREENED_STARTS = 96
_SPREAD_STARTS = 2
_CARRIED_STARTS = 2
_REFINING_STEPS = 5
_SCREENING_STEPS = 6
_MAX_EVALUATIONS = 60
_LEAST_SLOPE = 1e-3  # per mm; a flatter dose has no outline to speak of
_TOLERANCE = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """A family at its most probable parameters.

    ``z`` (k,) on the standard normal scale, ``covariance`` (k, k) of the normal
    approximation there; ``misfit`` is the sum of squared normalised residuals of the
    data alone, ``effective_parameters`` how many the data decide.  ``outlines_mm``
    (1, s) and ``movements_mm`` (k, s), their derivatives by z, for each observation.
    """

    family: Family
    z: Array
    covariance: Array
    misfit: float
    effective_parameters: float
    log_posterior: float
    outlines_mm: tuple[Array, ...]
    movements_mm: tuple[Array, ...]

    def outlines_near(self, z: Array) -> tuple[Array, ...]:
        """Where the silhouettes lie at places (p, k) near the mode, to first order."""
        low, high = GROWTH_RANGE_MM
        return tuple(
            np.clip(outline + (z - self.z) @ movement, 0.5 * low, 0.5 * high)
            for outline, movement in zip(
                self.outlines_mm, self.movements_mm, strict=True
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """All observations of a bottle, ready to fit with one model uncertainty."""

    observations: tuple[Observation, ...]
    whiteners: tuple[Array, ...]
    log_norm: float
    model_u_mm: float

    @property
    def readings(self) -> int:
        """Number of readings over all observations."""
        return sum(len(o.reading_mm) for o in self.observations)

    def resins(self, family: Family, z: Array) -> Resins:
        """Resins of a family at (p, k) places."""
        first = self.observations[0]
        return family.resins(z, first.normal_exposure_s, first.stacks.layer_mm)


def pose_problem(observations: tuple[Observation, ...], model_u_mm: float) -> Problem:
    """Join the measurement's covariance with the model's own uncertainty.

    The model errs alike for all readings of one kind of feature, so its part is shared
    by them and does not average out over the two sides.
    """
    if not observations:
        raise RecordError(
            "There is no measurement to fit.",
            "Measure a photo of a printed coupon first.",
        )
    whiteners = []
    log_norm = 0.0
    for o in observations:
        same = o.feature[:, None] == o.feature[None, :]
        factor = cholesky(o.covariance_mm2 + model_u_mm**2 * same, lower=True)
        whiteners.append(solve_triangular(factor, np.eye(len(factor)), lower=True))
        log_norm -= float(np.sum(np.log(np.diag(factor) * np.sqrt(2.0 * np.pi))))
    return Problem(
        observations=observations,
        whiteners=tuple(whiteners),
        log_norm=log_norm,
        model_u_mm=model_u_mm,
    )


def misfits(
    problem: Problem,
    resins: Resins,
    near: tuple[Array, ...],
    steps: int = ROOT_STEPS,
) -> Array:
    """Sum of squared normalised residuals of each resin, (p,).

    ``near``: about where the silhouettes lie, (p, s) or (1, s) for each observation;
    ``steps`` of root finding from there.
    """
    total = np.zeros(len(resins))
    for o, whiten, start in zip(
        problem.observations, problem.whiteners, near, strict=True
    ):
        reading, _ = readings_mm(o, resins, start, steps)
        total += np.sum(((reading - o.reading_mm) @ whiten.T) ** 2, axis=1)
    return total


def find_mode(problem: Problem, family: Family, carried: Array) -> Mode:
    """Most probable parameters of a family, from several starts.

    Parameters
    ----------
    problem : Problem
        The readings.
    family : Family
        The model.
    carried : (n, k) float array
        Places to start from beside the best of a spread over the prior, such as the
        modes of other families; n may be 0.
    """
    k = len(family.parameters)
    spread = ndtri(qmc.Halton(k, scramble=False).random(_SCREENED_STARTS + 1)[1:])
    places = np.vstack(
        [
            group[np.argsort(_energies(problem, family, group))[:count]]
            for group, count in ((spread, _SPREAD_STARTS), (carried, _CARRIED_STARTS))
            if len(group)
        ]
    )
    fits = []
    for place in places:
        residuals = _Residuals(problem, family)
        fitted = minimise(
            residuals,
            place,
            max_evaluations=_MAX_EVALUATIONS,
            tolerance=_TOLERANCE,
        )
        fits.append((fitted.cost, fitted, residuals))
    _, fit, residuals = min(fits, key=lambda f: f[0])
    outlines, movements = residuals.outlines(fit.x)
    data = problem.readings
    covariance = np.linalg.inv(fit.jacobian.T @ fit.jacobian)
    sensitivity = fit.jacobian[:data]
    return Mode(
        family=family,
        z=fit.x,
        covariance=covariance,
        misfit=float(np.sum(fit.residuals[:data] ** 2)),
        effective_parameters=float(
            np.trace(sensitivity @ covariance @ sensitivity.T)
        ),
        log_posterior=problem.log_norm - fit.cost - 0.5 * k * np.log(2.0 * np.pi),
        outlines_mm=outlines,
        movements_mm=movements,
    )


def lack_of_fit(mode: Mode, readings: int) -> tuple[float, float]:
    """Degrees of freedom and the probability of a misfit this large by chance."""
    freedom = max(readings - mode.effective_parameters, 1.0)
    return freedom, float(chi2.sf(mode.misfit, freedom))


def find_modes(problem: Problem) -> tuple[Mode, ...]:
    """Most probable parameters of every family, each started from those before it."""
    modes: list[Mode] = []
    for family in FAMILIES:
        k = len(family.parameters)
        carried = [family.carry(m.family, m.z) for m in modes]
        modes.append(find_mode(problem, family, np.reshape(carried, (-1, k))))
    return tuple(modes)


def _energies(problem: Problem, family: Family, z: Array) -> Array:
    """Twice the negative log posterior at places (p, k), but for a constant."""
    seen = tuple(o.seen_outline_mm for o in problem.observations)
    misfit = misfits(problem, problem.resins(family, z), seen, _SCREENING_STEPS)
    return np.asarray(misfit + np.sum(z**2, axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Minimum:
    """Where least squares ended: place, residuals, Jacobian, half the sum of squares."""

    x: Array
    residuals: Array
    jacobian: Array
    cost: float


def minimise(
    residuals: Callable[[Array], Array],
    start: Array,
    *,
    max_evaluations: int = 2000,
    tolerance: float = 1e-14,
) -> Minimum:
    """Nonlinear least squares by Levenberg-Marquardt (MINPACK, through scipy).

    The callable may bring its own ``jacobian(x)``; else it is taken by differences.
    """
    jacobian = getattr(residuals, "jacobian", "2-point")
    fit = least_squares(
        residuals,
        start,
        jac=jacobian,
        method="lm",
        x_scale="jac",
        xtol=tolerance,
        ftol=tolerance,
        gtol=tolerance,
        max_nfev=max_evaluations,
    )
    return Minimum(
        x=fit.x, residuals=fit.fun, jacobian=np.asarray(fit.jac), cost=float(fit.cost)
    )


class _Residuals:
    """Normalised residuals of the readings, then of the prior, at one place z.

    The Jacobian comes from the dose at the outlines found last: where the outline is
    a zero of f(x, z), it moves by -(df/dz) / (df/dx).
    """

    def __init__(self, problem: Problem, family: Family) -> None:
        self._problem = problem
        self._family = family
        self._z: Array | None = None
        self._outlines = [o.seen_outline_mm for o in problem.observations]

    def __call__(self, z: Array) -> Array:
        resins = self._problem.resins(self._family, z[None])
        parts = []
        for i, (o, whiten) in enumerate(
            zip(self._problem.observations, self._problem.whiteners, strict=True)
        ):
            reading, self._outlines[i] = readings_mm(
                o, resins, self._outlines[i], _REFINING_STEPS
            )
            parts.append(whiten @ (reading[0] - o.reading_mm))
        self._z = z.copy()
        return np.concatenate([*parts, z])

    def outlines(self, z: Array) -> tuple[tuple[Array, ...], tuple[Array, ...]]:
        """Silhouettes (1, s) and their derivatives (k, s), for each observation."""
        if self._z is None or not np.array_equal(z, self._z):
            self(z)
        k = len(z)
        places = z + np.vstack([np.zeros(k), _DIFFERENCE_STEP * np.eye(k)])
        resins = self._problem.resins(self._family, places)
        movements = []
        for o, outline in zip(self._problem.observations, self._outlines, strict=True):
            level, slope = log_peak_dose(o.stacks, resins)(
                np.repeat(outline, k + 1, axis=0)
            )
            change = (level[1:] - level[0]) / _DIFFERENCE_STEP
            movements.append(-change / np.minimum(slope[0], -_LEAST_SLOPE))
        return tuple(self._outlines), tuple(movements)

    def jacobian(self, z: Array) -> Array:
        """Derivative of the residuals by z, (n + k, k)."""
        _, movements = self.outlines(z)
        parts = [
            whiten @ read_off(o, moved).T
            for o, whiten, moved in zip(
                self._problem.observations,
                self._problem.whiteners,
                movements,
                strict=True,
            )
        ]
        return np.vstack([*parts, np.eye(len(z))])
