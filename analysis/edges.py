"""Straight edges to a fraction of a pixel, all of a picture's at once.

The profile across each edge (:mod:`analysis.profiles`) is fitted with the model of
:mod:`analysis.light` by Gauss-Newton over all edges together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.light import RAMP, TERMS, EdgeTerms
from analysis.profiles import Lines, Profiles

Floats = NDArray[np.float64]

ROUNDS, PLAIN_ROUNDS = 14, 4
SETTLED_PX = 1e-3
LOOSE = np.array([1e3, 0.15, 1e3, 1.0, 0.3])
"""Prior standard deviation of each linear term, as a share of the brighter level."""
BLUR_PRECISION = 4.0
"""Prior on ln blur where it is free: +-50 %."""
BLUR_RANGE_PX = (0.3, 6.0)
LEAST_SCATTER = 0.002
"""No group is taken to be more alike than this; path-traced photos showed 0.004 up."""
FEWEST_BINS = 12
_STIFF = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFits:
    """Edges as found: (n,) arrays, light as shares of the brighter level.

    ``offset_px`` is the edge's place along its normal from the line's centre,
    ``u_px`` its standard uncertainty from noise and misfit; ``terms`` (n, 5) the levels
    in the order of :data:`analysis.light.TERMS`; ``misfit`` the root mean square of the
    residuals over their expected size.
    """

    offset_px: Floats
    u_px: Floats
    terms: Floats
    sigma_px: Floats
    u_sigma_px: Floats
    misfit: Floats
    found: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is known of the linear terms beforehand: (n, 5) mean and precision."""

    mean: Floats
    precision: Floats


def loose_priors(n: int) -> Priors:
    """Nearly nothing known, for n edges."""
    return Priors(
        mean=np.zeros((n, len(TERMS))),
        precision=np.broadcast_to(1.0 / LOOSE**2, (n, len(TERMS))),
    )


def fit_edges(
    profiles: Profiles,
    lines: Lines,
    *,
    sigma_px: Floats,
    ramp_px: Floats,
    priors: Priors,
    start_px: Floats | None = None,
    search_px: float = 0.0,
    free_blur: bool = False,
) -> EdgeFits:
    """Fit all edges.

    Parameters
    ----------
    profiles : Profiles
    lines : Lines
    sigma_px, ramp_px : (n,) arrays
        Blur and recovery length; the blur is a start only if ``free_blur``.
    priors : Priors
    start_px : (n,) array or None
        First guess of the offsets; None searches the whole allowed range.
    search_px : float
        How far round the first guess to search.
    free_blur : bool
        Fit each edge's blur as well.

    Returns
    -------
    EdgeFits
        ``found`` is False where the profile is empty or the edge ran out of its range.

    Notes
    -----
    Gauss-Newton with priors on the linear terms, weights from the noise, halved
    residuals beyond three standard deviations (Huber).  u from the inverse normal
    matrix, widened by the misfit where that exceeds 1.
    """
    problem = _Problem(profiles, lines, ramp_px, priors, sigma_px, free_blur)
    low, high = lines.lowest_px, lines.highest_px
    if start_px is not None:
        start_px = np.clip(start_px, low, high)
        low = np.maximum(start_px - search_px, low)
        high = np.minimum(start_px + search_px, high)
    if start_px is None or search_px > 0:
        start_px = problem.search(low, high)
    return problem.settled(start_px)


@dataclass(frozen=True, slots=True)
class _Step:
    """One linearisation: where, what is left, and the move it asks for."""

    offset: Floats
    sigma: Floats
    terms: Floats
    residual: Floats
    normal: Floats
    move: Floats

    def put(self, rows: NDArray[np.intp], some: _Step) -> _Step:
        """Set some edges' linearisation in place of their last."""
        values = (
            _put(getattr(self, f.name), rows, getattr(some, f.name))
            for f in fields(self)
        )
        return _Step(*values)


def _put(values: Floats, rows: NDArray[np.intp], some: Floats) -> Floats:
    out = values.copy()
    out[rows] = some
    return out


Arrays = TypeVar("Arrays", Profiles, Lines, Priors, _Step)


