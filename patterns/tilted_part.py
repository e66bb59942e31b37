"""A base as it stands tilted, looked at without being joined to what comes below it.

A base may have millions of triangles: it is turned once, and rays and cuts go through
it and through the small solids below its underside side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_sections import solid
from patterns.base_starts import starts_mm
from patterns.base_tilt import ROOT_MM, joined, slope_pose, tilt_pose
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    import manifold3d  # noqa: TC004 - loaded where used

    from patterns.base import Base
    from patterns.tilted_spec import TiltedSpec

STEEP = 0.176  # 10 degrees: less is nearly level, whatever the layers
_AT_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """Where a ray comes to the part: point (3,), and the face's normal (3,)."""

    point_mm: NDArray[np.float64]
    normal: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A base turned to a tilt about its own origin, not raised.

    ``turn`` (3, 3) from the base's frame; ``low_mm``, ``high_mm``: its lowest and
    highest point; ``plan_mm`` (n, 2): corners of its convex outline seen from above;
    ``starts_mm`` (k, 2): see :mod:`patterns.base_starts`, for ``steep``.
    """

    body: manifold3d.Manifold
    turn: NDArray[np.float64]
    low_mm: float
    high_mm: float
    plan_mm: NDArray[np.float64]
    starts_mm: NDArray[np.float64]
    steep: float

    def fits(self, spec: TiltedSpec) -> bool:
        """Whether it is what :func:`turned` would make."""
        return self.steep == _steep(spec) and np.array_equal(self.turn, _turn(spec))


def turned(base: Base, spec: TiltedSpec) -> Turned:
    """Turn a base to the tilt wanted."""
    turn = _turn(spec)
    points = base.vertices_mm @ turn.T
    return Turned(
        body=solid(base).transform(np.column_stack([turn, np.zeros(3)])),
        turn=turn,
        low_mm=float(points[:, 2].min()),
        high_mm=float(points[:, 2].max()),
        plan_mm=hull_mm(points[:, :2]),
        starts_mm=starts_mm(points, base.faces, _steep(spec)),
        steep=_steep(spec),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A tilted base with what is added below its underside; print frame.

    ``below``: lip and allowance in the frame of ``turned``, empty without;
    ``below_starts_mm`` as ``turned.starts_mm``; ``depth_mm``: how far they reach below
    the underside; ``lift_mm``: how far all is raised.
    """

    turned: Turned
    below: manifold3d.Manifold
    below_starts_mm: NDArray[np.float64]
    depth_mm: float
    lift_mm: float

    @property
    def heights_mm(self) -> tuple[float, float]:
        """Lowest and highest point."""
        low, high = self.turned.low_mm, self.turned.high_mm
        if not self.below.is_empty():
            low = min(low, self.below.bounding_box()[2])
        return low + self.lift_mm, high + self.lift_mm

    def slice(self, z_mm: float) -> manifold3d.CrossSection:
        """Cut it level."""
        cut = self.turned.body.slice(z_mm - self.lift_mm)
        return cut + self.below.slice(z_mm - self.lift_mm)

    def hits(
        self, start_mm: NDArray[np.float64], end_mm: NDArray[np.float64]
    ) -> list[Hit]:
        """Find what a stretch from one point (3,) to another meets, in order.

        The base itself is asked only where the stretch comes above its underside.
        """
        lift = np.array([0.0, 0.0, self.lift_mm])
        start, end = start_mm - lift, end_mm - lift
        upright = np.array([start, end]) @ self.turned.turn[:, 2]
        met = []
        if upright.max() >= -_AT_MM:
            met += self.turned.body.ray_cast(tuple(start), tuple(end))
        if upright.max() >= -self.depth_mm - _AT_MM and upright.min() <= ROOT_MM:
            met += self.below.ray_cast(tuple(start), tuple(end))
        return [
            Hit(point_mm=np.array(hit.position) + lift, normal=np.array(hit.normal))
            for hit in sorted(met, key=lambda hit: hit.distance)
        ]

    def begins(
        self, heights_mm: NDArray[np.float64], layer_mm: float
    ) -> NDArray[np.bool_]:
        """Whether something may begin in the layer that ends at each height, (n,)."""
        starts = np.vstack([self.turned.starts_mm, self.below_starts_mm]) + self.lift_mm
        change = np.zeros(len(heights_mm) + 1, np.int64)
        first = np.searchsorted(heights_mm, starts[:, 0] - _AT_MM)
        after = np.searchsorted(heights_mm, starts[:, 1] + layer_mm + _AT_MM, "right")
        np.add.at(change, first, 1)
        np.add.at(change, after, -1)
        return np.asarray(change.cumsum()[:-1] > 0)


def part_of(
    base_turned: Turned, below: manifold3d.Manifold, depth_mm: float, floor_mm: float
) -> Part:
    """Stand a turned base over a floor.

    Parameters
    ----------
    base_turned : Turned
    below : Manifold
        Lip and allowance, in its frame.
    depth_mm : float
        How far they reach below the underside.
    floor_mm : float
        Height its lowest point gets.
    """
    starts, low = np.empty((0, 2)), base_turned.low_mm
    if not below.is_empty():
        starts = starts_mm(*mesh_arrays(below), base_turned.steep)
        low = min(low, below.bounding_box()[2])
    return Part(
        turned=base_turned,
        below=below,
        below_starts_mm=starts,
        depth_mm=depth_mm,
        lift_mm=floor_mm - low,
    )


def hull_mm(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Corners of the convex outline of points (n, 2)."""
    from scipy.spatial import ConvexHull

    return np.asarray(points_mm[ConvexHull(points_mm).vertices])


def _turn(spec: TiltedSpec) -> NDArray[np.float64]:
    return joined(tilt_pose(spec.tilt_deg), slope_pose(spec.front_deg))[:, :3]


def _steep(spec: TiltedSpec) -> float:
    return max(STEEP, spec.layer_mm / spec.hang_limit_mm)
