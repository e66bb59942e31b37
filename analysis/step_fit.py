"""A blurred step between two slopes, fitted to many profiles at once.

The rim of a tile is read in some four hundred slices of a few dozen pixels each.  Blur
and start are known by then, so the model is small and its derivatives are closed:

    light = inside + slope_in <x<0> / w + step Phi(x/s) + slope_out <x>0> / w

with x the distance outside the edge, s the blur, w the window, and the two hinges
blurred as the step is: <x>0> -> x Phi(x/s) + s phi(x/s).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

PLAIN_ROUNDS = 0
SLOPE_SIZE = (0.10, 0.30)
"""Prior standard deviation of the slopes inside and outside: light over a window."""
BLUR_TRIES = np.geomspace(0.5, 2.6, 8)
BLUR_SLICES = 50
_HUBER = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Slices:
    """Pixels of n profiles, padded to m: ``weight`` (n, m) is 0 where there is none.

    ``x_px`` (n, m) distance outside the nominal edge; ``light`` (n, m) as shares of the
    brighter level; ``weight`` one over the variance of the light; ``window_px`` (n,).
    """

    x_px: Floats
    light: Floats
    weight: Floats
    window_px: Floats

    def some(self, rows: NDArray[np.intp]) -> Slices:
        """Only these profiles."""
        return Slices(
            x_px=self.x_px[rows],
            light=self.light[rows],
            weight=self.weight[rows],
            window_px=self.window_px[rows],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopePrior:
    """What is expected of both slopes: ``mean`` and ``sigma`` (n, 2), inside first."""

    mean: Floats
    sigma: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFits:
    """Steps as found, (n,) arrays; ``slopes`` (n, 2) inside and outside."""

    offset_px: Floats
    u_px: Floats
    inside: Floats
    step: Floats
    slopes: Floats
    misfit: Floats


def loose_slopes(n: int) -> SlopePrior:
    """Little known about the slopes of n profiles."""
    return SlopePrior(
        mean=np.zeros((n, 2)), sigma=np.broadcast_to(np.array(SLOPE_SIZE), (n, 2))
    )


def fit_steps(
    slices: Slices,
    start_px: Floats,
    sigma_px: float,
    slopes: SlopePrior,
    *,
    rounds: int,
) -> StepFits:
    """Fit every profile by Gauss-Newton from ``start_px`` (n,), near the edges.

    Residuals beyond three standard deviations are weighed down (Huber).  u from the
    inverse normal matrix, widened by the misfit where that exceeds 1.
    """
    offset = np.array(start_px, dtype=np.float64)
    weight = slices.weight
    prior = np.zeros((len(offset), 5))
    prior[:, 0], prior[:, 1:3] = 1e-4, 1e-6
    prior[:, 3:] = 1.0 / slopes.sigma**2
    now = _linearised(slices, offset, sigma_px, weight, prior, slopes.mean)
    for turn in range(1, rounds):
        offset = offset + np.clip(now.move, -1.5, 1.5)
        if turn > PLAIN_ROUNDS:
            size = np.abs(now.left) * np.sqrt(slices.weight)
            weight = slices.weight * np.minimum(1.0, _HUBER / np.maximum(size, 1e-9))
        now = _linearised(slices, offset, sigma_px, weight, prior, slopes.mean)
    freedom = np.maximum((slices.weight > 0).sum(axis=1) - 5, 1)
    misfit = np.sqrt((weight * now.left**2).sum(axis=1) / freedom)
    return StepFits(
        offset_px=offset,
        u_px=np.sqrt(now.variance) * np.maximum(misfit, 1.0),
        inside=now.terms[:, 0],
        step=now.terms[:, 1],
        slopes=now.terms[:, 2:],
        misfit=misfit,
    )


@dataclass(frozen=True, slots=True)
class _Linearised:
    """Best terms at given places, what is left, and the move it asks for."""

    terms: Floats
    left: Floats
    move: Floats
    variance: Floats


def _linearised(
    slices: Slices,
    offset_px: Floats,
    sigma_px: float,
    weight: Floats,
    prior: Floats,
    slope_mean: Floats,
) -> _Linearised:
    basis, steepness = _model(slices.x_px - offset_px[:, None], sigma_px, slices)
    weighted = np.swapaxes(basis * weight[..., None], 1, 2)
    inverse = np.linalg.inv(weighted @ basis + prior[:, 1:, None] * np.eye(4))
    right = (weighted @ slices.light[..., None])[..., 0]
    right[:, 2:] += prior[:, 3:] * slope_mean
    terms = (inverse @ right[..., None])[..., 0]
    left = slices.light - (basis @ terms[..., None])[..., 0]
    slope = -(steepness @ terms[:, 1:, None])[..., 0]
    # the terms are the best ones: only what they can't follow moves the edge
    shared = weighted @ slope[..., None]
    followed = (np.swapaxes(shared, 1, 2) @ inverse @ shared)[:, 0, 0]
    tilted = slope * weight
    stiff = (tilted * slope).sum(axis=1) - followed + prior[:, 0]
    move = (tilted * left).sum(axis=1) / stiff
    return _Linearised(terms, left, move, 1.0 / stiff)


def _model(x_px: Floats, sigma_px: float, slices: Slices) -> tuple[Floats, Floats]:
    """Basis (n, m, 4): level, step, slope in, slope out; d/dx (n, m, 3) of the last."""
    z = x_px / sigma_px
    up = ndtr(z)
    bell = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    window = slices.window_px[:, None]
    outward = (x_px * up + sigma_px * bell) / window
    inward = x_px / window - outward
    basis = np.stack([np.ones_like(up), up, inward, outward], axis=-1)
    steep = np.stack([bell / sigma_px, (1 - up) / window, up / window], axis=-1)
    return basis, steep


def common_blur_px(slices: Slices, fits: StepFits, sigma_px: float) -> float:
    """Give the one blur that suits the strongest steps best.

    A parabola in the logarithm of the blur through the least of the tried ones.
    """
    doubt = fits.u_px / np.maximum(np.abs(fits.step), 1e-6)
    sure = np.argsort(doubt)[:BLUR_SLICES]
    some, start = slices.some(sure), fits.offset_px[sure]
    tries = sigma_px * BLUR_TRIES
    slopes = loose_slopes(len(sure))
    misfits = [fit_steps(some, start, s, slopes, rounds=3).misfit for s in tries]
    cost = np.sum(np.minimum(misfits, 8.0) ** 2, axis=1)
    k = int(np.clip(np.argmin(cost), 1, len(tries) - 2))
    below, here, above = cost[k - 1], cost[k], cost[k + 1]
    bend = below - 2 * here + above
    shift = 0.5 * (below - above) / bend if bend > 0 else 0.0
    step = float(np.log(BLUR_TRIES[1] / BLUR_TRIES[0]))
    return float(tries[k] * np.exp(np.clip(shift, -1, 1) * step))
