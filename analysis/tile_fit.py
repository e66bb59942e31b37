"""Least squares for one camera over a plane with many tiles and perhaps a ruler.

Each tile's place moves only what is seen of that tile, so all tiles' x (y, turn) are
differentiated in one go and the cost hardly grows with their number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.bundle import Priors
from analysis.camera import VIEW_NAMES, View

Floats = NDArray[np.float64]

CAMERA_NAMES = ("turn_x_rad", "turn_y_rad", "ln_scale", "inverse_distance_per_m", "k1")
RULER_NAMES = ("ln_part_scale", "ruler_along_mm", "ruler_aside_mm", "ruler_turn_rad")
_CAMERA = [VIEW_NAMES.index(name) for name in CAMERA_NAMES]
_CAMERA_SCALES = np.array([1e-2, 1e-2, 1e-3, 0.1, 1e-2])
_RULER_SCALES = np.array([1e-3, 0.1, 0.1, 1e-3])
_GROWTH_SCALE = 0.01
_PLACE_SCALES = np.array([0.1, 0.1, 1e-2, 1e-3])
_U_OWN_SCALE = 0.002
"""Tiles of one print differ by this much in size: they shrink as they were tilted."""

_U_GROWTH_MM = 0.1
_MARK_ASIDE_PX = 1.5
_PRIORS = 5
_HUBER = 2.5
_ITERATIONS = 30
_SETTLED = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneSeen:
    """What is seen of the tiles' edges (n) and of the ruler (m).

    ``design_mm`` (n, 2) and ``normal`` (n, 2) in the tile's frame, ``px`` (n, 2) a
    point on the edge, ``normal_px`` (n, 2) across it, ``sigma_px`` (n,), ``owner`` (n,)
    index of the tile; ``marks_mm`` (m,), ``marks_px`` (m, 2), ``marks_z_mm`` how far
    behind the plane the marks lie.
    """

    design_mm: Floats
    normal: Floats
    px: Floats
    normal_px: Floats
    sigma_px: Floats
    owner: NDArray[np.intp]
    marks_mm: Floats
    marks_px: Floats
    mark_sigma_px: float
    marks_z_mm: float

    @property
    def with_ruler(self) -> bool:
        """Whether a ruler takes part."""
        return len(self.marks_mm) > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneState:
    """All unknowns; ``places`` (k, 4): x, y (printed mm), turn, ln of own scale."""

    view: View
    places: Floats
    growth_mm: float = 0.0
    ln_part_scale: float = 0.0
    ruler_along_mm: float = 0.0
    ruler_aside_mm: float = 0.0
    ruler_turn_rad: float = 0.0

    def moved(self, common: Floats, places: Floats) -> PlaneState:
        """Change camera, growth (and ruler) by ``common`` (6 or 10,), and places."""
        step = np.zeros(len(VIEW_NAMES))
        step[_CAMERA] = common[: len(_CAMERA)]
        growth, *ruler = common[len(_CAMERA) :]
        along = dict(zip(RULER_NAMES, ruler, strict=True)) if ruler else {}
        return replace(
            self,
            view=self.view.moved(step),
            places=self.places + places,
            growth_mm=self.growth_mm + float(growth),
            **{name: getattr(self, name) + float(by) for name, by in along.items()},
        )

    def with_ruler_laid(self, seen: PlaneSeen) -> PlaneState:
        """Start values of part scale and ruler, the picture taken as it is."""
        if not seen.with_ruler:
            return self
        at = self.view.back_project(seen.marks_px, seen.marks_z_mm)
        (dx, x0), (dy, y0) = (
            np.polyfit(seen.marks_mm, at[:, axis], 1) for axis in (0, 1)
        )
        stretch, turn = float(np.hypot(dx, dy)), float(np.arctan2(dy, dx))
        x0, y0 = x0 / stretch, y0 / stretch
        scale = self.view.scale_px_per_mm * stretch
        q = self.view.inverse_distance_per_mm * stretch
        return replace(
            self,
            view=replace(self.view, scale_px_per_mm=scale, inverse_distance_per_mm=q),
            places=self.places / np.array([stretch, stretch, 1.0, 1.0]),
            ln_part_scale=-float(np.log(stretch)),
            ruler_along_mm=float(x0 * np.cos(turn) + y0 * np.sin(turn)),
            ruler_aside_mm=float(-x0 * np.sin(turn) + y0 * np.cos(turn)),
            ruler_turn_rad=turn,
        )

    def edges_px(self, seen: PlaneSeen) -> Floats:
        """Pixels (n, 2) of the edges."""
        own = self.places[seen.owner]
        points = seen.design_mm * np.exp(self.ln_part_scale + own[:, 3:])
        points = points + self.growth_mm * seen.normal
        c, s = np.cos(own[:, 2]), np.sin(own[:, 2])
        x = own[:, 0] + c * points[:, 0] - s * points[:, 1]
        y = own[:, 1] + s * points[:, 0] + c * points[:, 1]
        return self.view.project(np.column_stack([x, y, np.zeros_like(x)]))

    def marks_at_px(self, seen: PlaneSeen) -> Floats:
        """Pixels (m, 2) of the ruler's marks."""
        c, s = np.cos(self.ruler_turn_rad), np.sin(self.ruler_turn_rad)
        along = seen.marks_mm + self.ruler_along_mm
        x = along * c - self.ruler_aside_mm * s
        y = along * s + self.ruler_aside_mm * c
        z = np.full_like(x, seen.marks_z_mm)
        return self.view.project(np.column_stack([x, y, z]))

    def scale_of(self, index: int) -> float:
        """Give the printed over the design size of one tile."""
        return float(np.exp(self.ln_part_scale + self.places[index, 3]))

    def tile_view(self, index: int) -> View:
        """Give the same camera in the frame of one tile."""
        x, y, angle, _ = self.places[index]
        return self.view.placed(float(x), float(y), float(angle))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneFit:
    """``names`` and ``covariance`` are of what all tiles share, places eliminated.

    ``u_own_scale`` (k,) is the relative standard uncertainty of each tile's own scale
    against the ruler (or against the common one).
    """

    state: PlaneState
    names: tuple[str, ...]
    covariance: Floats
    u_own_scale: Floats
    residual_px: float

    def u(self, name: str) -> float:
        """Give the standard uncertainty of one of ``names``."""
        index = self.names.index(name)
        return float(np.sqrt(self.covariance[index, index]))


