"""Outlines to be laid out, and where one forbids another to lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]

_FINE_MM = 0.02  # how far a described outline may stand outside the true one ...
_MOST_CORNERS = 40  # ... unless it would need more corners than this
_ROUND = 1e-3  # how round, relative, an outline is that counts as a disc
_SAME = 1e-6  # relative area by which outlines that count as the same may differ
_SLACK_MM = 1e-6
_ORIGIN = (0.0, 0.0)
_ARC_STEPS = 8  # of a quarter circle


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """Middle and radius of an outline that is round."""

    x_mm: float
    y_mm: float
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """A shape at one of its turns.

    ``box_mm`` (x low, y low, x high, y high) is that of the true outline, ``outline``
    holds it and has few corners.
    """

    shape: int
    turn_deg: float
    outline: shapely.Polygon
    box_mm: tuple[float, float, float, float]
    disc: Disc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A pose, moved."""

    pose: Pose
    x_mm: float
    y_mm: float


def poses_of(
    outline: shapely.Polygon, shape: int, turns_deg: Sequence[float]
) -> tuple[Pose, ...]:
    """Turn an outline about its origin, leaving out turns that change nothing."""
    disc = _disc(outline)
    drawn = _few_corners(shapely.Polygon(outline.exterior))
    poses: list[Pose] = []
    seen: list[shapely.Polygon] = []
    for turn in turns_deg[:1] if disc else turns_deg:
        turned = affinity.rotate(outline, turn, origin=_ORIGIN)
        centred = affinity.translate(turned, -turned.centroid.x, -turned.centroid.y)
        if any(
            centred.symmetric_difference(other).area < _SAME * centred.area
            for other in seen
        ):
            continue
        seen.append(centred)
        poses.append(
            Pose(
                shape=shape,
                turn_deg=float(turn),
                outline=affinity.rotate(drawn, turn, origin=_ORIGIN),
                box_mm=turned.bounds,
                disc=_disc(turned),
            )
        )
    return tuple(poses)


