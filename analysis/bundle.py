"""Fit camera, coupon and ruler to what was seen of them, together.

Unknowns: the nine of :data:`analysis.camera.VIEW_NAMES`; with a ruler also the part's
scale and where the ruler's line lies in the plane of the plate face.  The ruler's face
is taken to be level with the plate face: its true height can't be had from the photo
(it acts like a change of the part's scale) and is a matter for the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.camera import VIEW_NAMES, View

Floats = NDArray[np.float64]

RULER_NAMES = ("ln_part_scale", "ruler_along_mm", "ruler_aside_mm", "ruler_turn_rad")
_MARK_ASIDE_PX = 1.5
"""How well a mark's foot is known across the ruler: it only keeps the line in place."""

_ITERATIONS = 30
_HUBER = 2.5
_PRIORS = 5
_SETTLED = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is known beforehand, as mean and standard deviation."""

    inverse_distance_per_mm: tuple[float, float]
    k1: tuple[float, float] = (0.0, 0.012)
    tilt_rad: tuple[float, float] = (0.0, 0.2)
    bow_per_mm: tuple[float, float] = (0.0, 0.25 / 54.5**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Observations: hole centres with covariance, marks of the ruler (may be none).

    ``holes_mm`` (n, 2) design, ``holes_px`` (n, 2), ``holes_cov_px2`` (n, 2, 2),
    ``marks_mm`` (m,), ``marks_px`` (m, 2), ``mark_sigma_px`` along the ruler.
    """

    holes_mm: Floats
    holes_px: Floats
    holes_cov_px2: Floats
    marks_mm: Floats
    marks_px: Floats
    mark_sigma_px: float

    @property
    def with_ruler(self) -> bool:
        """Whether a ruler takes part."""
        return len(self.marks_mm) > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """All unknowns."""

    view: View
    ln_part_scale: float = 0.0
    ruler_along_mm: float = 0.0
    ruler_aside_mm: float = 0.0
    ruler_turn_rad: float = 0.0

    def moved(self, step: Floats) -> State:
        """Change the unknowns by ``step`` (9 or 13,)."""
        view = self.view.moved(step[: len(VIEW_NAMES)])
        rest = step[len(VIEW_NAMES) :]
        if len(rest) == 0:
            return replace(self, view=view)
        return State(
            view=view,
            ln_part_scale=self.ln_part_scale + float(rest[0]),
            ruler_along_mm=self.ruler_along_mm + float(rest[1]),
            ruler_aside_mm=self.ruler_aside_mm + float(rest[2]),
            ruler_turn_rad=self.ruler_turn_rad + float(rest[3]),
        )

    def marks_at_mm(self, marks_mm: Floats) -> Floats:
        """Place the marks (m,) in the coupon's frame (m, 3)."""
        c, s = np.cos(self.ruler_turn_rad), np.sin(self.ruler_turn_rad)
        along = marks_mm + self.ruler_along_mm
        x, y = along * c - self.ruler_aside_mm * s, along * s + self.ruler_aside_mm * c
        return np.column_stack([x, y, np.zeros_like(x)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """``covariance`` (p, p) is scaled up where the misfit is larger than expected."""

    state: State
    covariance: Floats
    hole_misfit_px: Floats
    mark_misfit_px: Floats
    chi2_ratio: float


_VIEW_SCALES = np.array([1e-2, 1e-2, 1e-3, 1.0, 1.0, 1e-3, 0.1, 1e-2, 0.1])
_RULER_SCALES = np.array([1e-3, 0.1, 0.1, 1e-3])


def fit(start: State, seen: Seen, priors: Priors) -> Fitted:
    """Robust least squares (Levenberg and Marquardt) from ``start``."""
    scales = _VIEW_SCALES
    if seen.with_ruler:
        scales = np.concatenate([scales, _RULER_SCALES])
    state = start
    damping = 1e-3
    residual = _residual(state, seen, priors)
    for _ in range(_ITERATIONS):
        weight = _huber(residual, seen)
        jacobian = _jacobian(state, seen, priors, scales)
        weighted = weight[:, None] * jacobian
        normal = jacobian.T @ weighted
        gradient = weighted.T @ residual
        step = np.linalg.solve(
            normal + damping * np.diag(np.diag(normal) + 1e-9), gradient
        )
        ahead = state.moved(-step * scales)
        after = _residual(ahead, seen, priors)
        gain = float(np.sum(weight * (residual**2 - after**2)))
        if gain > 0:
            state, residual, damping = ahead, after, max(damping / 10, 1e-9)
        else:
            damping *= 10
        if abs(gain) < _SETTLED or damping > 1e6:
            break
    return _finish(state, residual, seen, priors, scales)


def _finish(
    state: State, residual: Floats, seen: Seen, priors: Priors, scales: Floats
) -> Fitted:
    weight = _huber(residual, seen)
    jacobian = _jacobian(state, seen, priors, scales)
    free = max(len(residual) - len(scales), 1)
    chi2 = float(np.sum(weight * residual**2)) / free
    weight[:-_PRIORS] /= max(chi2, 1.0)  # what is seen is doubted, not what is known
    covariance = np.linalg.inv(jacobian.T @ (weight[:, None] * jacobian))
    holes = project_holes(state, seen) - seen.holes_px
    marks = project_marks(state, seen) - seen.marks_px
    return Fitted(
        state=state,
        covariance=covariance * np.outer(scales, scales),
        hole_misfit_px=holes,
        mark_misfit_px=marks,
        chi2_ratio=chi2,
    )


def project_holes(state: State, seen: Seen) -> Floats:
    """Pixels (n, 2) of the hole centres."""
    flat = np.zeros((len(seen.holes_mm), 3))
    flat[:, :2] = seen.holes_mm * np.exp(state.ln_part_scale)
    return state.view.project(flat)


def project_marks(state: State, seen: Seen) -> Floats:
    """Pixels (m, 2) of the ruler's marks: it stays flat, however the coupon bends."""
    flat = replace(state.view, bow_per_mm=0.0)
    return flat.project(state.marks_at_mm(seen.marks_mm))


def _residual(state: State, seen: Seen, priors: Priors) -> Floats:
    """Whitened misfits: holes (2 n), marks along and aside (2 m), priors."""
    parts = [_white(project_holes(state, seen) - seen.holes_px, seen).ravel()]
    if seen.with_ruler:
        at = project_marks(state, seen)
        misfit = at - seen.marks_px
        along = (at[-1] - at[0]) / np.linalg.norm(at[-1] - at[0])
        aside = np.array([-along[1], along[0]])
        parts += [misfit @ along / seen.mark_sigma_px, misfit @ aside / _MARK_ASIDE_PX]
    view = state.view
    parts.append(
        np.array(
            [
                (value - mean) / sigma
                for value, (mean, sigma) in (
                    (view.inverse_distance_per_mm, priors.inverse_distance_per_mm),
                    (view.k1, priors.k1),
                    (view.bow_per_mm, priors.bow_per_mm),
                    (view.rotation[2, 0], priors.tilt_rad),
                    (view.rotation[2, 1], priors.tilt_rad),
                )
            ]
        )
    )
    return np.concatenate(parts)


def _white(misfit_px: Floats, seen: Seen) -> Floats:
    lower = np.linalg.cholesky(seen.holes_cov_px2)
    return np.asarray(np.linalg.solve(lower, misfit_px[:, :, None])[:, :, 0])


def _jacobian(state: State, seen: Seen, priors: Priors, scales: Floats) -> Floats:
    columns = []
    for index, scale in enumerate(scales):
        step = np.zeros(len(scales))
        step[index] = 0.01 * scale
        ahead = _residual(state.moved(step), seen, priors)
        behind = _residual(state.moved(-step), seen, priors)
        columns.append((ahead - behind) / 0.02)
    return np.column_stack(columns)


def _huber(residual: Floats, seen: Seen) -> Floats:
    """Weights; a hole is kept or doubted as a whole, priors are never doubted."""
    weight = np.ones(len(residual))
    count = 2 * len(seen.holes_mm)
    size = np.linalg.norm(residual[:count].reshape(-1, 2), axis=1)
    # many holes off alike is a poor model, not outliers: judge against the median
    cut = _HUBER * max(1.0, float(np.median(size)))
    weight[:count] = np.repeat(np.minimum(1.0, cut / np.maximum(size, 1e-9)), 2)
    marks = slice(count, len(residual) - _PRIORS)
    size = np.abs(residual[marks])
    weight[marks] = np.minimum(1.0, _HUBER / np.maximum(size, 1e-9))
    return weight
