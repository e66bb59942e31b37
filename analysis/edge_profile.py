"""Radius of a tile's edge from its profile, seen along the rim on the edge stand.

A model of the silhouette (:mod:`analysis.profile_shape`) and of the light on it
(:mod:`analysis.profile_patch`), blurred as the picture is, is fitted to the pixels
around it.  Where the tile stands and how it leans are fitted along with the radius; a
lean of angle a looks like R a^2 of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.hub import Hub
from analysis.profile_patch import Patch, band, cut, light_basis, places
from analysis.profile_shape import Standing, off_plane_rad

if TYPE_CHECKING:
    from analysis.photo import Photo

Floats = NDArray[np.float64]

STARTS_MM = (0.06, 0.3)
MOST_MM = 1.2
"""Rounder edges leave no bottom face within the window."""
COARSE_PX = (4.0, 2.0)
_SHIFTS_MM = (np.arange(-0.4, 0.41, 0.2), np.arange(-0.4, 0.41, 0.2))
_STEPS = np.array([0.01, 0.01, 2e-3, 2e-3, 0.03, 0.02])
_LEAN_SIGMA_RAD = np.deg2rad(1.0)
_TURN_SIGMA_RAD = np.deg2rad(2.0)
_SHIFT_SIGMA_MM = 0.15
_BLUR_SIGMA = 0.08
_ROUNDS = 10
_SETTLED = 0.01
_BLOCK_PX = 4
_RIDGE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFit:
    """The best silhouette.

    ``u_mm`` is the standard uncertainty of ``standing.radius_mm`` from noise, place,
    lean and blur together, noise and its correlation taken from the misfit.
    ``explained`` is the share of the light's changes that the silhouette explains
    beyond smooth light.
    """

    standing: Standing
    u_mm: float
    off_plane_rad: float
    blur_px: float
    misfit: float
    explained: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    standing: Standing
    ln_blur: float

    @property
    def radius_mm(self) -> float:
        return self.standing.radius_mm

    def moved(self, step: Floats) -> _Trial:
        radius = float(np.clip(self.radius_mm + step[5], 0.0, MOST_MM))
        return _Trial(
            standing=replace(self.standing.moved(step[:4]), radius_mm=radius),
            ln_blur=self.ln_blur + float(step[4]),
        )


def fit_edge(photo: Photo, hub: Hub, start: Standing, blur_px: float) -> EdgeFit | None:
    """Fit the silhouette of a tile's rim.

    Parameters
    ----------
    photo : Photo
    hub : Hub
    start : Standing
        Where the tile is expected, good to half a millimetre.
    blur_px : float
        Standard deviation of the picture's blur at sharp edges, good to 8 %.

    Returns
    -------
    EdgeFit, or None if the rim's surroundings are not wholly in the photo.
    """
    patch = cut(photo, hub, start)
    if patch is None:
        return None
    known = _Known(hub=hub, start=start, ln_blur=float(np.log(blur_px)))
    trial = _Trial(standing=replace(start, radius_mm=0.15), ln_blur=known.ln_blur)
    for extra_px in COARSE_PX:
        blurred = cv2.GaussianBlur(patch.light, (0, 0), extra_px)
        soft = replace(patch, light=np.asarray(blurred, dtype=np.float64))
        if extra_px == COARSE_PX[0]:
            trial = _searched(soft, known, trial, extra_px)
        trial = _descended(soft, known, trial, extra_px, free=5, rounds=4)
    used = band(patch, hub, trial.standing)
    patch = Patch.of(hub, patch.origin, patch.light, used)
    tried = [
        _descended(patch, known, _rounded(trial, radius), 0.0, free=6)
        for radius in STARTS_MM
    ]
    costs = [_cost(patch, known, one, 0.0) for one in tried]
    best = tried[int(np.argmin(costs))]
    return _judged(patch, known, best)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is known before the fit: the hub, the bay's hold, the picture's blur."""

    hub: Hub
    start: Standing
    ln_blur: float

    def pull(self, trial: _Trial) -> Floats:
        """How far off (5,) in standard deviations."""
        here, there = trial.standing, self.start
        return np.array(
            [
                (here.outward_mm - there.outward_mm) / _SHIFT_SIGMA_MM,
                (here.onward_mm - there.onward_mm) / _SHIFT_SIGMA_MM,
                (here.turn_rad - there.turn_rad) / _TURN_SIGMA_RAD,
                (here.lean_rad - there.lean_rad) / _LEAN_SIGMA_RAD,
                (trial.ln_blur - self.ln_blur) / _BLUR_SIGMA,
            ]
        )


def _left(patch: Patch, known: _Known, trial: _Trial, extra_px: float) -> Floats:
    """Misfit (n,) of the light that fits best."""
    blur_px = float(np.hypot(np.exp(trial.ln_blur), extra_px))
    basis = light_basis(patch, known.hub, trial.standing, blur_px)
    light = patch.light[patch.used]
    normal = basis.T @ basis + _RIDGE * len(light) * np.eye(basis.shape[1])
    return np.asarray(light - basis @ np.linalg.solve(normal, basis.T @ light))


