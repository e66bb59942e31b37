"""Bases laid out on a plate: as many as fit, never overlapping, a gap between them.

Two ways are tried and the fuller plate is kept.

* One by one, the largest first, each to the lowest place that is free, then the
  leftmost; and the same from the left.  What a laid piece forbids to the next is the
  sum of its outline and the other's, mirrored (Minkowski sum), so that free places are
  corners of a region and nothing is sampled.
* Pieces that are all the same also in rows, straight and staggered, tight and spread
  over the plate: tight and staggered, discs lie in hexagons.  Those that may be turned
  also in two blocks of rows.

Nothing is random: the same pieces on the same plate lie the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from patterns.errors import SpecError
from patterns.nest_discs import DiscRoom
from patterns.nest_rows import in_rows
from patterns.nest_shapes import Disc, Forbidden, Pose, Spot, poses_of

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.float64]

GAP_MM = 2.0
"""Between bases on a plate (common practice, no source)."""

QUARTER_TURNS_DEG = (0.0, 90.0, 180.0, 270.0)
_MOST_PIECES = 5000
_SLACK_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """Where a piece lies: turned about its own origin, then moved.

    ``piece`` is its index among those given; ``turn_deg`` counter-clockwise; the
    plate's middle is the origin.
    """

    piece: int
    turn_deg: float
    x_mm: float
    y_mm: float

    def placed(self, outline: shapely.Polygon) -> shapely.Polygon:
        """Give an outline where it lies."""
        turned = affinity.rotate(outline, self.turn_deg, origin=(0.0, 0.0))
        return affinity.translate(turned, self.x_mm, self.y_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nest:
    """A plate with pieces on it, and the indices of those that found no room."""

    laid: tuple[Laid, ...]
    left: tuple[int, ...]


def nest(
    outlines: Sequence[shapely.Polygon],
    plate_mm: tuple[float, float],
    *,
    gap_mm: float = GAP_MM,
    turns_deg: Sequence[float] = QUARTER_TURNS_DEG,
) -> Nest:
    """Lay pieces on one plate.

    Parameters
    ----------
    outlines : sequence of Polygon
        In mm, anywhere; openings don't count.
    plate_mm : tuple of float
        The plate along x and y.
    gap_mm : float
        Least distance between two pieces, from 0.01 mm.
    turns_deg : sequence of float
        Turns that a piece may take.

    Returns
    -------
    Nest
        Pieces in the order given; those left over want another plate.

    Raises
    ------
    SpecError
        An outline, the plate, the gap or the turns make no sense.
    """
    _check(outlines, plate_mm, gap_mm, turns_deg)
    shapes: dict[bytes, tuple[Pose, ...]] = {}
    pieces = []
    for outline in outlines:
        key = shapely.to_wkb(shapely.normalize(outline))
        if key not in shapes:
            shapes[key] = poses_of(outline, len(shapes), turns_deg)
        pieces.append(shapes[key])
    forbidden = Forbidden(gap_mm)
    tried: list[dict[int, Spot]] = []
    if len(shapes) == 1:
        tried += in_rows(pieces[0], len(pieces), plate_mm, forbidden)
    if not any(len(spots) == len(pieces) for spots in tried):
        tried += [_one_by_one(pieces, plate_mm, forbidden, axis) for axis in (1, 0)]
    best = max(tried, key=len)
    return Nest(
        laid=tuple(
            Laid(piece=i, turn_deg=spot.pose.turn_deg, x_mm=spot.x_mm, y_mm=spot.y_mm)
            for i, spot in sorted(best.items())
        ),
        left=tuple(i for i in range(len(pieces)) if i not in best),
    )


def fill(
    outline: shapely.Polygon,
    plate_mm: tuple[float, float],
    *,
    gap_mm: float = GAP_MM,
    turns_deg: Sequence[float] = QUARTER_TURNS_DEG,
) -> Nest:
    """Lay as many copies of one piece as the plate takes; arguments as :func:`nest`.

    Raises
    ------
    SpecError
        The outline, the plate, the gap or the turns make no sense.
    """
    _check([outline], plate_mm, gap_mm, turns_deg)
    most = math.floor(plate_mm[0] * plate_mm[1] / outline.area) or 1
    copies = [outline] * min(most, _MOST_PIECES)
    filled = nest(copies, plate_mm, gap_mm=gap_mm, turns_deg=turns_deg)
    return Nest(laid=filled.laid, left=())


class _Room:
    """Where poses may still go on a plate, kept up to date as pieces are laid."""

    def __init__(self, plate_mm: tuple[float, float], forbidden: Forbidden) -> None:
        self._plate_mm = plate_mm
        self._forbidden = forbidden
        self._laid: list[Spot] = []
        self._free: dict[tuple[int, float], tuple[shapely.Geometry, int]] = {}
        self._discs: dict[int, DiscRoom] = {}

    def lay(self, spot: Spot) -> None:
        self._laid.append(spot)

    def corners(self, pose: Pose) -> Floats:
        """Find moves (n, 2) at which a pose touches what is there or the plate's edge.

        Free places are a region whose lowest and leftmost points are corners.
        """
        low_x, low_y, high_x, high_y = self._bounds(pose)
        if low_x > high_x or low_y > high_y:
            return np.empty((0, 2))
        if pose.disc and all(spot.pose.disc for spot in self._laid):
            return self._disc_corners(pose, pose.disc)
        key = (pose.shape, pose.turn_deg)
        whole = shapely.box(low_x, low_y, high_x, high_y)
        region, seen = self._free.get(key, (whole, 0))
        if seen < len(self._laid) and not region.is_empty:
            taken = [
                affinity.translate(
                    self._forbidden.between(spot.pose, pose), spot.x_mm, spot.y_mm
                )
                for spot in self._laid[seen:]
            ]
            region = region.difference(shapely.union_all(taken))
        self._free[key] = (region, len(self._laid))
        return np.asarray(shapely.get_coordinates(region))

    def _disc_corners(self, pose: Pose, disc: Disc) -> Floats:
        away = np.array([disc.x_mm, disc.y_mm])
        if pose.shape not in self._discs:
            bounds = np.array(self._bounds(pose)) + np.tile(away, 2)
            self._discs[pose.shape] = DiscRoom(tuple(bounds.tolist()))
        laid = [(spot, spot.pose.disc) for spot in self._laid if spot.pose.disc]
        middles = [(s.x_mm + d.x_mm, s.y_mm + d.y_mm) for s, d in laid]
        apart = [d.radius_mm + disc.radius_mm + self._forbidden.gap_mm for _, d in laid]
        places = self._discs[pose.shape].places(
            np.reshape(middles, (-1, 2)), np.array(apart)
        )
        return np.asarray(places - away)

    def _bounds(self, pose: Pose) -> tuple[float, float, float, float]:
        """Give the moves that keep a pose on the plate: low x, y, high x, y."""
        half_x, half_y = (size / 2.0 + _SLACK_MM for size in self._plate_mm)
        low_x, low_y, high_x, high_y = pose.box_mm
        return -half_x - low_x, -half_y - low_y, half_x - high_x, half_y - high_y


def _one_by_one(
    pieces: Sequence[tuple[Pose, ...]],
    plate_mm: tuple[float, float],
    forbidden: Forbidden,
    axis: int,
) -> dict[int, Spot]:
    """Lay the largest first, each as near as it may go to one side of the plate."""
    room = _Room(plate_mm, forbidden)
    laid = {}
    for i in sorted(range(len(pieces)), key=lambda i: (-pieces[i][0].outline.area, i)):
        best: tuple[float, float, Spot] | None = None
        for pose in pieces[i]:
            corners = room.corners(pose)
            if not len(corners):
                continue
            ends = np.round(corners + pose.box_mm[2:], 6)
            nearest = np.lexsort((ends[:, 1 - axis], ends[:, axis]))[0]
            score = float(ends[nearest, axis]), float(ends[nearest, 1 - axis])
            if best is None or score < best[:2]:
                x_mm, y_mm = corners[nearest].tolist()
                best = (*score, Spot(pose=pose, x_mm=x_mm, y_mm=y_mm))
        if best is not None:
            laid[i] = best[2]
            room.lay(best[2])
    return laid


def _check(
    outlines: Sequence[shapely.Polygon],
    plate_mm: tuple[float, float],
    gap_mm: float,
    turns_deg: Sequence[float],
) -> None:
    if not 0 < len(outlines) <= _MOST_PIECES:
        raise SpecError(
            f"{len(outlines)} pieces can't be laid out.",
            f"Give 1 to {_MOST_PIECES}.",
        )
    if not all(math.isfinite(size) and size > 0.0 for size in plate_mm):
        raise SpecError(f"A plate of {plate_mm} mm is none.", "Correct the printer.")
    if not 0.01 <= gap_mm <= 100.0:
        raise SpecError(
            f"A gap of {gap_mm} mm is outside 0.01 to 100 mm.", "Give another."
        )
    if not turns_deg:
        raise SpecError("No turn is allowed.", "Give at least one, such as 0.")
    for outline in outlines:
        if not outline.is_valid or not outline.area > 0.0:
            raise SpecError(
                f"An outline crosses itself or is empty: "
                f"{shapely.is_valid_reason(outline)}.",
                "Mend the base it comes from.",
            )
