"""The lip under a base: a ring under the low half of its outline, any outline.

Slope frame, the underside at z = 0.  Where sanding wants an allowance it lies below
the underside, and the lip below that.  Full depth is kept over the whole low half; from
there uphill the lip runs out on a ramp, as on the rim coupon.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_tilt import ROOT_MM, SKIN_MM, parts, prism

if TYPE_CHECKING:
    import manifold3d
    import shapely  # noqa: TC004 - loaded where used
    from numpy.typing import NDArray

    from patterns.tilted_spec import TiltedSpec

RAMP_RATIO = 2.6  # length of the ramp to the lip's depth: the coupon's
_END_MM = 0.02  # depth in which the ramp ends
_CRUMB_MM = 0.2  # parts of the plan narrower than this are left out
_STEP_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Foot:
    """What a base gets below its underside, in the slope frame.

    ``region``: what the underside fills; ``lip``: the lip's plan, empty without one;
    ``outline``: the region's outside; ``middle_mm``: where along x the low half begins.
    """

    region: shapely.Geometry
    outline: shapely.Geometry
    lip: shapely.Geometry
    middle_mm: float
    allowance_mm: float
    lip_depth_mm: float

    def depth_mm(self, x_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Depth of the lip below the allowance at places along x, (n,)."""
        if not self.lip_depth_mm:
            return np.zeros_like(x_mm)
        ramp = RAMP_RATIO * self.lip_depth_mm
        left = 1.0 + (x_mm - self.middle_mm) / ramp
        return np.asarray(self.lip_depth_mm * np.clip(left, 0.0, 1.0))


def foot_of(region: shapely.Geometry, spec: TiltedSpec) -> Foot:
    """Lay out what comes below the underside.

    Parameters
    ----------
    region : shapely geometry
        What the underside fills, in the slope frame.
    spec : TiltedSpec
    """
    import shapely

    outline = shapely.union_all([shapely.Polygon(p.exterior) for p in parts(region)])
    left, low, right, high = outline.bounds
    middle = (left + right) / 2
    depth = spec.lip_depth_mm or 0.0
    lip = shapely.Polygon()
    if depth:
        start = middle - RAMP_RATIO * depth * (1 - _END_MM / depth)
        inner = outline.buffer(-spec.lip_width_mm, join_style="mitre")
        half = shapely.box(start, low - 1, right + 1, high + 1)
        lip = _without_crumbs(region.difference(inner).intersection(half))
    return Foot(
        region=region,
        outline=outline,
        lip=lip,
        middle_mm=middle,
        allowance_mm=spec.allowance_mm,
        lip_depth_mm=depth,
    )


def lip_solid(foot: Foot) -> manifold3d.Manifold:
    """Build the lip, standing in what is above it; empty without one."""
    from manifold3d import Manifold

    if foot.lip.is_empty:
        return Manifold()
    top = ROOT_MM - foot.allowance_mm
    skin = SKIN_MM if foot.allowance_mm else 0.0
    plan = foot.lip.buffer(-skin, join_style="mitre") if skin else foot.lip
    body = prism(plan, -foot.allowance_mm - foot.lip_depth_mm, top)
    # the ramp's plane: all that is above it stays
    slope = 1.0 / RAMP_RATIO
    size = math.hypot(slope, 1.0)
    start = foot.middle_mm - RAMP_RATIO * foot.lip_depth_mm
    offset = (start * slope - foot.allowance_mm) / size
    return body.trim_by_plane((slope / size, 0.0, 1.0 / size), offset)


def allowance_solid(foot: Foot) -> manifold3d.Manifold:
    """Build the slab that sanding takes off; empty without one."""
    from manifold3d import Manifold

    if not foot.allowance_mm:
        return Manifold()
    return prism(foot.region, -foot.allowance_mm, ROOT_MM)


def below_solid(foot: Foot) -> manifold3d.Manifold:
    """Build all that comes below the underside; empty for nothing."""
    return allowance_solid(foot) + lip_solid(foot)


def volumes_mm3(foot: Foot) -> tuple[float, float]:
    """Volume of the allowance and of the lip on it, without what stands in the base."""
    allowance = foot.region.area * foot.allowance_mm
    rooted = allowance_solid(foot)
    lip = (rooted + lip_solid(foot)).volume() - rooted.volume()
    if not foot.allowance_mm:
        lip -= foot.lip.area * ROOT_MM
    return allowance, lip


def covered_share(foot: Foot) -> float:
    """Share of the outline's low half that has the lip's full depth under it."""
    import shapely

    lines = foot.outline.boundary
    steps = np.arange(0.0, lines.length, _STEP_MM)
    points = shapely.line_interpolate_point(lines, steps)
    points = points[shapely.get_x(points) >= foot.middle_mm]
    near = shapely.distance(foot.lip, points) < 3 * SKIN_MM
    return float(near.mean()) if len(points) else 0.0


def _without_crumbs(plan: shapely.Geometry) -> shapely.Geometry:
    """Leave out parts too narrow to print."""
    import shapely

    kept = [p for p in parts(plan) if not p.buffer(-_CRUMB_MM / 2).is_empty]
    return shapely.union_all(kept) if kept else shapely.Polygon()
