"""Parallel rays through a mesh: where each goes in and out, and what overlaps.

Rays along an axis stand on a square grid.  Where a closed, outward mesh is sound, each
goes in and out by turns: its winding number is 0 outside and 1 inside.  Two sheets that
cross always leave a place beside them with another number (the four quarters around
the crossing have n, n + 1, n + 2, n + 1 or n, n + 1, n, n - 1), so crossings are found
without looking at pairs of triangles, down to the distance of the rays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterator

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_Number = TypeVar("_Number", bound=np.number)
_STEP_MM = 2.0**-12
"""Heights along a ray are held to a quarter of a micrometre, in 24 bits."""
_BITS = 24
_CHUNK = 100_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Rays at ``u0 + i pitch``, ``v0 + j pitch``; a ray's number is j n_u + i."""

    u0_mm: float
    v0_mm: float
    pitch_mm: float
    n_u: int
    n_v: int

    def places(self, rays: Ints) -> Floats:
        """Where rays stand, (n, 2)."""
        j, i = np.divmod(rays, self.n_u)
        return np.column_stack([i, j]) * self.pitch_mm + [self.u0_mm, self.v0_mm]


@dataclass(frozen=True, slots=True)
class Hits:
    """Crossings, sorted by ray and along it; ``enters`` +1 into the body, -1 out."""

    ray: Ints
    w_mm: Floats
    enters: NDArray[np.int8]


def grid_over(points: Floats, pitch_mm: float, most: int = 10**9) -> Grid:
    """Cover points (n, 2) with rays, wider apart where more than ``most`` were needed.

    The first ray stands off the box by an irrational share, so that the round numbers
    of a drawing don't fall on rays.
    """
    low, high = points.min(axis=0), points.max(axis=0)
    size = high - low
    pitch = max(pitch_mm, float(np.sqrt(size[0] * size[1] / most)))
    start = low + pitch * np.array([0.4142135, 0.5857864])
    n_u, n_v = (np.floor((high - start) / pitch).astype(int) + 1).clip(1).tolist()
    return Grid(float(start[0]), float(start[1]), pitch, n_u, n_v)


def cast(uvw_mm: Floats, faces: Ints, grid: Grid) -> Hits:
    """Where rays along the third coordinate cross a mesh.

    Parameters
    ----------
    uvw_mm : ndarray of float64, shape (n, 3)
        Vertices; the third coordinate lies along the rays, right-handed.
    faces : ndarray of int64, shape (m, 3)
        Counter-clockwise seen from outside.
    grid : Grid
    """
    if not len(faces):
        none = np.zeros(0)
        return Hits(none.astype(np.int64), none, none.astype(np.int8))
    floor = float(uvw_mm[:, 2].min())
    keys = np.concatenate(list(_keys(uvw_mm - [0.0, 0.0, floor], faces, grid)))
    keys.sort()
    height = (keys >> 1) & (2**_BITS - 1)
    return Hits(
        ray=keys >> (_BITS + 1),
        w_mm=height * _STEP_MM + floor,
        enters=((keys & 1) * 2 - 1).astype(np.int8),
    )


def _keys(uvw: Floats, faces: Ints, grid: Grid) -> Iterator[Ints]:
    """Crossings as numbers that sort by ray, height and direction."""
    u = (uvw[:, 0] - grid.u0_mm) / grid.pitch_mm
    v = (uvw[:, 1] - grid.v0_mm) / grid.pitch_mm
    rows = np.floor(v).astype(np.int32) + 1  # the first row above each point
    for first in range(0, len(faces), _CHUNK):
        corner = faces[first : first + _CHUNK]
        least, most = span(rows, corner)
        low = least.clip(0)
        counts = (most.clip(max=grid.n_v) - low).clip(0)
        which = np.flatnonzero(counts)
        if len(which):
            yield _spans(
                u, v, uvw[:, 2], corner[which], low[which], counts[which], grid
            )


def _spans(
    u: Floats, v: Floats, w: Floats, corner: Ints, low: Ints, counts: Ints, grid: Grid
) -> Ints:
    """Crossings of some triangles, row by row."""
    triangle, step = spread(counts)
    row = low[triangle] + step
    start, stop = _row_ends(u, v, corner, triangle, row)
    begin = np.ceil(start).astype(np.int64).clip(0)
    end = np.ceil(stop).astype(np.int64).clip(max=grid.n_u)
    many = (end - begin).clip(0)
    stretch, column = spread(many)
    triangle, row = triangle[stretch], row[stretch]
    column += begin[stretch]
    a, b, c = corner.T
    ub, vb = u[b] - u[a], v[b] - v[a]
    uc, vc = u[c] - u[a], v[c] - v[a]
    wb, wc = w[b] - w[a], w[c] - w[a]
    twice = ub * vc - uc * vb
    safe = np.where(twice == 0, 1.0, twice)
    slope_u, slope_v = (wb * vc - wc * vb) / safe, (ub * wc - uc * wb) / safe
    height = w[a] - slope_u * u[a] - slope_v * v[a]
    at = height[triangle] + slope_u[triangle] * column + slope_v[triangle] * row
    least, most = span(w, corner)
    at = at.clip(least[triangle], most[triangle])
    key = (row * grid.n_u + column) << _BITS
    key += np.rint(at / _STEP_MM).astype(np.int64)
    return np.asarray(
        (key << 1) | (twice < 0)[triangle]
    )  # a face that looks down is gone in by


def _row_ends(
    u: Floats, v: Floats, corner: Ints, triangle: Ints, row: Ints
) -> tuple[Floats, Floats]:
    """Where each triangle's row begins and ends.

    A row crosses the side from the lowest to the highest corner, and one of the two
    others.  Each side is a line from its lower end, whichever triangle asks, so that
    two neighbours find the very same number and no ray slips between them.
    """
    order = np.argsort(v[corner], axis=1)
    low, middle, high = np.take_along_axis(corner, order, axis=1).T
    steep, at_zero = _line(u, v, low, high)
    one = at_zero[triangle] + steep[triangle] * row
    lower, upper = _line(u, v, low, middle), _line(u, v, middle, high)
    steep, at_zero = (np.concatenate(both) for both in zip(lower, upper, strict=True))
    side = triangle + len(corner) * (row > v[middle][triangle])
    other = at_zero[side] + steep[side] * row
    return np.minimum(one, other), np.maximum(one, other)


def _line(u: Floats, v: Floats, low: Ints, high: Ints) -> tuple[Floats, Floats]:
    """Slope of sides, and where their lines cross row 0; level ones cross no row."""
    rise = v[high] - v[low]
    slope = (u[high] - u[low]) / np.where(rise == 0, 1.0, rise)
    return slope, u[low] - slope * v[low]


def span(
    values: NDArray[_Number], corner: Ints
) -> tuple[NDArray[_Number], NDArray[_Number]]:
    """Least and greatest value at the corners (m, 3) of each triangle."""
    a, b, c = (values[k] for k in corner.T)
    low, high = np.minimum(a, b), np.maximum(a, b)
    return np.minimum(low, c), np.maximum(high, c)


def spread(counts: Ints) -> tuple[Ints, Ints]:
    """Index of each of ``counts`` items, and its number among them."""
    which = np.repeat(np.arange(len(counts)), counts)
    first = np.cumsum(counts) - counts
    return which, np.arange(len(which)) - first[which]