def fit_plane(start: PlaneState, seen: PlaneSeen, priors: Priors) -> PlaneFit:
    """Robust least squares (Levenberg and Marquardt) from ``start``."""
    scales = np.concatenate(
        [_CAMERA_SCALES, [_GROWTH_SCALE], _RULER_SCALES if seen.with_ruler else []]
    )
    job = _Job(seen=seen, priors=priors, scales=scales)
    state, damping = start, 1e-3
    residual = job.residual(state)
    for _ in range(_ITERATIONS):
        weight = job.weight(residual, len(state.places))
        jacobian = job.jacobian(state)
        weighted = weight[:, None] * jacobian
        normal = jacobian.T @ weighted
        step = np.linalg.solve(
            normal + damping * np.diag(np.diag(normal) + 1e-9), weighted.T @ residual
        )
        ahead = job.moved(state, np.asarray(-step))
        after = job.residual(ahead)
        gain = float(np.sum(weight * (residual**2 - after**2)))
        if gain > 0:
            state, residual, damping = ahead, after, max(damping / 10, 1e-9)
        else:
            damping *= 10
        if abs(gain) < _SETTLED * len(residual) or damping > 1e6:
            break
    return _finish(job, state, residual)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    seen: PlaneSeen
    priors: Priors
    scales: Floats

    def residual(self, state: PlaneState) -> Floats:
        """Whitened misfits: edges (n), marks (2 m), own scales (k), priors."""
        seen, view = self.seen, state.view
        off = np.sum((state.edges_px(seen) - seen.px) * seen.normal_px, axis=1)
        parts = [off / seen.sigma_px]
        if seen.with_ruler:
            at = state.marks_at_px(seen)
            along = (at[-1] - at[0]) / np.linalg.norm(at[-1] - at[0])
            aside = np.array([-along[1], along[0]])
            miss = at - seen.marks_px
            parts += [miss @ along / seen.mark_sigma_px, miss @ aside / _MARK_ASIDE_PX]
        parts.append(state.places[:, 3] / _U_OWN_SCALE)
        known = (
            (view.inverse_distance_per_mm, self.priors.inverse_distance_per_mm),
            (view.k1, self.priors.k1),
            (view.rotation[2, 0], self.priors.tilt_rad),
            (view.rotation[2, 1], self.priors.tilt_rad),
            (state.growth_mm, (0.0, _U_GROWTH_MM)),
        )
        parts.append(np.array([(v - mean) / sigma for v, (mean, sigma) in known]))
        return np.concatenate(parts)

    def moved(self, state: PlaneState, step: Floats) -> PlaneState:
        common, places = step[: len(self.scales)], step[len(self.scales) :]
        return state.moved(common * self.scales, places.reshape(-1, 4) * _PLACE_SCALES)

    def jacobian(self, state: PlaneState) -> Floats:
        """Columns: what is shared, then the places' tile by tile."""
        shared, count = len(self.scales), len(state.places)
        columns = np.zeros((len(self.residual(state)), shared + 4 * count))
        for index in range(shared):
            columns[:, index] = self._slope(state, index, None)
        rows = np.arange(len(self.seen.owner))
        for axis in range(4):
            slope = self._slope(state, None, axis)[: len(rows)]
            columns[rows, shared + 4 * self.seen.owner + axis] = slope
        own = np.arange(count)
        first = len(columns) - _PRIORS - count
        columns[first + own, shared + 4 * own + 3] = _PLACE_SCALES[3] / _U_OWN_SCALE
        return columns

    def _slope(self, state: PlaneState, shared: int | None, axis: int | None) -> Floats:
        step = np.zeros(len(self.scales) + state.places.size)
        if shared is not None:
            step[shared] = 0.01
        if axis is not None:
            step[len(self.scales) + axis :: 4] = 0.01
        ahead = self.residual(self.moved(state, step))
        behind = self.residual(self.moved(state, -step))
        return np.asarray((ahead - behind) / 0.02)

    def weight(self, residual: Floats, tiles: int) -> Floats:
        """Huber's weights; priors are never doubted."""
        size = np.abs(residual)
        weight = np.minimum(1.0, _HUBER / np.maximum(size, 1e-9))
        weight[-_PRIORS - tiles :] = 1.0
        return np.asarray(weight)


