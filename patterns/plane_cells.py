"""Outlines that overlap, cut into cells that share every corner and edge.

All outlines are noded together on one grid, so that whatever is built on the cells,
caps and walls alike, closes without a seam.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    import shapely

Ints = NDArray[np.int64]

GRID_MM = 2.0**-12
"""0.24 um: exact in the single precision of an STL up to 2 m from the middle."""

SLIVER_MM = 2.0**-11
"""Outlines that follow each other nearer than this are made one there: a body of
layers would hang together by such slivers alone, or lose them in a file."""

_ROUNDS = 16
_WIDTHS = 4
_PLANE = 2


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

    def area(self, region: int) -> shapely.Geometry:
        """Put the cells of a region together again."""
        import shapely

        edges = shapely.linestrings(self.nodes_mm[self.rim(region)])
        return shapely.build_area(shapely.multilinestrings(edges))

    def rim(self, region: int) -> Ints:
        """Edges of a region's outline, the region on their left, (k, 2)."""
        return rim_of(self.triangles[self.inside[:, region]])


def cut_cells(regions: Sequence[shapely.Geometry]) -> Cells:
    """Cut regions (polygons) into the cells of their common drawing.

    Parameters
    ----------
    regions : sequence of Polygon or MultiPolygon
        In mm, each lying on the next.  All are moved onto the grid, by 0.2 um at most;
        all but the last are made to follow the next where they are nearer to it than
        a sliver's width, and to overlap it where they would touch it along a line.
    """
    import shapely

    settled = without_slivers(regions)
    cells = _noded(settled)
    for turn in range(_ROUNDS):
        seams = _seams(cells)
        if not any(seams):
            break
        settled = [
            shapely.union(cells.area(k), _widened(seam, turn)) if seam else region
            for k, (region, seam) in enumerate(zip(settled, seams, strict=True))
        ]
        cells = _noded(settled)
    return cells


def without_slivers(regions: Sequence[shapely.Geometry]) -> list[shapely.Geometry]:
    """Make each region follow the next one where their outlines are all but the same.

    The last one stays as it is; others move by ``SLIVER_MM`` and a grid step at most.
    """
    import shapely

    settled = [regions[-1]]
    for region in reversed(regions[:-1]):
        model = settled[-1]
        own = _areas(shapely.set_precision(region, GRID_MM))
        missing = _slivers(_without(model, own), own)
        beyond = _slivers(_without(own, model), own)
        both = _areas(shapely.union(own, missing, grid_size=GRID_MM))
        settled.append(_without(both, beyond))
    return settled[::-1]


def _slivers(part: shapely.Geometry, region: shapely.Geometry) -> shapely.Geometry:
    """Find what is thin of a part that a region has more or less than another.

    Thin places along the other's outline alone are none of this region's.
    """
    import shapely

    core = part.buffer(-0.5 * SLIVER_MM, join_style="mitre")
    grown = core.buffer(0.5 * SLIVER_MM, join_style="mitre")
    thin = shapely.get_parts(_without(part, grown))
    outline = shapely.boundary(region)
    return shapely.multipolygons(thin[shapely.dwithin(thin, outline, GRID_MM)])


def _without(one: shapely.Geometry, other: shapely.Geometry) -> shapely.Geometry:
    import shapely

    return _areas(shapely.difference(one, other, grid_size=GRID_MM))


def _areas(mixed: shapely.Geometry) -> shapely.Geometry:
    """Leave out the points and lines that areas have shrunk to on the grid."""
    import shapely

    parts = shapely.get_parts(mixed)
    return shapely.multipolygons(parts[shapely.get_dimensions(parts) == _PLANE])


def _noded(regions: Sequence[shapely.Geometry]) -> Cells:
    """Cut regions into cells, as they are."""
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
    return Cells(
        nodes_mm=nodes_mm,
        triangles=number.reshape(-1, 3),
        inside=np.repeat(held[used], counts, axis=0),
    )


def _seams(cells: Cells) -> list[list[shapely.Geometry]]:
    """Where a body of layers would hang together by a line alone, for each region.

    Either its outline touches itself in a point, or it lies on one side of an edge and
    the next region on the other.  The last region is nobody's to change.
    """
    import shapely

    edges, left, right = _neighbours(cells.triangles)
    seams: list[list[shapely.Geometry]] = []
    for low, (here, above) in enumerate(pairwise(cells.inside.T)):
        starts = np.bincount(cells.rim(low)[:, 0], minlength=len(cells.nodes_mm))
        apart = here[left] & ~here[right] & above[right] & ~above[left]
        apart |= here[right] & ~here[left] & above[left] & ~above[right]
        points = shapely.points(cells.nodes_mm[starts > 1])
        lines = shapely.linestrings(cells.nodes_mm[edges[apart]])
        seams.append([*points.tolist(), *lines.tolist()])
    return [*seams, []]


def _widened(seam: Sequence[shapely.Geometry], turn: int) -> shapely.Geometry:
    """Make strips of points and lines, a sliver to either side and more in later turns.

    Equal strips would meet the grid in the same way each time.
    """
    import shapely

    width_mm = SLIVER_MM * (1.0 + 0.5 * (turn % _WIDTHS))
    return shapely.union_all(shapely.buffer(list(seam), width_mm, quad_segs=2))


def _neighbours(triangles: Ints) -> tuple[Ints, Ints, Ints]:
    """Edges (k, 2) that two triangles share, and either triangle."""
    ends = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    ends.sort(axis=1)
    owner = np.tile(np.arange(len(triangles)), 3)
    order = np.lexsort(ends.T)
    ends, owner = ends[order], owner[order]
    same = np.flatnonzero((ends[1:] == ends[:-1]).all(axis=1))
    return ends[same], owner[same], owner[same + 1]


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
        found = np.vstack(wound)[np.asarray(triangulate(wound), np.int64)]
        flat = (found == np.roll(found, 1, axis=1)).all(axis=2).any(axis=1)
        corners.append(found[~flat])  # rings that touch bring some with a corner twice
        counts.append(int((~flat).sum()))
    return np.vstack(corners), counts


def _wound(ring: NDArray[np.float64], *, left: bool) -> NDArray[np.float64]:
    x, y = ring.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return ring if (area > 0) == left else ring[::-1]
