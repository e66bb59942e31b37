"""Fit of the cure model to the readings of one or several prints of one bottle.

Every family is brought to its most probable parameters by least squares, sampled
around them, and weighed by its evidence; what comes back is an average over families.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import ndtri
from scipy.stats import chi2, qmc

from calib.families import FAMILIES, Family
from calib.least_squares import Minima, minimise
from calib.observations import (
    FLATTEST_SLOPE,
    Observation,
    read_off,
    readings_mm,
    rough_readings_mm,
)
from calib.stack import GROWTH_RANGE_MM, ROOT_STEPS, Resins, log_peak_dose
from patterns.errors import RecordError

Array = NDArray[np.float64]

MODEL_U_MM = 0.002
"""Standard uncertainty of the model for one feature, where it fits (trial prints)."""

_DIFFERENCE_STEP = 1e-4
_SCREENED_STARTS = 250
_SPREAD_STARTS = 5
_CARRIED_STARTS = 4
_FINALISTS = 2
_ROUGH_STEPS = 14
_FINE_STEPS = 16
_HOPELESS_COST = 25.0  # above the best, half a sum of squares
_REFINING_STEPS = 30
_TOLERANCE = 1e-3


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


def find_mode(problem: Problem, family: Family, starts: Array) -> Mode:
    """Most probable parameters of a family, from (n, k) starts."""
    k = len(family.parameters)
    search = _Search(problem, family, len(starts))
    minima = _descend(search, starts, _FINE_STEPS)
    best = np.argsort(minima.cost)[:1]
    z = minima.x[best]
    search.sharpen()
    residuals = search.residuals(z, best)[0]
    jacobian = search.jacobian(z, best)[0]
    data = problem.readings
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    sensitivity = jacobian[:data]
    return Mode(
        family=family,
        z=z[0],
        covariance=covariance,
        misfit=float(np.sum(residuals[:data] ** 2)),
        effective_parameters=float(np.trace(sensitivity @ covariance @ sensitivity.T)),
        log_posterior=float(
            problem.log_norm
            - 0.5 * np.sum(residuals**2)
            - 0.5 * k * np.log(2.0 * np.pi)
        ),
        outlines_mm=tuple(outline[best] for outline in search.outlines_mm),
        movements_mm=tuple(m[0] for m in search.movements(z, best)),
    )


def lack_of_fit(mode: Mode, readings: int) -> tuple[float, float]:
    """Degrees of freedom and the probability of a misfit this large by chance."""
    freedom = max(readings - mode.effective_parameters, 1.0)
    return freedom, float(chi2.sf(mode.misfit, freedom))


def find_modes(problem: Problem) -> tuple[Mode, ...]:
    """Most probable parameters of every family.

    An exponential halo is so like a Gaussian one that it starts where the search for
    that one ended; the others are searched for afresh.
    """
    modes: list[Mode] = []
    starts = np.zeros((0, 0))
    for family in FAMILIES:
        if family.halo != "exponential":
            carried = [place for m in modes for place in family.carry(m.family, m.z)]
            starts = _search_roughly(problem, family, carried)
        modes.append(find_mode(problem, family, starts))
    return tuple(modes)


def _search_roughly(problem: Problem, family: Family, carried: list[Array]) -> Array:
    """Promising places (n, k), from a spread over the prior and from other families."""
    k = len(family.parameters)
    spread = ndtri(qmc.Halton(k, scramble=False).random(_SCREENED_STARTS + 1)[1:])
    known = np.reshape(carried, (-1, k))
    search = _RoughSearch(problem, family)
    chosen = []
    for places, count in ((spread, _SPREAD_STARTS), (known, _CARRIED_STARTS)):
        energy = np.sum(search.residuals(places, np.arange(len(places))) ** 2, axis=1)
        chosen.append(places[np.argsort(energy)[:count]])
    rough = _descend(search, np.vstack(chosen), _ROUGH_STEPS)
    near = rough.cost < np.min(rough.cost) + _HOPELESS_COST
    order = np.argsort(rough.cost)[:_FINALISTS]
    return rough.x[order[near[order]]]


def _descend(search: _Search | _RoughSearch, places: Array, steps: int) -> Minima:
    return minimise(
        search.residuals,
        search.jacobian,
        places,
        max_steps=steps,
        tolerance=_TOLERANCE,
    )


class _RoughSearch:
    """Like :class:`_Search`, to first order from the outlines that were seen."""

    def __init__(self, problem: Problem, family: Family) -> None:
        self._problem = problem
        self._family = family
        self._seen_mm = [o.seen_outline_mm for o in problem.observations]

    def residuals(self, z: Array, _index: NDArray[np.intp]) -> Array:
        """Residuals (p, n + k) at places (p, k)."""
        resins = self._problem.resins(self._family, z)
        parts = [
            (rough_readings_mm(o, resins, seen) - o.reading_mm) @ whiten.T
            for o, whiten, seen in zip(
                self._problem.observations,
                self._problem.whiteners,
                self._seen_mm,
                strict=True,
            )
        ]
        return np.concatenate([*parts, z], axis=1)

    def jacobian(self, z: Array, index: NDArray[np.intp]) -> Array:
        """Differences of the residuals by z, (p, n + k, k)."""
        p, k = z.shape
        nudges = np.vstack([np.zeros(k), _DIFFERENCE_STEP * np.eye(k)])
        places = (z[:, None] + nudges).reshape(-1, k)
        r = self.residuals(places, index).reshape(p, k + 1, -1)
        return np.swapaxes(r[:, 1:] - r[:, :1], 1, 2) / _DIFFERENCE_STEP


class _Search:
    """Normalised residuals of readings and prior, and their derivatives by z.

    Remembers where each start's silhouettes lie, so that the next look begins there.
    Where an outline is a zero of f(x, z), it moves by -(df/dz) / (df/dx).
    """

    def __init__(self, problem: Problem, family: Family, starts: int) -> None:
        self._problem = problem
        self._family = family
        self._steps = _REFINING_STEPS
        self.outlines_mm = [
            np.repeat(o.seen_outline_mm, starts, axis=0) for o in problem.observations
        ]

    def sharpen(self) -> None:
        """From now on find every outline to full precision."""
        self._steps = ROOT_STEPS

    def residuals(self, z: Array, index: NDArray[np.intp]) -> Array:
        """Residuals (p, n + k) at places (p, k) reached from starts ``index``."""
        resins = self._problem.resins(self._family, z)
        parts = []
        for o, whiten, outline in zip(
            self._problem.observations,
            self._problem.whiteners,
            self.outlines_mm,
            strict=True,
        ):
            reading, outline[index] = readings_mm(
                o, resins, outline[index], self._steps
            )
            parts.append((reading - o.reading_mm) @ whiten.T)
        return np.concatenate([*parts, z], axis=1)

    def movements(self, z: Array, index: NDArray[np.intp]) -> list[Array]:
        """Give the derivatives of the silhouettes by z, each (p, k, s)."""
        p, k = z.shape
        nudges = np.vstack([np.zeros(k), _DIFFERENCE_STEP * np.eye(k)])
        places = (z[:, None] + nudges).reshape(-1, k)
        resins = self._problem.resins(self._family, places)
        moved = []
        for o, outline in zip(
            self._problem.observations, self.outlines_mm, strict=True
        ):
            seen = np.repeat(outline[index], k + 1, axis=0)
            level, slope = (
                a.reshape(p, k + 1, -1) for a in log_peak_dose(o.stacks, resins)(seen)
            )
            change = (level[:, 1:] - level[:, :1]) / _DIFFERENCE_STEP
            moved.append(-change / np.minimum(slope[:, :1], -FLATTEST_SLOPE))
        return moved

    def jacobian(self, z: Array, index: NDArray[np.intp]) -> Array:
        """Give the derivatives of the residuals by z, (p, n + k, k)."""
        p, k = z.shape
        parts = [
            np.einsum("mn,pkn->pmk", whiten, read_off(o, moved))
            for o, whiten, moved in zip(
                self._problem.observations,
                self._problem.whiteners,
                self.movements(z, index),
                strict=True,
            )
        ]
        return np.concatenate([*parts, np.tile(np.eye(k), (p, 1, 1))], axis=1)