def _finish(job: _Job, state: PlaneState, residual: Floats) -> PlaneFit:
    count = len(state.places)
    weight = job.weight(residual, count)
    jacobian = job.jacobian(state)
    free = max(len(residual) - jacobian.shape[1], 1)
    chi2 = float(np.sum(weight * residual**2)) / free
    # what is seen is doubted, not what is known
    weight[: -_PRIORS - count] /= max(chi2, 1.0)
    covariance = np.linalg.inv(jacobian.T @ (weight[:, None] * jacobian))
    shared = len(job.scales)
    names = (*CAMERA_NAMES, "growth_mm", *(RULER_NAMES if job.seen.with_ruler else ()))
    edges_px = residual[: len(job.seen.owner)] * job.seen.sigma_px
    own = np.zeros((count, len(covariance)))
    own[np.arange(count), shared + 4 * np.arange(count) + 3] = _PLACE_SCALES[3]
    if job.seen.with_ruler:
        own[:, names.index("ln_part_scale")] = _RULER_SCALES[0]
    return PlaneFit(
        state=state,
        names=names,
        u_own_scale=np.sqrt(np.sum((own @ covariance) * own, axis=1)),
        covariance=covariance[:shared, :shared] * np.outer(job.scales, job.scales),
        residual_px=float(np.sqrt(np.mean(edges_px**2))),
    )
