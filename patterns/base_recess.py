"""Holes and recesses in an underside: how deep, how much they hold, if air gets out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base import Recess
from patterns.base_rays import Grid, cast, grid_over
from patterns.base_sections import cut_mesh, polygons, signed_area_mm2

if TYPE_CHECKING:
    import shapely

    from patterns.base import Ring

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_PITCH_MM = 0.05
_MOST_RAYS = 160_000
_FLOOR_MM = 1e-3
_VENT_RAYS = 1
_LEVELS = (0.25, 0.5, 0.75)


def recess_of(vertices_mm: Floats, faces: Ints, ring: Ring) -> Recess:
    """Look from below into what an opening of the underside leads to.

    Parameters
    ----------
    vertices_mm, faces : ndarray
        The base in its own frame.
    ring : ndarray of float64, shape (n, 2)
        The opening's outline, clockwise.

    Returns
    -------
    Recess
        ``volume_mm3`` is what rays 0.05 mm apart (wider in large ones) see; what hides
        behind an undercut isn't in it.
    """
    from shapely import Polygon, contains_xy

    area = abs(signed_area_mm2(ring))
    grid = grid_over(ring, _PITCH_MM, _MOST_RAYS)
    near = _faces_near(vertices_mm, faces, ring)
    roof = _first_hits(vertices_mm, near, grid)
    places = grid.places(np.arange(len(roof)))
    within = contains_xy(Polygon(ring), *places.T)
    inside = within & (roof > _FLOOR_MM)
    if not inside.any():  # narrower than the rays' distance
        return _recess(ring, area, math.inf, area * _top(vertices_mm))
    area *= float(inside.sum() / within.sum())  # without what stands in it
    clear = contains_xy(Polygon(ring).buffer(-2 * grid.pitch_mm), *places.T) & inside
    seen = roof[clear] if clear.any() else roof[inside]
    sky = np.isinf(seen)
    volume = area * float(np.minimum(roof[inside], _top(vertices_mm)).mean())
    if sky.mean() > 0.5:
        return _recess(ring, area, math.inf, volume)
    depth = float(seen[~sky].max())
    level = 0.9 * float(np.median(seen[~sky]))
    vented = int(sky.sum()) >= _VENT_RAYS or _open_sideways(
        vertices_mm, faces, places[clear], seen, depth
    )
    span = _span_mm(vertices_mm, faces, Polygon(ring), level)
    return _recess(ring, area, depth, volume, vented=vented, span_mm=span)


def _recess(
    ring: Ring,
    area: float,
    depth: float,
    volume: float,
    *,
    vented: bool = True,
    span_mm: float = 0.0,
) -> Recess:
    return Recess(
        ring=ring,
        area_mm2=area,
        depth_mm=depth,
        volume_mm3=volume,
        vented=vented,
        roof_span_mm=span_mm,
    )


def _top(vertices: Floats) -> float:
    return float(vertices[:, 2].max())


def _faces_near(vertices: Floats, faces: Ints, ring: Ring) -> Ints:
    """Triangles over the box of a ring."""
    low, high = ring.min(axis=0), ring.max(axis=0)
    left = (vertices[:, :2] < low).T[:, faces].all(axis=2).any(axis=0)
    right = (vertices[:, :2] > high).T[:, faces].all(axis=2).any(axis=0)
    return np.asarray(faces[~(left | right)])


def _first_hits(vertices: Floats, faces: Ints, grid: Grid) -> Floats:
    """Height at which each ray from below first meets the body; infinite if never."""
    hits = cast(vertices, faces, grid)
    first = np.full(grid.n_u * grid.n_v, np.inf)
    rays, place = np.unique(hits.ray, return_index=True)
    first[rays] = hits.w_mm[place]
    return first


def _open_sideways(
    vertices: Floats, faces: Ints, places: Floats, roof: Floats, depth: float
) -> bool:
    """Whether the hollow is outside the body's outline at one of three levels."""
    from shapely import Polygon, contains_xy, union_all

    for share in _LEVELS:
        level = share * depth
        hollow = places[roof > level]
        cut = polygons(cut_mesh(vertices, faces, level))
        filled = union_all([Polygon(part.exterior) for part in cut])
        if np.count_nonzero(~contains_xy(filled, *hollow.T)) > len(hollow) // 100:
            return True
    return False


def _span_mm(
    vertices: Floats, faces: Ints, opening: shapely.Polygon, level: float
) -> float:
    """Diameter of the largest circle in a hollow at a level close to its roof."""
    from shapely import maximum_inscribed_circle, union_all

    hull = opening.buffer(0)
    solid = union_all(polygons(cut_mesh(vertices, faces, level)))
    hollow = hull.difference(solid)
    parts = getattr(hollow, "geoms", [hollow])
    spans = [
        2 * maximum_inscribed_circle(part, 0.02).length
        for part in parts
        if part.area > 0
    ]
    return max(spans, default=0.0)