def _rows(arrays: Arrays, rows: NDArray[np.intp]) -> Arrays:
    """Only some edges of a dataclass of arrays."""
    kept = {f.name: getattr(arrays, f.name)[rows] for f in fields(arrays)}
    return replace(arrays, **kept)


@dataclass(frozen=True, slots=True)
class _Problem:
    """What does not change while edges are fitted."""

    profiles: Profiles
    lines: Lines
    ramp_px: Floats
    priors: Priors
    sigma_px: Floats
    free_blur: bool

    def some(self, rows: NDArray[np.intp]) -> _Problem:
        """Only these edges."""
        return _Problem(
            _rows(self.profiles, rows),
            _rows(self.lines, rows),
            self.ramp_px[rows],
            _rows(self.priors, rows),
            self.sigma_px[rows],
            self.free_blur,
        )

    def settled(self, start_px: Floats) -> EdgeFits:
        """Fit from a first guess; edges that no longer move are left alone."""
        live = np.arange(len(start_px))
        part, weight = self, 1.0 / self.profiles.variance
        step = done = self.step(start_px, self.sigma_px, weight)
        every = weight
        for turn in range(ROUNDS):
            offset, sigma = part.follow(step)
            if turn >= PLAIN_ROUNDS:  # a start beside a sharp edge must see all of it
                weight = part.robust(step.residual)
            moved = np.maximum(np.abs(offset - step.offset), np.abs(sigma - step.sigma))
            step = part.step(offset, sigma, weight)
            done, every = done.put(live, step), _put(every, live, weight)
            if turn <= PLAIN_ROUNDS:
                continue
            moving = np.flatnonzero(moved >= SETTLED_PX)
            if len(moving) == 0:
                break
            live, part, step = live[moving], part.some(moving), _rows(step, moving)
        return self.result(done, every)

    def robust(self, residual: Floats) -> Floats:
        """Weights with residuals beyond three standard deviations halved."""
        size = np.abs(residual) * np.sqrt(1.0 / self.profiles.variance)
        weight = np.minimum(1.0, 3.0 / np.maximum(size, 1e-12))
        return np.asarray(weight / self.profiles.variance)

    def parts(self, offset: Floats, sigma: Floats) -> EdgeTerms:
        x = self.profiles.distance_px - offset[:, None]
        return EdgeTerms.at(x, sigma, self.ramp_px, self.lines.rim_px)

    def terms(self, basis: Floats, weight: Floats) -> Floats:
        """Best linear terms for given places and blurs."""
        precision = self.priors.precision
        weighted = np.swapaxes(basis * weight[..., None], 1, 2)
        matrix = weighted @ basis
        matrix += precision[:, :, None] * np.eye(basis.shape[2])
        right = (weighted @ self.profiles.light[..., None])[..., 0]
        right += precision * self.priors.mean
        return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])

    def step(self, offset: Floats, sigma: Floats, weight: Floats) -> _Step:
        parts = self.parts(offset, sigma)
        basis = parts.value()
        terms = self.terms(basis, weight)
        residual = self.profiles.light - (basis @ terms[..., None])[..., 0]
        slopes = [-parts.by_px(terms), parts.by_log_blur(terms)]
        jacobian = np.concatenate([np.stack(slopes, axis=-1), basis], axis=2)
        prior = np.zeros((len(offset), jacobian.shape[2]))
        prior[:, 0] = 1e-3  # keeps an empty profile solvable
        prior[:, 1] = BLUR_PRECISION if self.free_blur else _STIFF
        prior[:, 2:] = self.priors.precision
        weighted = np.swapaxes(jacobian * weight[..., None], 1, 2)
        normal = weighted @ jacobian + prior[:, :, None] * np.eye(prior.shape[1])
        gradient = (weighted @ residual[..., None])[..., 0]
        gradient[:, 1] -= BLUR_PRECISION * np.log(sigma / self.sigma_px)
        gradient[:, 2:] += self.priors.precision * (self.priors.mean - terms)
        move = np.linalg.solve(normal, gradient[..., None])[..., 0]
        return _Step(offset, sigma, terms, residual, normal, move)

    def follow(self, step: _Step) -> tuple[Floats, Floats]:
        """Next offsets and blurs, held within their ranges and a short step."""
        offset = np.clip(
            step.offset + np.clip(step.move[:, 0], -1.0, 1.0),
            self.lines.lowest_px,
            self.lines.highest_px,
        )
        if not self.free_blur:
            return offset, step.sigma
        sigma = step.sigma * np.exp(np.clip(step.move[:, 1], -0.3, 0.3))
        return offset, np.clip(sigma, *BLUR_RANGE_PX)

    def search(self, low: Floats, high: Floats) -> Floats:
        """Best of a row of places at most a pixel apart."""
        weight = 1.0 / self.profiles.variance
        places = max(int(np.ceil((high - low).max())), 2)
        best = np.full(len(low), np.inf)
        offset = 0.5 * (low + high)
        for share in (np.arange(places) + 0.5) / places:
            trial = low + share * (high - low)
            basis = self.parts(trial, self.sigma_px).value()
            terms = self.terms(basis, weight)
            residual = self.profiles.light - (basis @ terms[..., None])[..., 0]
            cost = (weight * residual**2).sum(axis=1)
            surprise = self.priors.precision * (terms - self.priors.mean) ** 2
            cost += surprise.sum(axis=1)
            offset = np.where(cost < best, trial, offset)
            best = np.minimum(cost, best)
        return offset

    def result(self, step: _Step, weight: Floats) -> EdgeFits:
        covariance = np.linalg.inv(step.normal)
        live = np.isfinite(self.profiles.variance).sum(axis=1)
        freedom = np.maximum(live - covariance.shape[1] + 1, 1)
        misfit = np.sqrt((weight * step.residual**2).sum(axis=1) / freedom)
        widen = np.maximum(misfit, 1.0)
        inside = step.offset > self.lines.lowest_px + 0.01
        inside &= step.offset < self.lines.highest_px - 0.01
        return EdgeFits(
            offset_px=step.offset,
            u_px=np.sqrt(covariance[:, 0, 0]) * widen,
            terms=step.terms,
            sigma_px=step.sigma,
            u_sigma_px=step.sigma * np.sqrt(covariance[:, 1, 1]) * widen,
            misfit=misfit,
            found=inside & (live > FEWEST_BINS),
        )


