"""Plane outlines from rectangles and circles, and the solid they stack up to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import manifold3d
    from numpy.typing import NDArray

    from patterns.manifest import Section

Rings = tuple[tuple[tuple[float, float], ...], ...]
CIRCLE_SIDES = 64


@dataclass(frozen=True, slots=True)
class Rect:
    """Axis-parallel rectangle in mm."""

    x0: float
    y0: float
    x1: float
    y1: float


def outline(
    added: Sequence[Rect],
    removed: Sequence[Rect],
    circles: Sequence[tuple[float, float, float]],
) -> Rings:
    """Boundary of the added rectangles less the removed rectangles and circles.

    Returns
    -------
    Rings
        Outer rings counter-clockwise, holes clockwise, no repeated or straight-through
        points, in a fixed order.
    """
    from manifold3d import CrossSection, FillRule

    def union(shapes: list[np.ndarray]) -> CrossSection:
        return CrossSection(shapes, FillRule.NonZero)

    shape = union([_corners(r) for r in added]) - union(
        [_corners(r) for r in removed] + [_circle(*c) for c in circles]
    )
    rings = [_tidy(np.asarray(ring)) for ring in shape.simplify(1e-5).to_polygons()]
    return tuple(sorted(rings, key=lambda ring: (-abs(ring_area(ring)), ring)))


def ring_area(ring: Sequence[tuple[float, float]]) -> float:
    """Signed area by the shoelace formula, counter-clockwise positive."""
    x, y = np.asarray(ring, float).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def net_area_mm2(
    added: Sequence[Rect],
    removed: Sequence[Rect],
    circles: Sequence[tuple[float, float, float]],
) -> float:
    """Area of a mask from its rectangles and circles alone, without polygons.

    Rectangles are split on the grid of all their edges; circles are regular polygons
    of 64 sides that touch no rectangle's edge.
    """
    rects = (*added, *removed)
    xs = np.unique([x for r in rects for x in (r.x0, r.x1)])
    ys = np.unique([y for r in rects for y in (r.y0, r.y1)])
    mid_x, mid_y = (xs[1:] + xs[:-1]) / 2, (ys[1:] + ys[:-1]) / 2

    def covered(group: Sequence[Rect]) -> np.ndarray:
        hit = np.zeros((len(mid_y), len(mid_x)), bool)
        for r in group:
            hit |= np.outer(
                (mid_y > r.y0) & (mid_y < r.y1), (mid_x > r.x0) & (mid_x < r.x1)
            )
        return hit

    filled = covered(added) & ~covered(removed)
    area = float(np.diff(ys) @ filled @ np.diff(xs))
    polygon = CIRCLE_SIDES / 2 * math.sin(2 * math.pi / CIRCLE_SIDES)
    return area - polygon * sum(r * r for _, _, r in circles)


def stack(sections: Sequence[Section]) -> manifold3d.Manifold:
    """Extrude each section over its layers and join them to one solid."""
    from manifold3d import CrossSection, FillRule, Manifold, OpType

    slabs = [
        CrossSection([np.asarray(ring) for ring in s.rings_mm], FillRule.EvenOdd)
        .extrude(s.z1_mm - s.z0_mm)
        .translate((0.0, 0.0, s.z0_mm))
        for s in sections
    ]
    return Manifold.batch_boolean(slabs, OpType.Add)


def mesh_arrays(
    solid: manifold3d.Manifold,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Vertices (n, 3) in mm and faces (m, 3) of a solid, read-only."""
    mesh = solid.to_mesh64()
    vertices = np.array(mesh.vert_properties, np.float64)[:, :3]
    faces = np.array(mesh.tri_verts, np.int64)
    vertices.flags.writeable = faces.flags.writeable = False
    return vertices, faces


def _corners(r: Rect) -> np.ndarray:
    return np.array([(r.x0, r.y0), (r.x1, r.y0), (r.x1, r.y1), (r.x0, r.y1)])


def _circle(x: float, y: float, radius: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, CIRCLE_SIDES, endpoint=False)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def _tidy(ring: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Round to a nanometre and start at the smallest point, so bytes repeat."""
    points = [(round(float(x), 6) + 0.0, round(float(y), 6) + 0.0) for x, y in ring]
    first = points.index(min(points))
    return tuple(points[first:] + points[:first])
