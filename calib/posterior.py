"""What the readings leave open: draws of the resin, averaged over families.

Each family is sampled by adaptive importance sampling around its mode; the mean weight
is its evidence, and families enter the average by evidence times prior weight.  The
draws are the same for the same readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import gammaln, logsumexp

from calib.families import Family
from calib.fitting import (
    MODEL_U_MM,
    Mode,
    Problem,
    find_modes,
    lack_of_fit,
    misfits,
    pose_problem,
)
from calib.observations import Observation
from calib.stack import Resins

Array = NDArray[np.float64]

FIT_ALARM_PROBABILITY = 0.01
"""A misfit rarer than this by chance is reported, and the intervals widen."""

UNREACHED_SPREAD = 0.6
"""Posterior over prior spread above which the data is said not to reach a parameter."""

_DRAWS = 80
_ROUNDS = 4
_ADAPTING_DRAWS = 30.0
_SAMPLING_STEPS = 3
_FREEDOM = 5.0
_FIRST_WIDENING = 1.5
_NEGLIGIBLE_WEIGHT = 1e-2
_MODEL_U_STEPS = 2
_MODEL_U_FACTOR = 4.0
_SEED = 20240


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyFit:
    """One family's share in the average.

    ``effective_draws``: how many independent draws the weighted ones are worth.
    ``spreads``: posterior over prior spread of each parameter.
    """

    family: Family
    mode: Mode
    weight: float
    resins: Resins
    draw_weights: Array
    effective_draws: float
    spreads: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The cure model of one bottle, as far as its prints tell.

    ``families`` have weights that sum to 1; a draw's weight in the average is its
    family's times its own.  ``model_u_mm`` is the model uncertainty that the fit was
    made with, raised until the misfit is no larger than expected.
    """

    families: tuple[FamilyFit, ...]
    observations: tuple[Observation, ...]
    model_u_mm: float
    misfit: float
    degrees_of_freedom: float
    fit_probability: float
    unreached: tuple[str, ...]

    @property
    def squeeze_weight(self) -> float:
        """Probability that the plate-layer term is needed."""
        return float(sum(f.weight for f in self.families if f.family.squeezed))

    @property
    def long_tail_weight(self) -> float:
        """Probability of a halo that falls off as slowly as a Lorentzian."""
        return float(
            sum(f.weight for f in self.families if f.family.halo == "lorentzian")
        )

    @property
    def weights(self) -> Array:
        """Weights of all draws, families in order; they sum to 1."""
        return np.concatenate([f.weight * f.draw_weights for f in self.families])

    @property
    def prints(self) -> int:
        """How many prints the fit rests on."""
        return len(self.observations)


def fit(observations: tuple[Observation, ...]) -> Fit:
    """Fit the cure model to all prints of one bottle.

    Parameters
    ----------
    observations : tuple of Observation
        One for each measured print, at least one.

    Raises
    ------
    RecordError
        No observation was given.
    """
    problem, modes, first_probability = _modes_that_fit(observations)
    best = min(modes, key=lambda m: m.misfit + float(m.z @ m.z))
    score = np.array([_laplace_score(m) for m in modes])
    likely = [
        m
        for m, s in zip(modes, score, strict=True)
        if s > score.max() + np.log(_NEGLIGIBLE_WEIGHT)
    ]
    sampled = [_sample(problem, m) for m in likely]
    log_evidence = np.array([s.log_evidence for s in sampled])
    log_evidence += np.log([m.family.prior_weight for m in likely])
    weight = np.exp(log_evidence - log_evidence.max())
    weight /= weight.sum()
    families = tuple(
        _family_fit(problem, m, s, float(w))
        for m, s, w in zip(likely, sampled, weight, strict=True)
    )
    freedom, _ = lack_of_fit(best, problem.readings)
    return Fit(
        families=families,
        observations=observations,
        model_u_mm=problem.model_u_mm,
        misfit=best.misfit,
        degrees_of_freedom=freedom,
        fit_probability=first_probability,
        unreached=_unreached(families),
    )


def _modes_that_fit(
    observations: tuple[Observation, ...],
) -> tuple[Problem, tuple[Mode, ...], float]:
    """Modes with the smallest model uncertainty that explains the misfit.

    The probability returned is that of the misfit before anything was raised.
    """
    problem = pose_problem(observations, MODEL_U_MM)
    modes = find_modes(problem)
    first = _best_probability(problem, modes)
    probability = first
    for _ in range(_MODEL_U_STEPS):
        if probability > FIT_ALARM_PROBABILITY:
            break
        problem = pose_problem(observations, _MODEL_U_FACTOR * problem.model_u_mm)
        modes = find_modes(problem)
        probability = _best_probability(problem, modes)
    return problem, modes, first


def _best_probability(problem: Problem, modes: tuple[Mode, ...]) -> float:
    return max(lack_of_fit(m, problem.readings)[1] for m in modes)


