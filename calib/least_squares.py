"""Levenberg-Marquardt for many starts at once.

Damping as H. B. Nielsen 1999 (IMM-REP-1999-05, from memory), scaling by the largest
column norms met so far as J. J. Moré 1978 (Lecture Notes in Mathematics 630, from
memory).  Starts that have settled are no longer evaluated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Model = Callable[[Array, NDArray[np.intp]], Array]

_FIRST_DAMPING = 1e-2
_LARGEST_DAMPING = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Minima:
    """Where each start ended: places (p, k), half sums of squares, who settled (p,)."""

    x: Array
    cost: Array
    settled: NDArray[np.bool_]


def minimise(
    residuals: Model,
    jacobian: Model,
    starts: Array,
    *,
    max_steps: int,
    tolerance: float,
) -> Minima:
    """Minimise the sum of squared residuals from every start.

    Parameters
    ----------
    residuals : callable
        From places (q, k) and the indices (q,) of their starts to residuals (q, n).
    jacobian : callable
        From the same to derivatives (q, n, k); called only at places whose residuals
        were asked for and accepted.
    starts : (p, k) float array
        Where to begin.
    max_steps : int
        Steps tried for each start, rejected ones included.
    tolerance : float
        A start has settled when a step promises less than this share of its cost.
    """
    x = np.array(starts, dtype=float)
    p, k = x.shape
    everyone = np.arange(p)
    r = residuals(x, everyone)
    cost = _half_squares(r)
    j = jacobian(x, everyone)
    scale = np.linalg.norm(j, axis=1)
    damping = np.full(p, _FIRST_DAMPING)
    growth = np.full(p, 2.0)
    settled = np.zeros(p, dtype=bool)
    for _ in range(max_steps):
        go = np.flatnonzero(~settled)
        if not len(go):
            break
        gradient = np.einsum("pnk,pn->pk", j[go], r[go])
        weight = np.maximum(scale[go], 1e-12 * scale[go].max(axis=1, keepdims=True))
        weight = np.maximum(weight, np.finfo(float).tiny)
        damped = damping[go, None] * weight**2
        normal = np.einsum("pnk,pnl->pkl", j[go], j[go])
        normal[:, np.arange(k), np.arange(k)] += damped
        step = -_solve(normal, gradient, weight)
        promise = 0.5 * np.sum(step * (damped * step - gradient), axis=1)
        trial_r = residuals(x[go] + step, go)
        trial_cost = _half_squares(trial_r)
        gain = (cost[go] - trial_cost) / np.maximum(promise, np.finfo(float).tiny)
        better = gain > 0.0
        done = promise <= tolerance * cost[go]
        settled[go] = done | (damping[go] > _LARGEST_DAMPING)
        won, lost = go[better], go[~better]
        x[won] += step[better]
        r[won] = trial_r[better]
        cost[won] = trial_cost[better]
        damping[won] *= np.maximum(1.0 / 3.0, 1.0 - (2.0 * gain[better] - 1.0) ** 3)
        growth[won] = 2.0
        damping[lost] *= growth[lost]
        growth[lost] *= 2.0
        if len(won):
            j[won] = jacobian(x[won], won)
            scale[won] = np.maximum(scale[won], np.linalg.norm(j[won], axis=1))
    return Minima(x=x, cost=cost, settled=settled)


def _half_squares(residuals: Array) -> Array:
    """Half the sum of squares, (p,); not a number counts as far away."""
    half = 0.5 * np.sum(residuals**2, axis=1)
    return np.asarray(np.where(np.isfinite(half), half, np.inf))


def _solve(normal: Array, gradient: Array, weight: Array) -> Array:
    """Solve the damped normal equations with columns scaled to a like size."""
    scaled = normal / (weight[:, :, None] * weight[:, None, :])
    return np.asarray(
        np.linalg.solve(scaled, (gradient / weight)[..., None])[..., 0] / weight
    )
