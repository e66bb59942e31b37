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
from analysis.profile_patch import (
    Body,
    Optics,
    Patch,
    band,
    body_of,
    cut,
    light_basis,
    places,
    trimmed,
)
from analysis.profile_shape import Standing, off_plane_rad

if TYPE_CHECKING:
    from analysis.photo import Photo

Floats = NDArray[np.float64]

STARTS_MM = (0.05, 0.15, 0.3, 0.5, 0.8)
MOST_MM = 1.2
"""Rounder edges leave no bottom face within the window."""
COARSE_PX = (4.0, 2.0)
_SHIFTS_MM = (np.arange(-0.25, 0.26, 0.25), np.arange(-0.25, 0.26, 0.25))
_STEPS = np.array([0.01, 0.01, 2e-3, 2e-3, 0.03, 1e-3, 0.5, 0.02])
"""Outward, onward, turn, lean, ln blur, lens, focus, radius."""

_OPTICAL = (4, 5, 6)

_LEAN_SIGMA_RAD = np.deg2rad(0.5)
_TURN_SIGMA_RAD = np.deg2rad(2.0)
_SHIFT_SIGMA_MM = 0.15
_BLUR_SIGMA = 0.08
_LENS_MM, _LENS_SIGMA = 3.3, 0.35
"""Width of a phone's lens (f/1.8 at 6 mm: common practice, no source), and how far it
may differ, as a share."""

_FOCUS_SIGMA_MM = 2.5
_LIGHT_SIGMA = np.array([0, 0.1, 0.1, 0.1, 1.0, 0.3, 0.3, 0, 0.5, 0.5, 0.3])
"""How much the light on body and table may change, over their difference; 0: freely.
An edge as bright as the table would be no edge."""

_ROUNDS = 10
_SETTLED = 0.01
_BLOCK_PX = 4
_RIDGE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFit:
    """The best silhouette.

    ``u_mm`` is the standard uncertainty of ``standing.radius_mm`` from noise, place,
    lean and blur together, noise and its correlation taken from the misfit.
    ``sharp_chi2`` is how much worse a sharp edge would fit, in variances of the noise.
    ``explained`` is the share of the light's changes that the silhouette explains
    beyond smooth light.
    """

    standing: Standing
    u_mm: float
    off_plane_rad: float
    blur_px: float
    misfit: float
    explained: float
    sharp_chi2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    standing: Standing
    ln_blur: float
    lens_rad: float
    focus_mm: float = 0.0

    @property
    def radius_mm(self) -> float:
        return self.standing.radius_mm

    def moved(self, step: Floats) -> _Trial:
        radius = float(np.clip(self.radius_mm + step[7], 0.0, MOST_MM))
        return _Trial(
            standing=replace(self.standing.moved(step[:4]), radius_mm=radius),
            ln_blur=self.ln_blur + float(step[4]),
            lens_rad=max(self.lens_rad + float(step[5]), 0.0),
            focus_mm=self.focus_mm + float(step[6]),
        )


def fit_edge(photo: Photo, hub: Hub, start: Standing, optics: Optics) -> EdgeFit | None:
    """Fit the silhouette of a tile's rim.

    Parameters
    ----------
    photo : Photo
    hub : Hub
    start : Standing
        Where the tile is expected, good to half a millimetre.
    optics : Optics
        The picture's blur at sharp edges, good to 8 %, and its sharpening.

    Returns
    -------
    EdgeFit, or None if the rim's surroundings are not wholly in the photo.
    """
    patch = cut(photo, hub, start)
    if patch is None:
        return None
    known = _Known(hub=hub, start=start, optics=optics, contrast=_contrast(patch))
    trial = _Trial(
        standing=replace(start, radius_mm=0.15),
        ln_blur=float(np.log(optics.blur_px)),
        lens_rad=known.lens_rad,
    )
    trial = _placed(patch, known, trial)
    patch = trimmed(patch, hub, band(patch, hub, trial.standing))
    best = _descended(patch, known, trial, 0.0, free=8)
    known = replace(known, noise2=_noise2(patch, _left(patch, known, best, 0.0)))
    sharp = _descended(patch, known, _rounded(best, 0.0), 0.0, free=7, rounds=6)
    cost, sharp_cost = (_whole_cost(patch, known, one) for one in (best, sharp))
    if sharp_cost < cost:
        best = _descended(patch, known, _rounded(sharp, 0.03), 0.0, free=8)
        cost = _whole_cost(patch, known, best)
    return _judged(patch, known, best, sharp_cost - cost)


def _placed(patch: Patch, known: _Known, trial: _Trial) -> _Trial:
    """Find place and lean, then roughly the radius, in softened pictures."""
    first, last = COARSE_PX
    soft = _softened(patch, first)
    trial = _searched(soft, known, trial, first)
    trial = _descended(soft, known, trial, first, free=4, rounds=4)
    soft = _softened(patch, last)
    trial = _descended(soft, known, trial, last, free=4, rounds=4)
    costs = [_cost(soft, known, _rounded(trial, r), last) for r in STARTS_MM]
    return _rounded(trial, STARTS_MM[int(np.argmin(costs))])


def _softened(patch: Patch, sigma_px: float) -> Patch:
    light = cv2.GaussianBlur(patch.light, (0, 0), sigma_px)
    return replace(patch, light=np.asarray(light, dtype=np.float64))


def _whole_cost(patch: Patch, known: _Known, trial: _Trial) -> float:
    """Misfit over noise, with what is known beforehand."""
    pull = known.pull(trial)
    return _cost(patch, known, trial, 0.0) / known.noise2 + float(pull @ pull)