def _laplace_score(mode: Mode) -> float:
    """Log evidence in the normal approximation, times the family's prior weight."""
    _, log_det = np.linalg.slogdet(2.0 * np.pi * mode.covariance)
    return float(mode.log_posterior + 0.5 * log_det + np.log(mode.family.prior_weight))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sample:
    z: Array
    weights: Array
    log_evidence: float


def _sample(problem: Problem, mode: Mode) -> _Sample:
    """Adaptive importance sampling: rounds of a Student t, weighed as their mixture."""
    rng = np.random.default_rng(_SEED)
    k = len(mode.z)
    centre, covariance = mode.z, _FIRST_WIDENING**2 * mode.covariance
    z = np.zeros((0, k))
    log_target = np.zeros(0)
    log_weight = np.zeros(0)
    proposals: list[tuple[Array, Array]] = []
    for _ in range(_ROUNDS):
        proposals.append((centre, cholesky(covariance, lower=True)))
        drawn = _draw(*proposals[-1], rng)
        z = np.vstack([z, drawn])
        log_target = np.append(log_target, _log_target(problem, mode, drawn))
        log_weight = log_target - logsumexp(
            [_log_student(z, c, f) for c, f in proposals], axis=0
        )
        gentle = _tempered(log_weight, _ADAPTING_DRAWS)
        centre = gentle @ z
        centred = z - centre
        covariance = (gentle * centred.T) @ centred + 0.1 * mode.covariance
    # The few largest weights are mostly chance: cut at sqrt(n) times the mean
    # (Ionides 2008, J. Comput. Graph. Stat. 17:295, from memory).
    mean = logsumexp(log_weight) - np.log(len(z))
    cut = np.minimum(log_weight, mean + 0.5 * np.log(len(z)))
    return _Sample(
        z=z,
        weights=np.exp(cut - logsumexp(cut)),
        log_evidence=float(logsumexp(cut)) - np.log(_DRAWS),
    )


def _tempered(log_weight: Array, least: float) -> Array:
    """Weights flattened by halving the logarithm until enough draws count."""
    log_weight = log_weight - log_weight.max()
    while True:
        weight = np.exp(log_weight)
        weight /= weight.sum()
        if 1.0 / np.sum(weight**2) >= least:
            return np.asarray(weight)
        log_weight = 0.7 * log_weight


def _draw(centre: Array, factor: Array, rng: np.random.Generator) -> Array:
    normal = rng.standard_normal((_DRAWS, len(centre)))
    stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, _DRAWS))
    return np.asarray(centre + (normal * stretch[:, None]) @ factor.T)


def _log_target(problem: Problem, mode: Mode, z: Array) -> Array:
    """Log prior plus log likelihood, (p,)."""
    k = len(mode.z)
    resins = problem.resins(mode.family, z)
    misfit = misfits(problem, resins, mode.outlines_near(z), _SAMPLING_STEPS)
    log_prior = -0.5 * np.sum(z**2, axis=1) - 0.5 * k * np.log(2.0 * np.pi)
    return np.asarray(log_prior + problem.log_norm - 0.5 * misfit)


def _log_student(z: Array, centre: Array, factor: Array) -> Array:
    """Log density of the multivariate t that draws come from."""
    k = len(factor)
    constant = (
        gammaln(0.5 * (_FREEDOM + k))
        - gammaln(0.5 * _FREEDOM)
        - 0.5 * k * np.log(_FREEDOM * np.pi)
        - np.sum(np.log(np.diag(factor)))
    )
    step = solve_triangular(factor, (z - centre).T, lower=True)
    distance = np.sum(step**2, axis=0) / _FREEDOM
    return np.asarray(constant - 0.5 * (_FREEDOM + k) * np.log1p(distance))


def _family_fit(
    problem: Problem, mode: Mode, sample: _Sample, weight: float
) -> FamilyFit:
    mean = sample.weights @ sample.z
    spread = np.sqrt(sample.weights @ (sample.z - mean) ** 2)
    worth = sample.weights > 1e-4 / len(sample.weights)
    kept = sample.weights[worth] / sample.weights[worth].sum()
    return FamilyFit(
        family=mode.family,
        mode=mode,
        weight=weight,
        resins=problem.resins(mode.family, sample.z[worth]),
        draw_weights=kept,
        effective_draws=float(1.0 / np.sum(sample.weights**2)),
        spreads=tuple(float(s) for s in spread),
    )


def _unreached(families: tuple[FamilyFit, ...]) -> tuple[str, ...]:
    """Meanings of the parameters that stay about as open as before the print."""
    spread: dict[str, float] = {}
    total: dict[str, float] = {}
    for f in families:
        for parameter, value in zip(f.family.parameters, f.spreads, strict=True):
            spread[parameter.meaning] = (
                spread.get(parameter.meaning, 0.0) + f.weight * value
            )
            total[parameter.meaning] = total.get(parameter.meaning, 0.0) + f.weight
    return tuple(
        name
        for name in spread
        if total[name] > 0.1 and spread[name] / total[name] > UNREACHED_SPREAD
    )
