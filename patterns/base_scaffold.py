"""What stands under a tilted base: raft, pillars and the braces between long ones.

Joining thousands of braces to their pillars takes longer than all else, so until a base
is written they are left as they are, and what they have in common is counted instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_supports import STUB_SINK_MM, upright
from patterns.pillars import (
    CONE_MM,
    PEEL_WIDTH_MM,
    PILLAR_FOOT_MM,
    PILLAR_SIDES,
    PILLAR_TOP_MM,
    RAFT_MM,
    raft_plan,
    raft_solid,
)
from patterns.struts import Strut, ngon_mm2, strut_solids

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import manifold3d  # noqa: TC004 - loaded where used

    from patterns.base_supports import Support
    from patterns.tilted_part import Part

BRACE_EVERY_MM = 15.0
BRACE_MM = 0.35  # radius
BRACE_REACH_MM = 6.0
_BRACE_SIDES = 6
_FAR_MM = 1e4
_STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaffold:
    """Solids that stand in each other, and the volume they fill outside the part.

    ``volume_mm3`` takes tips as wholly within the part, and braces as meeting each
    other within pillars alone: short of the joined body's by a thousandth at most.
    """

    solids: tuple[manifold3d.Manifold, ...]
    volume_mm3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Brace:
    """A strut at 45 degrees: ends (2, 3), and the radii (2,) of its pillars there."""

    ends_mm: NDArray[np.float64]
    pillars_mm: NDArray[np.float64]


def scaffold(part: Part, supports: Sequence[Support]) -> Scaffold:
    """Build raft, pillars and the braces between long ones."""
    from manifold3d import Manifold, OpType

    struts = [Strut(along_mm=s.along_mm, radii_mm=s.radii_mm) for s in supports]
    braces = list(_braces(part, supports))
    thin = np.full(2, BRACE_MM)
    thin_struts = [
        Strut(along_mm=brace.ends_mm, radii_mm=thin, sides=_BRACE_SIDES)
        for brace in braces
    ]
    raft = _raft([s for s in supports if s.footing == "raft"])
    pillars = Manifold.batch_boolean(strut_solids(struts), OpType.Add)
    solids = (raft, pillars, *strut_solids(thin_struts))
    sunk = sum(map(_sunk_mm3, supports, struts))
    return Scaffold(
        solids=solids,
        volume_mm3=float(
            sum(solid.volume() for solid in solids) - sunk - _in_pillars_mm3(braces)
        ),
    )


def _sunk_mm3(support: Support, strut: Strut) -> float:
    """Volume of a support within the raft or the base below it, and within the part."""
    low, touch, top = support.along_mm[[0, -2, -1], 2].tolist()
    floor = RAFT_MM if support.footing == "raft" else low + STUB_SINK_MM
    return strut.volume_mm3(low, floor) + strut.volume_mm3(touch, top)


def _in_pillars_mm3(braces: Sequence[_Brace]) -> float:
    """Volume of braces within their pillars: what the two cuts have in common, summed.

    A brace rises as fast as it leads away from the pillar's axis.
    """
    import shapely

    if not braces:
        return 0.0
    turn = np.arange(_BRACE_SIDES) * (2 * np.pi / _BRACE_SIDES)
    cut = BRACE_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    radii = np.linspace(PILLAR_TOP_MM, PILLAR_FOOT_MM, 4)
    even = np.sqrt(ngon_mm2(PILLAR_SIDES) / np.pi)  # a round pillar of that cut
    common = []
    for radius in even * radii:
        away = (np.arange(_STEPS) + 0.5) * (radius + BRACE_MM) / _STEPS
        cuts = shapely.polygons(
            cut + np.column_stack([away, np.zeros(_STEPS)])[:, None]
        )
        disc = shapely.Point(0.0, 0.0).buffer(radius, quad_segs=32)
        areas = shapely.area(shapely.intersection(cuts, disc))
        common.append(float(areas.mean() * (radius + BRACE_MM)))
    pillars = np.concatenate([brace.pillars_mm for brace in braces])
    return float(np.interp(pillars, radii, common).sum())


def _raft(standing: Sequence[Support]) -> manifold3d.Manifold:
    """Plate under all pillars, notched uphill and downhill."""
    import shapely

    plan = raft_plan(support.along_mm[0, :2] for support in standing)
    (ring,) = plan.to_polygons()
    hull = shapely.Polygon(ring)
    y_mm = hull.centroid.y
    half = PEEL_WIDTH_MM / 2
    band = shapely.box(-_FAR_MM, y_mm - half, _FAR_MM, y_mm + half)
    left, _, right, _ = hull.intersection(band).bounds
    return raft_solid(plan, left, right, y_mm)


def _braces(part: Part, supports: Sequence[Support]) -> Iterator[_Brace]:
    """Lead struts at 45 degrees between neighbouring long pillars."""
    from scipy.spatial import cKDTree

    long = [s for s in supports if s.pillar_mm > BRACE_EVERY_MM]
    if len(long) < 2:
        return
    feet = np.array([s.along_mm[0, :2] for s in long])
    tops = np.array([s.pillar_mm for s in long])
    apart, near = cKDTree(feet).query(
        feet, k=min(3, len(long)), distance_upper_bound=BRACE_REACH_MM
    )
    pairs = {
        (min(i, int(j)), max(i, int(j)))
        for i, row in enumerate(near)
        for j, gap in zip(row, apart[i], strict=True)
        if 2 * PILLAR_FOOT_MM < gap < BRACE_REACH_MM
    }
    for i, j in sorted(pairs):
        gap = float(np.linalg.norm(feet[i] - feet[j]))
        levels = np.arange(BRACE_EVERY_MM / 2, min(tops[i], tops[j]), BRACE_EVERY_MM)
        for count, low in enumerate(levels):
            first, last = (i, j)[:: 1 if count % 2 else -1]
            heights = np.array([low, low + gap])
            if heights[1] > min(tops[i], tops[j]) - CONE_MM:
                continue
            ends = np.column_stack([feet[[first, last]], heights])
            middle = ends.mean(axis=0)
            if not upright(part, middle[0], middle[1], heights[1]):
                share = (heights - RAFT_MM / 2) / (tops[[first, last]] - RAFT_MM / 2)
                radii = PILLAR_FOOT_MM + share * (PILLAR_TOP_MM - PILLAR_FOOT_MM)
                yield _Brace(ends_mm=ends, pillars_mm=radii)
