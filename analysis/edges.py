"""Straight edges to a fraction of a pixel, all of a picture's at once.

An edge is read as a profile across it, averaged along its straight length from whole
pixels (no interpolation, so the noise stays white), and fitted with the model of
:mod:`analysis.light` by Gauss-Newton over all edges together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.light import RAMP, STEP, TERMS, edge_terms

if TYPE_CHECKING:
    from collections.abc import Callable

Floats = NDArray[np.float64]
Region = "Callable[[int, int, int, int], NDArray[np.float32]]"

BIN_PX = 0.5
ROUNDS = 12
MODEL_DOUBT = 0.004
"""Misfit allowed to the edge model, as a share of the brighter level."""
LOOSE = np.array([1e3, 0.15, 1e3, 1.0, 0.3])
"""Prior standard deviation of each linear term, as a share of the brighter level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Where edges are expected: n straight pieces.

    ``centre_px`` (n, 2) middle of the piece, x, y; ``normal_px`` (n, 2) unit normal out
    of the part; ``half_px`` (n,) half its length; ``inner_px``, ``outer_px`` (n,) how
    far the profile reaches into and out of the part from the centre; ``lowest_px``,
    ``highest_px`` (n,) where along the normal the edge may lie; ``rim_px`` (n,) how far
    inside the edge a recessed foot's rim is seen (inf: not seen).
    """

    centre_px: Floats
    normal_px: Floats
    half_px: Floats
    inner_px: Floats
    outer_px: Floats
    lowest_px: Floats
    highest_px: Floats
    rim_px: Floats

    def __len__(self) -> int:
        return len(self.centre_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class Profiles:
    """Mean light across each edge: (n, m) arrays; ``variance`` inf where empty.

    ``bright`` (n,) is the level by which the light was divided.
    """

    distance_px: Floats
    light: Floats
    variance: Floats
    bright: Floats


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


def sample_profiles(
    region: Callable[[int, int, int, int], NDArray[np.float32]],
    size_px: tuple[int, int],
    lines: Lines,
) -> Profiles:
    """Average the pixels along each line into bins of half a pixel across it.

    Parameters
    ----------
    region : callable
        Linear light of the half-open region x0, y0, x1, y1, as ``Photo.linear``.
    size_px : (int, int)
        Width and height of the picture; a line that leaves it gives no samples.
    lines : Lines

    Returns
    -------
    Profiles
    """
    bins = int(np.ceil((lines.inner_px + lines.outer_px).max() / BIN_PX)) + 1
    sums = np.zeros((4, len(lines), bins))
    for i in range(len(lines)):
        sums[:, i] = _bin_pixels(region, size_px, lines, i, bins)
    count, s_sum, v_sum, vv_sum = sums
    filled = count >= 2
    safe = np.maximum(count, 1)
    distance = np.where(filled, s_sum / safe, 0.0)
    light = np.where(filled, v_sum / safe, 0.0)
    spread = np.maximum(vv_sum / safe - light**2, 0.0)
    level = np.where(filled, light, -np.inf)
    bright = np.maximum(np.partition(level, -6, axis=1)[:, -6:].mean(axis=1), 1e-4)
    bright = np.where(np.isfinite(bright), bright, 1.0)
    # a bin on the edge mixes levels; the typical bin tells the noise
    noise = _median_where(spread, filled)[:, None]
    variance = np.where(filled, noise / safe, np.inf) / bright[:, None] ** 2
    return Profiles(
        distance_px=distance,
        light=light / bright[:, None],
        variance=variance + MODEL_DOUBT**2,
        bright=bright,
    )


def _median_where(values: Floats, where: NDArray[np.bool_]) -> Floats:
    out = np.ones(len(values))
    for i, (row, keep) in enumerate(zip(values, where, strict=True)):
        if keep.any():
            out[i] = np.median(row[keep])
    return out


def _bin_pixels(
    region: Callable[[int, int, int, int], NDArray[np.float32]],
    size_px: tuple[int, int],
    lines: Lines,
    i: int,
    bins: int,
) -> Floats:
    normal, half = lines.normal_px[i], lines.half_px[i]
    along = np.array([-normal[1], normal[0]])
    inner, outer = -lines.inner_px[i], lines.outer_px[i]
    corners = lines.centre_px[i] + np.array(
        [s * normal + t * along for s in (inner, outer) for t in (-half, half)]
    )
    low = np.floor(corners.min(axis=0)).astype(int)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    if (low < 0).any() or high[0] > size_px[0] or high[1] > size_px[1]:
        return np.zeros((4, bins))
    x = np.arange(low[0], high[0]) - lines.centre_px[i, 0]
    y = np.arange(low[1], high[1])[:, None] - lines.centre_px[i, 1]
    s = x * normal[0] + y * normal[1]
    t = x * along[0] + y * along[1]
    keep = (np.abs(t) <= half) & (s >= inner) & (s <= outer)
    v = region(low[0], low[1], high[0], high[1])[keep].astype(np.float64)
    s = s[keep]
    which = ((s - inner) / BIN_PX).astype(np.intp)
    return np.stack(
        [np.bincount(which, w, bins)[:bins] for w in (np.ones_like(v), s, v, v * v)]
    )


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
        First guess of the offsets; None searches the allowed range.
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
    offset = (
        _search(profiles, lines, sigma_px, ramp_px, priors)
        if start_px is None
        else np.clip(start_px, lines.lowest_px, lines.highest_px)
    )
    sigma = sigma_px.copy()
    weight = 1.0 / profiles.variance
    robust = weight
    for _ in range(ROUNDS):
        terms, basis = _solve_terms(
            profiles, lines, offset, sigma, ramp_px, priors, robust
        )
        residual = profiles.light - np.einsum("enk,ek->en", basis, terms)
        size = np.abs(residual) * np.sqrt(weight)
        robust = weight * np.minimum(1.0, 3.0 / np.maximum(size, 1e-12))
        jacobian = _jacobian(profiles, lines, offset, sigma, ramp_px, terms, basis)
        normal = _normal_matrix(jacobian, robust, priors, free_blur=free_blur)
        gradient = np.einsum("enk,en,en->ek", jacobian, robust, residual)
        gradient[:, 2:] += priors.precision * (priors.mean - terms)
        gradient[:, 1] -= BLUR_PRECISION * (np.log(sigma) - np.log(sigma_px))
        move = np.linalg.solve(normal, gradient[..., None])[..., 0]
        offset = np.clip(
            offset + np.clip(move[:, 0], -1.0, 1.0), lines.lowest_px, lines.highest_px
        )
        if free_blur:
            sigma = sigma * np.exp(np.clip(move[:, 1], -0.3, 0.3))
            sigma = np.clip(sigma, 0.3, 6.0)
        if np.abs(move[:, 0]).max() < 1e-4:
            break
    covariance = np.linalg.inv(normal)
    live = np.isfinite(profiles.variance)
    degrees = np.maximum(live.sum(axis=1) - jacobian.shape[2] + 1, 1)
    misfit = np.sqrt((robust * residual**2 * live).sum(axis=1) / degrees)
    widen = np.maximum(misfit, 1.0)
    inside = (offset > lines.lowest_px + 0.01) & (offset < lines.highest_px - 0.01)
    return EdgeFits(
        offset_px=offset,
        u_px=np.sqrt(covariance[:, 0, 0]) * widen,
        terms=terms,
        sigma_px=sigma,
        u_sigma_px=sigma * np.sqrt(covariance[:, 1, 1]) * widen,
        misfit=misfit,
        found=inside & (live.sum(axis=1) > 12),
    )


BLUR_PRECISION = 4.0
"""Prior on ln blur where it is free: +-50 %."""
_STIFF = 1e9


def _solve_terms(
    profiles: Profiles,
    lines: Lines,
    offset: Floats,
    sigma: Floats,
    ramp_px: Floats,
    priors: Priors,
    weight: Floats,
) -> tuple[Floats, Floats]:
    basis = edge_terms(
        profiles.distance_px - offset[:, None], sigma, ramp_px, lines.rim_px
    )
    weighted = basis * weight[..., None]
    matrix = np.swapaxes(weighted, 1, 2) @ basis
    matrix += priors.precision[:, :, None] * np.eye(basis.shape[2])
    right = np.einsum("enk,en->ek", weighted, profiles.light)
    right += priors.precision * priors.mean
    return np.linalg.solve(matrix, right[..., None])[..., 0], basis


def _jacobian(
    profiles: Profiles,
    lines: Lines,
    offset: Floats,
    sigma: Floats,
    ramp_px: Floats,
    terms: Floats,
    basis: Floats,
) -> Floats:
    """Columns: offset, ln blur, linear terms."""
    x = profiles.distance_px - offset[:, None]
    nudge = 1e-3
    moved = edge_terms(x - nudge, sigma, ramp_px, lines.rim_px)
    by_offset = np.einsum("enk,ek->en", moved - basis, terms) / nudge
    wider = edge_terms(x, sigma * (1 + nudge), ramp_px, lines.rim_px)
    by_blur = np.einsum("enk,ek->en", wider - basis, terms) / nudge
    return np.concatenate([by_offset[..., None], by_blur[..., None], basis], axis=2)


def _normal_matrix(
    jacobian: Floats, weight: Floats, priors: Priors, *, free_blur: bool
) -> Floats:
    normal = np.swapaxes(jacobian * weight[..., None], 1, 2) @ jacobian
    k = jacobian.shape[2]
    diagonal = np.zeros((len(jacobian), k))
    diagonal[:, 0] = 1e-3
    diagonal[:, 1] = BLUR_PRECISION if free_blur else _STIFF
    diagonal[:, 2:] = priors.precision
    normal += diagonal[:, :, None] * np.eye(k)
    return normal


def _search(
    profiles: Profiles, lines: Lines, sigma: Floats, ramp_px: Floats, priors: Priors
) -> Floats:
    """Best of a row of places a pixel apart."""
    weight = 1.0 / profiles.variance
    span = lines.highest_px - lines.lowest_px
    places = max(int(np.ceil(span.max())), 2)
    best = np.full(len(lines), np.inf)
    offset = 0.5 * (lines.lowest_px + lines.highest_px)
    for share in (np.arange(places) + 0.5) / places:
        trial = lines.lowest_px + share * span
        terms, basis = _solve_terms(
            profiles, lines, trial, sigma, ramp_px, priors, weight
        )
        residual = profiles.light - np.einsum("enk,ek->en", basis, terms)
        cost = (weight * residual**2).sum(axis=1)
        cost += (priors.precision * (terms - priors.mean) ** 2).sum(axis=1)
        better = cost < best
        best = np.where(better, cost, best)
        offset = np.where(better, trial, offset)
    return offset


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
            precision[chosen, term] = 1.0 / (1.5 * scatter + 0.02) ** 2
    return replace(loose, mean=mean, precision=precision)


def step_share(fits: EdgeFits) -> Floats:
    """Step of each edge as a share of the brighter level (n,)."""
    share: Floats = np.abs(fits.terms[:, STEP])
    return share
