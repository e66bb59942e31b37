"""Many struts made solids a few at a time: those that keep clear of each other at once.

One by one, thousands of struts take longer to join than a base of millions of
triangles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.pillars import PILLAR_SIDES
from patterns.rim_tile import loft_faces

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import manifold3d

_CLEAR_MM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Strut:
    """Level discs joined from below: centres (k, 3) and radii (k,)."""

    along_mm: NDArray[np.float64]
    radii_mm: NDArray[np.float64]
    sides: int = PILLAR_SIDES

    def volume_mm3(self, low_mm: float, high_mm: float) -> float:
        """Volume between two heights: its cut is that of the discs all along."""
        heights = self.along_mm[:, 2]
        inner = heights[(heights > low_mm) & (heights < high_mm)]
        at = np.clip([low_mm, *inner, high_mm], heights[0], heights[-1])
        r = np.interp(at, heights, self.radii_mm)
        square = r[:-1] ** 2 + r[:-1] * r[1:] + r[1:] ** 2
        return float(ngon_mm2(self.sides) / 3 * (np.diff(at) @ square))


def ngon_mm2(sides: int) -> float:
    """Area of a regular polygon with its corners 1 mm from the middle."""
    return sides / 2 * math.sin(2 * math.pi / sides)


def strut_solids(struts: Sequence[Strut]) -> list[manifold3d.Manifold]:
    """Build struts; each solid holds those that keep clear of each other."""
    kinds: dict[tuple[int, int], list[Strut]] = {}
    for strut in struts:
        kinds.setdefault((len(strut.radii_mm), strut.sides), []).append(strut)
    return [
        _solid([some[one] for one in apart])
        for some in kinds.values()
        for apart in _apart(some)
    ]


def _apart(struts: Sequence[Strut]) -> Iterator[NDArray[np.int64]]:
    """Sort struts into lots, within each of which no two boxes meet."""
    import shapely

    along = np.array([strut.along_mm for strut in struts])
    radius = np.array([strut.radii_mm for strut in struts])[..., None] + _CLEAR_MM
    low, high = (along - radius).min(axis=1), (along + radius).max(axis=1)
    plan = shapely.box(*low[:, :2].T, *high[:, :2].T)
    one, other = shapely.STRtree(plan).query(plan)
    meet = (low[one, 2] <= high[other, 2]) & (low[other, 2] <= high[one, 2])
    before = meet & (other < one)
    order = np.argsort(one[before], kind="stable")
    near = np.split(
        other[before][order],
        np.bincount(one[before], minlength=len(struts)).cumsum()[:-1],
    )
    lot = np.zeros(len(struts), np.int64)
    for this, others in enumerate(near):
        taken = set(lot[others].tolist())
        lot[this] = next(k for k in range(len(taken) + 1) if k not in taken)
    for k in range(lot.max() + 1):
        yield np.flatnonzero(lot == k)


def _solid(struts: Sequence[Strut]) -> manifold3d.Manifold:
    """Build struts of one kind that keep clear of each other."""
    from manifold3d import Manifold, Mesh64

    sides = struts[0].sides
    turn = np.arange(sides) * (2 * np.pi / sides)
    disc = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(sides)])
    along = np.array([strut.along_mm for strut in struts])
    radius = np.array([strut.radii_mm for strut in struts])
    rings = along[:, :, None] + radius[..., None, None] * disc
    count, discs = radius.shape
    ends = along[:, [0, -1]]
    vertices = np.concatenate([rings.reshape(count, -1, 3), ends], axis=1)
    faces = loft_faces(discs, sides)
    first = vertices.shape[1] * np.arange(count)
    return Manifold(
        Mesh64(
            vertices.reshape(-1, 3),
            (faces + first[:, None, None]).reshape(-1, 3).astype(np.uint64),
        )
    )