class Forbidden:
    """Regions of moves that one pose forbids another, worked out once each."""

    def __init__(self, gap_mm: float) -> None:
        self.gap_mm = gap_mm
        self._known: dict[tuple[int, int, float], shapely.Polygon] = {}

    def between(self, laid: Pose, new: Pose) -> shapely.Polygon:
        """Give the moves of ``new`` less that of ``laid`` that bring them too near.

        Turning both turns the region alike, so it is kept for the turn between them.
        """
        turn = (new.turn_deg - laid.turn_deg) % 360.0
        key = (laid.shape, new.shape, turn)
        back = -laid.turn_deg
        if key not in self._known:
            first = affinity.rotate(laid.outline, back, origin=_ORIGIN)
            second = affinity.rotate(new.outline, back, origin=_ORIGIN)
            mirrored = affinity.scale(second, -1.0, -1.0, origin=_ORIGIN)
            self._known[key] = _around(_sum(first, mirrored), self.gap_mm - _SLACK_MM)
        return affinity.rotate(self._known[key], -back, origin=_ORIGIN)

    def reach(self, laid: Pose, new: Pose) -> Reach:
        """How far up the forbidden region goes, place by place."""
        if laid.disc and new.disc and laid.shape == new.shape:
            return Reach(
                radius_mm=laid.disc.radius_mm + new.disc.radius_mm + self.gap_mm,
                region=None,
            )
        return Reach(radius_mm=0.0, region=self.between(laid, new))


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Upper edge of a forbidden region: a disc about the origin, or any region."""

    radius_mm: float
    region: shapely.Polygon | None

    def up_mm(self, x_mm: float) -> float:
        """How far up it is forbidden at a sidewards move; 0: nowhere."""
        if self.region is None:
            return float(np.sqrt(max(self.radius_mm**2 - x_mm**2, 0.0)))
        low, high = self.region.bounds[1] - 1.0, self.region.bounds[3] + 1.0
        cut = self.region.intersection(shapely.LineString([(x_mm, low), (x_mm, high)]))
        return 0.0 if cut.is_empty else max(float(cut.bounds[3]), 0.0)

    def swapped(self) -> Reach:
        """Give the same with x and y exchanged."""
        if self.region is None:
            return self
        swap = [0.0, 1.0, 1.0, 0.0, 0.0, 0.0]
        return Reach(radius_mm=0.0, region=affinity.affine_transform(self.region, swap))

    @property
    def across_mm(self) -> float:
        """How far sidewards it is forbidden at the same height."""
        if self.region is None:
            return self.radius_mm
        low, high = self.region.bounds[0] - 1.0, self.region.bounds[2] + 1.0
        cut = self.region.intersection(shapely.LineString([(low, 0.0), (high, 0.0)]))
        return float(cut.bounds[2])


def _sum(first: shapely.Polygon, second: shapely.Polygon) -> shapely.Polygon:
    """Minkowski sum of two outlines."""
    if _convex(first) and _convex(second):
        a, b = _corners(first), _corners(second)
        return shapely.MultiPoint((a[:, None] + b[None]).reshape(-1, 2)).convex_hull
    if _convex(first):
        first, second = second, first
    edges = _corners(first)
    ends = np.stack([edges, np.roll(edges, -1, axis=0)], axis=1)
    parts = []
    for piece in _convex_parts(second):
        corners = _corners(piece)
        swept = (ends[:, :, None] + corners[None, None]).reshape(len(ends), -1, 2)
        parts += list(shapely.convex_hull(shapely.linestrings(swept)))
        parts.append(affinity.translate(first, *corners[0]))
    whole = shapely.union_all(parts)
    return shapely.Polygon(whole.exterior)  # a hollow can't be reached from outside


def _convex_parts(outline: shapely.Polygon) -> list[shapely.Polygon]:
    if _convex(outline):
        return [outline]
    return list(shapely.constrained_delaunay_triangles(outline).geoms)


def _convex(outline: shapely.Polygon) -> bool:
    return bool(outline.convex_hull.area - outline.area < _SAME * outline.area)


def _corners(outline: shapely.Polygon) -> Array:
    return np.asarray(shapely.get_coordinates(outline.exterior)[:-1])


def _around(inner: shapely.Polygon, distance_mm: float) -> shapely.Polygon:
    """All within a distance: exact along edges, arcs at corners drawn outside."""
    outside = distance_mm / np.cos(np.pi / (4 * _ARC_STEPS))
    mitred = inner.buffer(distance_mm, join_style="mitre", mitre_limit=5.0)
    return inner.buffer(outside, quad_segs=_ARC_STEPS).intersection(mitred)


def _few_corners(outline: shapely.Polygon) -> shapely.Polygon:
    """Hold an outline in one of few corners."""
    fine = _FINE_MM
    drawn = outline
    while len(drawn.exterior.coords) > _MOST_CORNERS + 1:
        grown = outline.buffer(fine, join_style="mitre", mitre_limit=2.0)
        drawn = shapely.Polygon(grown.exterior).simplify(fine)
        fine *= 1.5
    return shapely.orient_polygons(drawn)


def _disc(outline: shapely.Polygon) -> Disc | None:
    """See whether an outline is a disc: corners and middles of edges alike far out."""
    middle = outline.centroid
    corners = _corners(outline)
    away = np.hypot(corners[:, 0] - middle.x, corners[:, 1] - middle.y)
    radius = float(away.max())
    round_enough = away.min() > (1.0 - _ROUND) * radius
    filled = shapely.Polygon(outline.exterior).area > (
        (1.0 - 4.0 * _ROUND) * np.pi * radius**2
    )
    if not (round_enough and filled):
        return None
    return Disc(x_mm=float(middle.x), y_mm=float(middle.y), radius_mm=radius)
