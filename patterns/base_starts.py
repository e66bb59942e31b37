"""Where a mesh begins going up, or runs on nearly level, seen from below.

What of a layer rests on nothing begins somewhere within that layer.  From any point of
a cut, go straight down through the material, and where that ends, down along the
surface that is met there: if the way is steep all along, the layer below is reached
near by.  Only where no steep way leads down can a layer have a part on nothing, or one
that reaches far: at the lowest points of the surface, along its level edges that jut
out downwards, and on its level faces that look down.  Those are found on the triangles
alone, all at once; the other layers needn't be cut.

What this doesn't see: a neck narrower than a pixel, and a leaning sheet thinner than a
layer.  Neither prints.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterator

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_CHUNK = 250_000  # triangles at a time: what bounds the memory
_NOTHING_MM = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sides:
    """Level sides that their triangle rises from.

    ``ends`` (k, 2) and ``third`` (k,): its vertices, the lower number of the ends
    first; ``normal`` (k, 3): the triangle's, not of unit length.
    """

    ends: Ints
    third: Ints
    normal: Floats


def starts_mm(vertices_mm: Floats, faces: Ints, steep: float) -> Floats:
    """Find the heights at which a closed mesh begins, or runs on nearly level.

    Parameters
    ----------
    vertices_mm : (n, 3) array
        z up.
    faces : (m, 3) array
        Counter-clockwise seen from outside.
    steep : float
        Rise to run from which on a way down is steep.

    Returns
    -------
    (k, 2) array
        From and to, mm, in no order.
    """
    looks_down = np.zeros(len(vertices_mm), bool)
    leads_down = np.zeros(len(vertices_mm), bool)
    found: list[Floats] = []
    sides: list[_Sides] = []
    for first in range(0, len(faces), _CHUNK):
        some = faces[first : first + _CHUNK]
        corners = vertices_mm[some]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        looks_down[some[normal[:, 2] < 0]] = True
        level = np.hypot(normal[:, 0], normal[:, 1]) < -steep * normal[:, 2]
        found.append(_range(corners[level, :, 2]))
        sides += _level_sides(corners, some, normal, steep)
        leads_down[_with_a_way_down(corners, some, steep)] = True
    found.append(_range(vertices_mm[_juts(vertices_mm, sides), 2]))
    found.append(_range(vertices_mm[looks_down & ~leads_down, 2][:, None]))
    return np.vstack(found)


def _level_sides(
    corners: Floats, faces: Ints, normal: Floats, steep: float
) -> Iterator[_Sides]:
    for one in range(3):
        p, q, r = (corners[:, (one + k) % 3] for k in range(3))
        along, across = q - p, r - p
        level: Flags = np.abs(along[:, 2]) < steep * np.hypot(along[:, 0], along[:, 1])
        along, across = along[level], across[level]
        share = np.einsum("ij,ij->i", along, across)
        share /= np.einsum("ij,ij->i", along, along)
        rises = across[:, 2] - share * along[:, 2] > -_NOTHING_MM
        here = np.flatnonzero(level)[rises]
        yield _Sides(
            ends=np.sort(faces[here][:, [one, (one + 1) % 3]], axis=1),
            third=faces[here, (one + 2) % 3],
            normal=normal[here],
        )


def _with_a_way_down(corners: Floats, faces: Ints, steep: float) -> Ints:
    """Vertices from which a steep side of a triangle leads down."""
    tops = []
    for one in range(3):
        other = (one + 1) % 3
        along = corners[:, other] - corners[:, one]
        rise = steep * np.hypot(along[:, 0], along[:, 1])
        tops.append(faces[along[:, 2] < -rise, one])
        tops.append(faces[along[:, 2] > rise, other])
    return np.concatenate(tops)


def _juts(vertices_mm: Floats, sides: list[_Sides]) -> Ints:
    """Find edges, ends (k, 2), that both triangles rise from, jutting out, one down."""
    ends = np.vstack([some.ends for some in sides])
    third = np.concatenate([some.third for some in sides])
    normal = np.vstack([some.normal for some in sides])
    key = ends[:, 0] * len(vertices_mm) + ends[:, 1]
    order = np.argsort(key, kind="stable")
    pair = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    one, other = order[pair], order[pair + 1]
    reach = vertices_mm[third[other]] - vertices_mm[ends[one, 0]]
    size = np.linalg.norm(normal[one], axis=1)
    out = np.einsum("ij,ij->i", reach, normal[one]) < _NOTHING_MM * (size + 1.0)
    down = np.minimum(normal[one, 2], normal[other, 2]) < 0
    return np.asarray(ends[one[out & down]])


def _range(heights_mm: Floats) -> Floats:
    """From and to (k, 2) of heights (k, any)."""
    return np.column_stack([heights_mm.min(axis=1), heights_mm.max(axis=1)])
