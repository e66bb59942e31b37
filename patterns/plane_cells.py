"""Outlines that overlap, cut into cells that share every corner and edge.

All outlines are noded together on one grid, so that whatever is built on the cells,
caps and walls alike, closes without a seam.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    import shapely

Ints = NDArray[np.int64]

GRID_MM = 2.0**-12
"""0.24 um: exact in the single precision of an STL up to 2 m from the middle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """The cells that some regions are cut into, and which region holds which.

    ``nodes_mm`` (n, 2), on the grid.  ``triangles`` (m, 3) indices of nodes,
    counter-clockwise; ``inside`` (m, regions): whether a triangle lies in a region.
    """

    nodes_mm: NDArray[np.float64]
    triangles: Ints
    inside: NDArray[np.bool_]

    def of(self, wanted: NDArray[np.bool_]) -> Ints:
        """Pick triangles, (k, 3)."""
        picked: Ints = self.triangles[wanted]
        return picked

    def rim(self, region: int) -> Ints:
        """Edges of a region's outline, the region on their left, (k, 2)."""
        return rim_of(self.triangles[self.inside[:, region]])


def cut_cells(regions: Sequence[shapely.Geometry]) -> Cells:
    """Cut regions (polygons) into the cells of their common drawing.

    Parameters
    ----------
    regions : sequence of Polygon or MultiPolygon
        In mm.  Each is moved onto the grid, by 0.2 um at most.
    """
    import shapely

    lines = shapely.unary_union(shapely.boundary(list(regions)), grid_size=GRID_MM)
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
    places = shapely.point_on_surface(cells)
    held = np.column_stack(
        [shapely.intersects(region, places) for region in _prepared(regions)]
    )
    used = held.any(axis=1)
    corners, counts = _triangles_mm(cells[used].tolist())
    nodes_mm, number = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    triangles = number.reshape(-1, 3)
    inside = np.repeat(held[used], counts, axis=0)
    return Cells(
        nodes_mm=nodes_mm,
        triangles=triangles,
        inside=_thickened(nodes_mm, triangles, inside),
    )


def _thickened(
    nodes_mm: NDArray[np.float64], triangles: Ints, inside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Let no two regions that follow each other touch along an edge alone.

    Where one lies left of an edge and the next right of it, a body of layers would
    hang together there by nothing: on the grid, that is a sliver of either.  The
    smaller triangle is added to the other region; the last region stays as it is.
    """
    left, right = _neighbours(triangles)
    a, b, c = (nodes_mm[k] for k in triangles.T)
    size = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    inside = inside.copy()
    last = inside.shape[1] - 1
    for low in range(last):
        for here, there in ((left, right), (right, left)):
            apart = inside[here, low] & ~inside[there, low]
            apart &= inside[there, low + 1] & ~inside[here, low + 1]
            one, other = here[apart], there[apart]
            lower = (size[other] <= size[one]) | (low + 1 == last)
            inside[other[lower], low] = True
            inside[one[~lower], low + 1] = True
    return inside


def _neighbours(triangles: Ints) -> tuple[Ints, Ints]:
    """Pairs of triangles that share an edge."""
    ends = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    ends.sort(axis=1)
    owner = np.tile(np.arange(len(triangles)), 3)
    order = np.lexsort(ends.T)
    ends, owner = ends[order], owner[order]
    same = np.flatnonzero((ends[1:] == ends[:-1]).all(axis=1))
    return owner[same], owner[same + 1]


def on_grid(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Move points onto the grid."""
    return np.round(np.asarray(points_mm, np.float64) / GRID_MM) * GRID_MM


def rim_of(triangles: Ints) -> Ints:
    """Directed edges of triangles that no other triangle shares, (k, 2)."""
    edges = np.vstack(
        [triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]
    )
    size = int(edges.max(initial=0)) + 1
    ours = edges @ np.array([size, 1])
    others = np.sort(edges @ np.array([1, size]))
    place = np.minimum(np.searchsorted(others, ours), len(others) - 1)
    picked: Ints = edges[others[place] != ours]
    return picked


def _prepared(regions: Sequence[shapely.Geometry]) -> Sequence[shapely.Geometry]:
    import shapely

    shapely.prepare(list(regions))
    return regions


def _triangles_mm(
    cells: Sequence[shapely.Polygon],
) -> tuple[NDArray[np.float64], list[int]]:
    """Corners (m, 3, 2) of the triangles of all cells, and how many each cell has."""
    from manifold3d import triangulate

    corners, counts = [], []
    for cell in cells:
        rings = [np.asarray(cell.exterior.coords)[:-1]]
        rings += [np.asarray(ring.coords)[:-1] for ring in cell.interiors]
        wound = [_wound(ring, left=place == 0) for place, ring in enumerate(rings)]
        chosen = np.asarray(triangulate(wound), np.int64)
        corners.append(np.vstack(wound)[chosen])
        counts.append(len(chosen))
    return np.vstack(corners), counts


def _wound(ring: NDArray[np.float64], *, left: bool) -> NDArray[np.float64]:
    x, y = ring.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return ring if (area > 0) == left else ring[::-1]
