"""How a base stands when it is tilted: frames, and the region its underside fills.

Slope frame: the base's frame turned about z until the side least seen lies towards +x.
Print frame: the slope frame tilted about y until +x is low, and raised.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_sections import polygons, sections

if TYPE_CHECKING:
    import manifold3d
    import shapely
    from numpy.typing import NDArray

    from patterns.base import Base

SKIN_MM = 0.002  # two surfaces that only just touch are slow to join
ROOT_MM = 0.02  # how far what is added below the underside reaches into the base


def slope_pose(front_deg: float) -> NDArray[np.float64]:
    """From the base's frame to the slope frame, (3, 4)."""
    turn = math.radians(180.0 - front_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    return np.array([[cos, -sin, 0, 0], [sin, cos, 0, 0], [0, 0, 1, 0]], np.float64)


def tilt_pose(tilt_deg: float, lift_mm: float = 0.0) -> NDArray[np.float64]:
    """From the slope frame to the print frame, (3, 4)."""
    tilt = math.radians(tilt_deg)
    cos, sin = math.cos(tilt), math.sin(tilt)
    return np.array([[cos, 0, sin, 0], [0, 1, 0, 0], [-sin, 0, cos, lift_mm]])


def joined(
    last: NDArray[np.float64], first: NDArray[np.float64]
) -> NDArray[np.float64]:
    """One pose (3, 4) after the other."""
    turn = last[:, :3] @ first[:, :3]
    return np.column_stack([turn, last[:, :3] @ first[:, 3] + last[:, 3]])


def moved(
    points_mm: NDArray[np.float64], pose: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Points (n, 3) in the frame that a pose leads to."""
    return np.asarray(points_mm @ pose[:, :3].T + pose[:, 3])


def moved_back(
    points_mm: NDArray[np.float64], pose: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Points (n, 3) in the frame that a pose comes from."""
    return np.asarray((points_mm - pose[:, 3]) @ pose[:, :3])


def underside_region(base: Base, front_deg: float) -> shapely.Geometry:
    """Region that the material fills at the underside, inside all it fills just above.

    In the slope frame.  What is added below the underside stands in it and touches no
    wall.
    """
    import shapely

    heights = (base.flatness_mm + SKIN_MM, base.flatness_mm + ROOT_MM)
    cuts = [shapely.union_all(polygons(section)) for section in sections(base, heights)]
    region = shapely.intersection(*cuts).buffer(-SKIN_MM, join_style="mitre")
    region = shapely.simplify(region, SKIN_MM / 4)
    turn = slope_pose(front_deg)[:2, :2]
    return shapely.transform(region, lambda points: points @ turn.T)


def prism(
    region: shapely.Geometry, low_mm: float, high_mm: float
) -> manifold3d.Manifold:
    """Extrude a region from one height to another; empty for an empty one."""
    from manifold3d import CrossSection, FillRule, Manifold

    rings = [ring for polygon in parts(region) for ring in rings_of(polygon)]
    if not rings:
        return Manifold()
    plan = CrossSection(rings, FillRule.EvenOdd)
    return plan.extrude(high_mm - low_mm).translate((0.0, 0.0, low_mm))


def parts(region: shapely.Geometry) -> list[shapely.Polygon]:
    """Polygons of a region, outer rings counter-clockwise, the lines left out."""
    import shapely

    return [
        shapely.geometry.polygon.orient(part)
        for part in shapely.get_parts(region)
        if part.geom_type == "Polygon" and not part.is_empty
    ]


def rings_of(polygon: shapely.Polygon) -> list[NDArray[np.float64]]:
    """Rings (n, 2) without the closing point: the outer one, then the openings."""
    return [
        np.asarray(ring.coords)[:-1] for ring in (polygon.exterior, *polygon.interiors)
    ]