def _contrast(patch: Patch) -> float:
    """Difference of light between table and body, roughly."""
    dark, bright = np.percentile(patch.light[patch.used], [15.0, 85.0])
    return max(float(bright - dark), 1e-3)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is known before the fit: the hub, the bay's hold, the picture's blur."""

    hub: Hub
    start: Standing
    optics: Optics
    contrast: float
    noise2: float = 1e-3

    def seen(self, trial: _Trial, extra_px: float) -> Optics:
        """Blur of a trial on a picture softened by ``extra_px``."""
        blur_px = float(np.hypot(np.exp(trial.ln_blur), extra_px))
        if extra_px > 0:
            return Optics(blur_px=blur_px)
        return replace(
            self.optics,
            blur_px=blur_px,
            lens_rad=trial.lens_rad,
            focus_mm=trial.focus_mm,
        )

    @property
    def lens_rad(self) -> float:
        """Half the lens as seen from the hub."""
        return 0.5 * _LENS_MM * self.hub.view.inverse_distance_per_mm

    def pull(self, trial: _Trial) -> Floats:
        """How far off (7,) in standard deviations."""
        here, there = trial.standing, self.start
        return np.array(
            [
                (here.outward_mm - there.outward_mm) / _SHIFT_SIGMA_MM,
                (here.onward_mm - there.onward_mm) / _SHIFT_SIGMA_MM,
                (here.turn_rad - there.turn_rad) / _TURN_SIGMA_RAD,
                (here.lean_rad - there.lean_rad) / _LEAN_SIGMA_RAD,
                (trial.ln_blur - np.log(self.optics.blur_px)) / _BLUR_SIGMA,
                (trial.lens_rad - self.lens_rad) / (_LENS_SIGMA * self.lens_rad + 1e-4),
                trial.focus_mm / _FOCUS_SIGMA_MM,
            ]
        )


def _left(
    patch: Patch,
    known: _Known,
    trial: _Trial,
    extra_px: float,
    body: Body | None = None,
) -> Floats:
    """Misfit (n + k,) of the light that fits best, then that of its own changes."""
    standing = trial.standing
    body = body or body_of(patch, known.hub, standing)
    optics = known.seen(trial, extra_px)
    basis = light_basis(patch, known.hub, standing, optics, body)
    light = patch.light[patch.used]
    stiff = np.zeros(len(_LIGHT_SIGMA))
    bound = _LIGHT_SIGMA > 0
    stiff[bound] = np.sqrt(known.noise2) / (_LIGHT_SIGMA[bound] * known.contrast)
    normal = (
        basis.T @ basis + np.diag(stiff**2) + _RIDGE * len(light) * np.eye(len(stiff))
    )
    size = np.linalg.solve(normal, basis.T @ light)
    return np.concatenate([light - basis @ size, stiff * size])


def _searched(patch: Patch, known: _Known, trial: _Trial, extra_px: float) -> _Trial:
    """Best of a grid of shifts."""
    best, least = trial, np.inf
    noise2 = _noise2(patch, _left(patch, known, trial, extra_px))
    for outward in _SHIFTS_MM[0]:
        for onward in _SHIFTS_MM[1]:
            shifted = trial.moved(np.array([outward, onward, *np.zeros(6)]))
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
    """Levenberg-Marquardt over place, lean and blur, and with ``free`` 8 the radius."""
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
    """Change of misfit (n, free) and pull (7, free) by one step of each unknown."""
    columns, pulls = [], []
    here = known.pull(trial)
    body = body_of(patch, known.hub, trial.standing)
    for index in range(free):
        step = np.zeros(len(_STEPS))
        step[index] = _STEPS[index]
        ahead = trial.moved(step)
        same = body if index in _OPTICAL else None
        columns.append(_left(patch, known, ahead, extra_px, same) - left)
        pulls.append(known.pull(ahead) - here)
    return np.column_stack(columns), np.column_stack(pulls)


def _noise2(patch: Patch, left: Floats) -> float:
    """Variance of the misfit times how many pixels are off alike.

    Means over blocks scatter more than those of independent pixels would.
    """
    left = left[: int(patch.used.sum())]
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


def _judged(patch: Patch, known: _Known, best: _Trial, sharp_chi2: float) -> EdgeFit:
    left = _left(patch, known, best, 0.0)
    noise2 = _noise2(patch, left)
    jacobian, pulls = _slopes(patch, known, best, 0.0, left, len(_STEPS))
    normal = jacobian.T @ jacobian / noise2 + pulls.T @ pulls
    covariance = np.linalg.inv(normal + 1e-9 * np.eye(len(normal)))
    return EdgeFit(
        standing=best.standing,
        u_mm=float(np.sqrt(covariance[7, 7]) * _STEPS[7]),
        off_plane_rad=off_plane_rad(known.hub, best.standing),
        blur_px=float(np.exp(best.ln_blur)),
        misfit=float(np.sqrt(np.mean(left[: int(patch.used.sum())] ** 2))),
        explained=1 - float(left @ left) / _smooth_cost(patch),
        sharp_chi2=sharp_chi2,
    )


def _smooth_cost(patch: Patch) -> float:
    """Misfit if there were no silhouette: light that changes quadratically."""
    x, y = places(patch)
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    light = patch.light[patch.used]
    left = light - basis @ np.linalg.lstsq(basis, light, rcond=None)[0]
    return max(float(left @ left), 1e-12)