def picture_blur(fits: EdgeFits, groups: NDArray[np.intp]) -> Floats:
    """One blur for each group of edges, from its clean ones.

    Parameters
    ----------
    fits : EdgeFits
        Fitted with ``free_blur``.
    groups : (n,) int array
        Edges of one direction share a group (motion blurs one direction more).

    Returns
    -------
    (n,) array: the median blur over the half of the group's edges that is surest.
    """
    blur = np.full(len(groups), np.nan)
    for group in np.unique(groups):
        chosen = (groups == group) & fits.found
        if not chosen.any():
            continue
        sure = fits.u_sigma_px[chosen] <= np.median(fits.u_sigma_px[chosen])
        blur[groups == group] = np.median(fits.sigma_px[chosen][sure])
    known = np.isfinite(blur)
    typical = np.median(blur[known]) if known.any() else 1.0
    filled: Floats = np.where(known, blur, typical)
    return filled


def group_priors(fits: EdgeFits, lines: Lines, groups: NDArray[np.intp]) -> Priors:
    """Let edges of one group tell each other what their light is like.

    Shares of ramp, slope and rim are taken from the group's median and scatter; a
    shadow that comes and goes along a side leaves the scatter wide, so nothing is
    forced.
    """
    loose = loose_priors(len(groups))
    mean, precision = loose.mean.copy(), np.array(loose.precision)
    for group in np.unique(groups):
        chosen = groups == group
        good = chosen & fits.found
        if good.sum() < 4:
            continue
        for term in (1, RAMP, 4):
            told = good & (lines.rim_px < lines.inner_px) if term == 4 else good
            if told.sum() < 4:
                continue
            values = fits.terms[told, term]
            middle = np.median(values)
            scatter = 1.4826 * np.median(np.abs(values - middle))
            mean[chosen, term] = middle
            precision[chosen, term] = 1.0 / (1.5 * scatter + LEAST_SCATTER) ** 2
    return replace(loose, mean=mean, precision=precision)
