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

    from patterns.manifest import Hole, Section

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


def stack(sections: Sequence[Section], holes: Sequence[Hole]) -> manifold3d.Manifold:
    """Extrude each section over its layers and join them to one solid.

    Layers that differ in their holes alone are extruded as one plate, and each hole is
    taken out as one turned solid: the same shape, for a tenth of the work.
    """
    from manifold3d import CrossSection, FillRule, Manifold, OpType

    plates = [
        CrossSection([np.asarray(ring) for ring in rings], FillRule.EvenOdd)
        .extrude(z1_mm - z0_mm)
        .translate((0.0, 0.0, z0_mm))
        for rings, z0_mm, z1_mm in _plates(sections, holes)
    ]
    solid = Manifold.batch_boolean(plates, OpType.Add)
    drills = [_drill(hole, sections) for hole in holes]
    return solid - Manifold.compose(drills) if drills else solid


def _plates(
    sections: Sequence[Section], holes: Sequence[Hole]
) -> list[tuple[Rings, float, float]]:
    """Join layers that are equal but for their holes: rings, bottom, top."""
    centres = np.array([(hole.x_mm, hole.y_mm) for hole in holes]).reshape(-1, 2)
    runs: list[tuple[Rings, float, float]] = []
    for section in sections:
        rings = tuple(r for r in section.rings_mm if not _goes_round(r, centres))
        if runs and runs[-1][0] == rings:
            runs[-1] = (rings, runs[-1][1], section.z1_mm)
        else:
            runs.append((rings, section.z0_mm, section.z1_mm))
    return runs


def _goes_round(ring: Sequence[tuple[float, float]], centres_mm: np.ndarray) -> bool:
    """Whether a ring is the regular polygon of one of the holes."""
    if len(ring) != CIRCLE_SIDES or ring_area(ring) > 0:
        return False
    off = np.linalg.norm(centres_mm - np.mean(ring, axis=0), axis=1)
    return bool(off.min(initial=np.inf) < 1e-5)  # rings are rounded to a nanometre


def _drill(hole: Hole, sections: Sequence[Section]) -> manifold3d.Manifold:
    """Turn the solid that a hole takes away, longer than the part at both ends."""
    from manifold3d import CrossSection

    layer_mm = sections[0].z1_mm / (sections[0].last_layer + 1)
    radii = np.asarray(hole.diameter_by_layer_mm) / 2
    heights = layer_mm * np.arange(len(radii) + 1)
    heights[[0, -1]] += (-1.0, 1.0)
    profile = np.column_stack([np.repeat(radii, 2), np.repeat(heights, 2)[1:-1]])
    closed = np.vstack([(0.0, heights[0]), profile, (0.0, heights[-1])])
    turned = CrossSection([closed]).revolve(CIRCLE_SIDES)
    return turned.translate((hole.x_mm, hole.y_mm, 0.0))


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
    points = [(x, y) for x, y in (np.round(ring, 6) + 0.0).tolist()]
    first = points.index(min(points))
    return tuple(points[first:] + points[:first])
