"""Where a mesh runs through itself, found by rays along three axes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_rays import Grid, Hits, cast, grid_over

if TYPE_CHECKING:
    from patterns.base_rays import Floats, Ints

PITCH_MM = 0.05
"""Distance of the rays: a pixel; what crosses in less than that can't be printed."""
_MOST_RAYS = 2_000_000
_MOST_SIDEWAYS = 300_000
_THICK_MM = 2e-3  # thinner than that, two sheets lie on each other
_AXES = ((0, 1, 2), (1, 2, 0), (2, 0, 1))


@dataclass(frozen=True, slots=True)
class Crossing:
    """Places where a body runs through itself, and one of them (x, y, z)."""

    places: int
    where_mm: NDArray[np.float64]


def find_crossings(vertices_mm: Floats, faces: Ints) -> Crossing | None:
    """Where the winding number is neither 0 nor 1, by the axis that shows most."""
    found = [_along(vertices_mm[:, axes], faces, axes) for axes in _AXES]
    return max(
        (crossing for crossing in found if crossing),
        key=lambda crossing: crossing.places,
        default=None,
    )


def _along(uvw: Floats, faces: Ints, axes: tuple[int, int, int]) -> Crossing | None:
    from scipy.ndimage import label

    most = _MOST_RAYS if axes[2] == 2 else _MOST_SIDEWAYS
    grid = grid_over(uvw[:, :2], PITCH_MM, most)
    hits = cast(uvw, faces, grid)
    bad = overlaps(hits)
    if not len(bad):
        return None
    picture = np.zeros(grid.n_u * grid.n_v, bool)
    picture[hits.ray[bad]] = True
    _, places = label(picture.reshape(grid.n_v, grid.n_u), np.ones((3, 3)))
    first = bad[len(bad) // 2]
    where = np.empty(3)
    where[list(axes[:2])] = grid.places(hits.ray[[first]])[0]
    where[axes[2]] = hits.w_mm[first]
    return Crossing(places, where)


def overlaps(hits: Hits) -> Ints:
    """Crossings after which a ray is in twice, or less than out, for a way."""
    winding = np.cumsum(hits.enters, dtype=np.int64)  # 0 at the end of every ray
    bad = np.flatnonzero((winding[:-1] > 1) | (winding[:-1] < 0))
    thick = hits.w_mm[bad + 1] - hits.w_mm[bad] > _THICK_MM
    return np.asarray(bad[thick & (hits.ray[bad + 1] == hits.ray[bad])])


def goes_through(vertices_mm: Floats, faces: Ints, shell: Ints, which: int) -> int:
    """How many sheets of other shells lie above a shell's highest point."""
    own = faces[shell == which]
    top = vertices_mm[own[np.argmax(vertices_mm[own.ravel(), 2]) // 3]]
    x, y, z = top.mean(axis=0)
    hits = cast(vertices_mm, faces[shell != which], Grid(x, y, 1.0, 1, 1))
    return int(np.count_nonzero(hits.w_mm > z))
