"""A ring drawn in: another inset for each side, and a profile at each corner."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.flush_plane import ALONG_MM, neck_mm
from patterns.base_sections import signed_area_mm2

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

CORNER_TURN_RAD = np.radians(12.0)
"""Vertices that turn by less are taken for those of a curve."""

LONG_MM = 1.5
"""Sides at least so long can be straight runs of their own."""

_CLEAN_MM = 0.0003
_STRAIGHT_TURN_RAD = np.radians(6.0)
_ALONE_MM = 6.0
_BLEND_MM = 0.85
_REACH_MM = 0.5
_MOST_MITRE = 4.0


@dataclass(frozen=True, kw_only=True)
class RingShape:
    """A ring, its material on the left, and what each side and corner of it is.

    ``points_mm`` (n, 2); side i leads from point i to the next.  ``along`` and
    ``inwards`` (n, 2) unit vectors of the sides, ``length_mm`` (n,), ``turn_rad`` (n,)
    at each point, left positive; ``corner`` (n,) whether it is one, ``straight`` (n,)
    whether a side is a straight run of its own, ``curvature_per_mm`` (n,) of the sides
    on a curve, 0 for others.
    """

    points_mm: Array
    along: Array
    inwards: Array
    length_mm: Array
    turn_rad: Array
    corner: NDArray[np.bool_]
    straight: NDArray[np.bool_]
    curvature_per_mm: Array

    @property
    def inside_deg(self) -> Array:
        """Angles inside the material at the corners, (k,)."""
        return np.asarray(180.0 - np.degrees(self.turn_rad[self.corner]))


def shape_of(points_mm: Array) -> RingShape:
    """Tell corners, straight runs and curves of a ring apart."""
    side = np.roll(points_mm, -1, axis=0) - points_mm
    length = np.hypot(side[:, 0], side[:, 1])
    along = side / length[:, None]
    before = np.roll(along, 1, axis=0)
    turn = np.arctan2(
        before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0],
        np.sum(before * along, axis=1),
    )
    corner = np.abs(turn) >= CORNER_TURN_RAD
    sharpest = np.maximum(np.abs(turn), np.abs(np.roll(turn, -1)))
    straight = (length >= LONG_MM) & (
        (sharpest >= _STRAIGHT_TURN_RAD) | (length >= _ALONE_MM)
    )
    return RingShape(
        points_mm=points_mm,
        along=along,
        inwards=np.column_stack([-along[:, 1], along[:, 0]]),
        length_mm=length,
        turn_rad=turn,
        corner=corner,
        straight=straight,
        curvature_per_mm=_curvature(length, np.where(corner, 0.0, turn), straight),
    )


def clean(ring: Array) -> Array:
    """Leave out points that lie on a straight line."""
    simple = shapely.simplify(shapely.Polygon(ring), _CLEAN_MM, preserve_topology=False)
    found = shapely.get_coordinates(simple)[:-1]
    if len(found) < 3:
        return ring
    turned = (signed_area_mm2(found) > 0.0) != (signed_area_mm2(ring) > 0.0)
    return np.ascontiguousarray(found[::-1] if turned else found)


def _curvature(length: Array, turn: Array, straight: NDArray[np.bool_]) -> Array:
    """Turn over length within half a millimetre to either side, (n,)."""
    ends = np.concatenate([[0.0], np.cumsum(length)])
    around = ends[-1]
    middle = ends[:-1] + 0.5 * length
    # turns are spread over half of each neighbouring side, so that it is smooth
    passed = np.concatenate([[0.0], np.cumsum(np.roll(turn, -1))])
    place = np.concatenate([middle - around, middle, middle + around])
    total = passed[-1]
    value = np.concatenate([passed[:-1] - total, passed[:-1], passed[:-1] + total])
    reach = min(_REACH_MM, around / 4.0)
    more = np.interp(middle + reach, place, value)
    less = np.interp(middle - reach, place, value)
    return np.where(straight, 0.0, (more - less) / (2.0 * reach))


def mitred(shape: RingShape, inset_mm: Array) -> Array:
    """Draw a ring in point for point, (n, 2), each side by its own inset (n,)."""
    moved = _vertices(shape, inset_mm)
    if shape.corner.any():
        moved[shape.corner] = _corners(shape, inset_mm, np.zeros(shape.corner.sum()))
    return np.asarray(shape.points_mm + moved)


def drawn_in(shape: RingShape, inset_mm: Array, profiles_mm: Array) -> Array:
    """Draw a ring in.

    Parameters
    ----------
    shape : RingShape
    inset_mm : (n,) array
        Of each side.
    profiles_mm : (k, places) array
        What is added along the arms of each corner, at
        :data:`~calib.flush_plane.ALONG_MM` from it.

    Returns
    -------
    (m, 2) array
        The ring, with some points more beside corners.
    """
    corners = _corners(shape, inset_mm, profiles_mm[:, 0])
    starts = np.concatenate([[0.0], np.cumsum(shape.length_mm)])
    around = starts[-1]
    if not len(corners):
        return shape.points_mm + _vertices(shape, inset_mm)
    at = starts[:-1][shape.corner]
    extra = _extra(at, around)
    side = np.searchsorted(starts, extra, side="right") - 1
    side = np.minimum(side, len(shape.length_mm) - 1)
    clear = np.abs(extra - starts[side]) > 1e-3
    clear &= np.abs(extra - starts[side + 1]) > 1e-3
    extra, side = extra[clear], side[clear]
    plain = np.flatnonzero(~shape.corner)
    place = np.concatenate([starts[plain], extra])
    profile = _profile(place, at, around, profiles_mm)
    added = len(plain) + np.arange(len(extra))
    tips = inset_mm[shape.corner] + profiles_mm[:, 0]
    half = np.radians(shape.inside_deg) / 2.0
    bound = _necks(extra, at, around, tips, half) - inset_mm[side]
    profile[added] = np.minimum(profile[added], bound)
    moved = _vertices(shape, inset_mm)[plain]
    size = np.maximum(inset_mm, np.roll(inset_mm, 1))[plain]
    unit = np.where(
        np.abs(size[:, None]) > 1e-6,
        moved / np.where(np.abs(size) > 1e-6, size, 1.0)[:, None],
        shape.inwards[plain],
    )
    inwards = np.vstack([unit, shape.inwards[side]])
    along = np.vstack([shape.along[plain], shape.along[side]])
    own = np.vstack([moved, inset_mm[side, None] * shape.inwards[side]])
    flat = shape.points_mm[side] + shape.along[side] * (extra - starts[side])[:, None]
    base = np.vstack([shape.points_mm[plain], flat])
    points = base + own + profile[:, None] * inwards
    points += _slid(place, at, around, corners, along)
    order = np.argsort(np.concatenate([place, at]), kind="stable")
    return np.vstack([points, shape.points_mm[shape.corner] + corners])[order]


def _vertices(shape: RingShape, inset: Array) -> Array:
    """Move (n, 2) of each point to where both its sides, drawn in alike, meet."""
    before = np.roll(shape.inwards, 1, axis=0)
    mean = 0.5 * (inset + np.roll(inset, 1))
    cosine = np.sum(before * shape.inwards, axis=1)
    moved = mean[:, None] * (before + shape.inwards) / (1.0 + cosine)[:, None]
    return np.asarray(moved)


def _corners(shape: RingShape, inset: Array, extra: Array) -> Array:
    """Move (k, 2) of each corner to where both its sides, drawn in apart, meet."""
    second = shape.inwards[shape.corner]
    first = np.roll(shape.inwards, 1, axis=0)[shape.corner]
    ours = inset[shape.corner] + extra
    theirs = np.roll(inset, 1)[shape.corner] + extra
    cosine = np.sum(first * second, axis=1)
    sine2 = np.maximum(1.0 - cosine**2, 1e-3)
    move = (theirs - cosine * ours)[:, None] * first
    move += (ours - cosine * theirs)[:, None] * second
    move /= sine2[:, None]
    size = np.hypot(move[:, 0], move[:, 1])
    most = _MOST_MITRE * np.maximum(np.abs(ours), np.abs(theirs))
    return np.asarray(move * np.minimum(1.0, most / np.maximum(size, 1e-12))[:, None])


def _extra(at: Array, around: float) -> Array:
    """Places beside corners, none beyond the middle to the next corner."""
    room = 0.5 * np.mod(np.roll(at, -1) - at - 1e-9, around)
    steps = ALONG_MM[1:]
    after = at[:, None] + np.where(steps < room[:, None], steps, np.nan)
    back = np.roll(room, 1)[:, None]
    before = at[:, None] - np.where(steps < back, steps, np.nan)
    found = np.concatenate([after.ravel(), before.ravel()])
    return np.unique(np.mod(found[np.isfinite(found)], around))


def _sides_of_corners(place: Array, at: Array) -> tuple[Ints, Ints]:
    following = np.searchsorted(at, place, side="right")
    return (following - 1) % len(at), following % len(at)


def _profile(place: Array, at: Array, around: float, profiles: Array) -> Array:
    """Add up what the corners before and after each place bring, (m,)."""
    before, after = _sides_of_corners(place, at)
    total = np.zeros(len(place))
    kinds, kind = np.unique(profiles, axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    for corner, away in (
        (before, np.mod(place - at[before], around)),
        (after, np.mod(at[after] - place, around)),
    ):
        for k, profile in enumerate(kinds):
            ours = kind[corner] == k
            total[ours] += np.interp(away[ours], ALONG_MM, profile, right=0.0)
    return total


def _necks(
    place: Array, at: Array, around: float, tips: Array, half_rad: Array
) -> Array:
    """Largest inset (m,) that keeps the arms of the corners on either side apart."""
    before, after = _sides_of_corners(place, at)
    bound = np.full(len(place), np.inf)
    for corner, away in (
        (before, np.mod(place - at[before], around)),
        (after, np.mod(at[after] - place, around)),
    ):
        slant = tips[corner] / np.tan(half_rad[corner])
        along = away + slant * np.maximum(1.0 - away / _BLEND_MM, 0.0)
        found = neck_mm(away, along, tips[corner], half_rad[corner])
        bound = np.minimum(bound, found)
    return bound


def _slid(
    place: Array, at: Array, around: float, corners: Array, along: Array
) -> Array:
    """Share of a corner's own move along the rim that places beside it take part in."""
    before, after = _sides_of_corners(place, at)
    gap = np.mod(at[after] - at[before] - 1e-9, around)
    reach = np.minimum(_BLEND_MM, 0.5 * gap)
    total = np.zeros(len(place))
    for corner, away in (
        (before, np.mod(place - at[before], around)),
        (after, np.mod(at[after] - place, around)),
    ):
        share = np.maximum(1.0 - away / reach, 0.0)
        total += share * np.sum(corners[corner] * along, axis=1)
    return total[:, None] * along