def _searched(patch: Patch, known: _Known, trial: _Trial, extra_px: float) -> _Trial:
    """Best of a grid of shifts."""
    best, least = trial, np.inf
    noise2 = _noise2(patch, _left(patch, known, trial, extra_px))
    for outward in _SHIFTS_MM[0]:
        for onward in _SHIFTS_MM[1]:
            shifted = trial.moved(np.array([outward, onward, 0.0, 0.0, 0.0, 0.0]))
            pull = known.pull(shifted)
            cost = _cost(patch, known, shifted, extra_px) + noise2 * float(pull @ pull)
            if cost < least:
                best, least = shifted, cost
    return best


def _rounded(trial: _Trial, radius_mm: float) -> _Trial:
    return replace(trial, standing=replace(trial.standing, radius_mm=radius_mm))


def _cost(patch: Patch, known: _Known, trial: _Trial, extra_px: float) -> float:
    left = _left(patch, known, trial, extra_px)
    return float(left @ left)


def _descended(
    patch: Patch,
    known: _Known,
    trial: _Trial,
    extra_px: float,
    free: int,
    rounds: int = _ROUNDS,
) -> _Trial:
    """Levenberg-Marquardt over place, lean and blur, and with ``free`` 6 the radius."""
    left = _left(patch, known, trial, extra_px)
    noise2 = _noise2(patch, left)
    pull = known.pull(trial)
    cost = float(left @ left) / noise2 + float(pull @ pull)
    damping = 1e-3
    for _ in range(rounds):
        jacobian, pulls = _slopes(patch, known, trial, extra_px, left, free)
        normal = jacobian.T @ jacobian / noise2 + pulls.T @ pulls
        gradient = jacobian.T @ left / noise2 + pulls.T @ pull
        damped = normal + damping * np.diag(np.diag(normal)) + 1e-9 * np.eye(free)
        step = np.zeros(len(_STEPS))
        step[:free] = np.clip(-np.linalg.solve(damped, gradient), -15, 15)
        ahead = trial.moved(step * _STEPS)
        left_ahead, pull_ahead = _left(patch, known, ahead, extra_px), known.pull(ahead)
        after = float(left_ahead @ left_ahead) / noise2 + float(pull_ahead @ pull_ahead)
        gain = cost - after
        if gain <= 0:
            damping *= 20
            continue
        trial, left, pull, cost = ahead, left_ahead, pull_ahead, after
        damping /= 10
        if gain < _SETTLED:
            break
    return trial


def _slopes(
    patch: Patch,
    known: _Known,
    trial: _Trial,
    extra_px: float,
    left: Floats,
    free: int,
) -> tuple[Floats, Floats]:
    """Change of misfit (n, free) and pull (5, free) by one step of each unknown."""
    columns, pulls = [], []
    here = known.pull(trial)
    for index in range(free):
        step = np.zeros(len(_STEPS))
        step[index] = _STEPS[index]
        ahead = trial.moved(step)
        columns.append(_left(patch, known, ahead, extra_px) - left)
        pulls.append(known.pull(ahead) - here)
    return np.column_stack(columns), np.column_stack(pulls)


def _noise2(patch: Patch, left: Floats) -> float:
    """Variance of the misfit times how many pixels are off alike.

    Means over blocks scatter more than those of independent pixels would.
    """
    field = np.zeros(patch.shape)
    field[patch.used] = left
    mean = cv2.blur(field, (_BLOCK_PX, _BLOCK_PX), borderType=cv2.BORDER_CONSTANT)
    full = cv2.blur(
        patch.used.astype(np.float64),
        (_BLOCK_PX, _BLOCK_PX),
        borderType=cv2.BORDER_CONSTANT,
    )
    variance = float(np.mean(left**2))
    alike = _BLOCK_PX**2 * float(np.mean(mean[full > 0.999] ** 2)) / variance
    return variance * max(alike, 1.0) + 1e-9


def _judged(patch: Patch, known: _Known, best: _Trial) -> EdgeFit:
    left = _left(patch, known, best, 0.0)
    noise2 = _noise2(patch, left)
    jacobian, pulls = _slopes(patch, known, best, 0.0, left, len(_STEPS))
    normal = jacobian.T @ jacobian / noise2 + pulls.T @ pulls
    covariance = np.linalg.inv(normal + 1e-9 * np.eye(len(normal)))
    return EdgeFit(
        standing=best.standing,
        u_mm=float(np.sqrt(covariance[5, 5]) * _STEPS[5]),
        off_plane_rad=off_plane_rad(known.hub, best.standing),
        blur_px=float(np.exp(best.ln_blur)),
        misfit=float(np.sqrt(np.mean(left**2))),
        explained=1 - float(left @ left) / _smooth_cost(patch),
    )


def _smooth_cost(patch: Patch) -> float:
    """Misfit if there were no silhouette: light that changes quadratically."""
    x, y = places(patch)
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    light = patch.light[patch.used]
    left = light - basis @ np.linalg.lstsq(basis, light, rcond=None)[0]
    return max(float(left @ left), 1e-12)
