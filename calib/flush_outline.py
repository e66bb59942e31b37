"""A ring drawn in: another inset for each side, and a profile at each corner.

Rings of several layers that are alike but for their size are drawn in at once: arrays
of points then have an axis for the layers before their own, here ``...``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.flush_plane import ALONG_MM, neck_mm

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

CORNER_TURN_RAD = np.radians(12.0)
"""Vertices that turn by less are taken for those of a curve."""

LONG_MM = 1.5
"""Sides at least so long can be straight runs of their own."""

_STRAIGHT_TURN_RAD = np.radians(6.0)
_ALONE_MM = 6.0
_BLEND_MM = 0.85
_REACH_MM = 0.5
_MOST_MITRE = 4.0
_SAME_PLACE_MM = 1e-3


@dataclass(frozen=True, kw_only=True)
class RingShape:
    """A ring, its material on the left, and what each side and corner of it is.

    ``points_mm`` (..., n, 2); side i leads from point i to the next.  ``along`` and
    ``inwards`` (..., n, 2) unit vectors of the sides, ``length_mm`` (..., n).  By the
    first ring where there are several: ``turn_rad`` (n,) at each point, left positive;
    ``corner`` (n,) whether it is one, ``straight`` (n,) whether a side is a straight
    run of its own, ``curvature_per_mm`` (n,) of the sides on a curve, 0 for others.
    """

    points_mm: Array
    along: Array
    inwards: Array
    length_mm: Array
    turn_rad: Array
    corner: Flags
    straight: Flags
    curvature_per_mm: Array

    @property
    def inside_deg(self) -> Array:
        """Angles inside the material at the corners, (k,)."""
        return np.asarray(180.0 - np.degrees(self.turn_rad[self.corner]))


def shape_of(points_mm: Array) -> RingShape:
    """Tell corners, straight runs and curves of a ring apart."""
    side = _after(points_mm) - points_mm
    lengths = np.hypot(side[..., 0], side[..., 1])
    along = side / lengths[..., None]
    length = lengths.reshape(-1, lengths.shape[-1])[0]
    ours = along.reshape(-1, len(length), 2)[0]
    x, y = _before(ours).T
    turn = np.arctan2(x * ours[:, 1] - y * ours[:, 0], x * ours[:, 0] + y * ours[:, 1])
    size = np.abs(turn)
    corner = size >= CORNER_TURN_RAD
    sharpest = np.maximum(size, np.concatenate([size[1:], size[:1]]))
    straight = (length >= LONG_MM) & (
        (sharpest >= _STRAIGHT_TURN_RAD) | (length >= _ALONE_MM)
    )
    return RingShape(
        points_mm=points_mm,
        along=along,
        inwards=np.stack([-along[..., 1], along[..., 0]], axis=-1),
        length_mm=lengths,
        turn_rad=turn,
        corner=corner,
        straight=straight,
        curvature_per_mm=_curvature(length, np.where(corner, 0.0, turn), straight),
    )


def _after(points: Array) -> Array:
    return np.concatenate([points[..., 1:, :], points[..., :1, :]], axis=-2)


def _before(points: Array) -> Array:
    return np.concatenate([points[..., -1:, :], points[..., :-1, :]], axis=-2)


def _last(values: Array) -> Array:
    """Value of the side before each point, (..., n)."""
    return np.concatenate([values[..., -1:], values[..., :-1]], axis=-1)


def _curvature(length: Array, turn: Array, straight: Flags) -> Array:
    """Turn over length within half a millimetre to either side, (n,)."""
    if not turn.any():
        return np.zeros(len(length))
    ends = np.concatenate([[0.0], np.cumsum(length)])
    around = ends[-1]
    middle = ends[:-1] + 0.5 * length
    # turns are spread over half of each neighbouring side, so that it is smooth
    passed = np.concatenate([[0.0], np.cumsum(np.concatenate([turn[1:], turn[:1]]))])
    place = np.concatenate([middle - around, middle, middle + around])
    total = passed[-1]
    value = np.concatenate([passed[:-1] - total, passed[:-1], passed[:-1] + total])
    reach = min(_REACH_MM, around / 4.0)
    more = np.interp(middle + reach, place, value)
    less = np.interp(middle - reach, place, value)
    return np.where(straight, 0.0, (more - less) / (2.0 * reach))


def mitred(shape: RingShape, inset_mm: Array) -> Array:
    """Draw rings in point for point, each side by its own inset (..., n)."""
    moved = _vertices(shape, inset_mm)
    if shape.corner.any():
        moved[..., shape.corner, :] = _corners(shape, inset_mm, 0.0)
    return np.asarray(shape.points_mm + moved)


def drawn_in(shape: RingShape, inset_mm: Array, profiles_mm: Array) -> Array:
    """Draw rings in.

    Parameters
    ----------
    shape : RingShape
    inset_mm : (..., n) array
        Of each side.
    profiles_mm : (..., k, places) array
        What is added along the arms of each corner, at
        :data:`~calib.flush_plane.ALONG_MM` from it.

    Returns
    -------
    (..., m, 2) array
        The rings, with some points more beside corners.
    """
    if not shape.corner.any():
        return np.asarray(shape.points_mm + _vertices(shape, inset_mm))
    rim = _Rim.of(shape)
    corners = _corners(shape, inset_mm, profiles_mm[..., 0])
    tips = inset_mm[..., shape.corner] + profiles_mm[..., 0]
    own = inset_mm[..., rim.side]
    profile = rim.profile(profiles_mm)
    half = np.radians(shape.inside_deg) / 2.0
    added = np.minimum(profile, rim.necks(tips, half) - own)
    profile = np.where(rim.added, added, profile)
    # beside corners straight inwards, at other points to where both sides meet
    plain = np.flatnonzero(~shape.corner)
    moved = (own + profile)[..., None] * shape.inwards[..., rim.side, :]
    if len(plain):
        vertices = _vertices(shape, inset_mm)[..., plain, :]
        unit = _vertices(shape, np.ones_like(inset_mm))[..., plain, :]
        there = profile[..., : len(plain), None] * unit
        moved[..., : len(plain), :] = vertices + there
    points = rim.flat(shape) + moved + rim.slid(shape, corners)
    tip = shape.points_mm[..., shape.corner, :] + corners
    return np.concatenate([points, tip], axis=-2)[..., rim.order, :]


@dataclass(frozen=True, kw_only=True)
class _Rim:
    """Places of rings: their points but for corners, then those added beside corners.

    ``place`` (..., m) along the rim, ``side`` (m,) that each lies on, ``added`` (m,);
    ``ends`` two pairs of the corner (m,) on one side and how far away (..., m) it is;
    ``gap`` (..., k) from each corner to the next.  ``order`` sorts places and corners.
    """

    place: Array
    start: Array
    side: Ints
    added: Flags
    ends: tuple[tuple[Ints, Array], tuple[Ints, Array]]
    gap: Array
    order: Ints

    @classmethod
    def of(cls, shape: RingShape) -> _Rim:
        """Measure along some rings."""
        length = shape.length_mm
        zero = np.zeros((*length.shape[:-1], 1))
        starts = np.concatenate([zero, np.cumsum(length, axis=-1)], axis=-1)
        around = starts[..., -1:]
        at = starts[..., :-1][..., shape.corner]
        behind = np.concatenate([at[..., 1:], at[..., :1] + around], axis=-1)
        gap = behind - at
        extra, side = _extra(shape, starts, at, gap)
        plain = np.flatnonzero(~shape.corner)
        place = np.concatenate([starts[..., plain], extra], axis=-1)
        first, marks = _first(place), _first(at)
        following = np.searchsorted(marks, first, side="right")
        before, after = (following - 1) % len(marks), following % len(marks)
        sides = np.concatenate([plain, side])
        return cls(
            place=place,
            start=starts[..., sides],
            side=sides,
            added=np.arange(len(sides)) >= len(plain),
            ends=(
                (before, np.mod(place - at[..., before], around)),
                (after, np.mod(at[..., after] - place, around)),
            ),
            gap=gap,
            order=np.argsort(np.concatenate([first, marks]), kind="stable"),
        )

    def flat(self, shape: RingShape) -> Array:
        """Places as points (..., m, 2)."""
        on = (self.place - self.start)[..., None] * shape.along[..., self.side, :]
        return np.asarray(shape.points_mm[..., self.side, :] + on)

    def profile(self, profiles: Array) -> Array:
        """Add up what the corners before and after each place bring, (..., m)."""
        total = np.zeros(self.place.shape)
        for corner, away in self.ends:
            knot = np.searchsorted(ALONG_MM, away, side="right") - 1
            knot = np.minimum(knot, len(ALONG_MM) - 2)
            share = (away - ALONG_MM[knot]) / (ALONG_MM[knot + 1] - ALONG_MM[knot])
            ours = profiles[..., corner, :]
            low = np.take_along_axis(ours, knot[..., None], axis=-1)[..., 0]
            high = np.take_along_axis(ours, knot[..., None] + 1, axis=-1)[..., 0]
            total += np.where(share <= 1.0, low + share * (high - low), 0.0)
        return np.asarray(total)

    def necks(self, tips: Array, half_rad: Array) -> Array:
        """Largest inset (..., m) that keeps the arms of the corners apart."""
        bound = np.full(self.place.shape, np.inf)
        for corner, away in self.ends:
            tip, half = tips[..., corner], half_rad[corner]
            slid = tip / np.tan(half) * np.maximum(1.0 - away / _BLEND_MM, 0.0)
            bound = np.minimum(bound, neck_mm(away, away + slid, tip, half))
        return bound

    def slid(self, shape: RingShape, corners: Array) -> Array:
        """Share of a corner's own move along the rim that places beside it take."""
        before = self.ends[0][0]
        reach = np.minimum(_BLEND_MM, 0.5 * self.gap[..., before])
        along = shape.along[..., self.side, :]
        total = np.zeros(self.place.shape)
        for corner, away in self.ends:
            share = np.maximum(1.0 - away / reach, 0.0)
            total += share * np.sum(corners[..., corner, :] * along, axis=-1)
        return np.asarray(total[..., None] * along)


def _first(values: Array) -> Array:
    """Those of the first ring."""
    return np.asarray(values.reshape(-1, values.shape[-1])[0])


def _vertices(shape: RingShape, inset: Array) -> Array:
    """Move (..., n, 2) of each point to where both its sides, drawn in alike, meet."""
    before = _before(shape.inwards)
    mean = 0.5 * (inset + _last(inset))
    cosine = np.sum(before * shape.inwards, axis=-1)
    return np.asarray((mean / (1.0 + cosine))[..., None] * (before + shape.inwards))


def _corners(shape: RingShape, inset: Array, extra: Array | float) -> Array:
    """Move (..., k, 2) of each corner to where both its sides, drawn in apart, meet."""
    second = shape.inwards[..., shape.corner, :]
    first = _before(shape.inwards)[..., shape.corner, :]
    ours = inset[..., shape.corner] + extra
    theirs = _last(inset)[..., shape.corner] + extra
    cosine = np.sum(first * second, axis=-1)
    sine2 = np.maximum(1.0 - cosine**2, 1e-3)
    move = ((theirs - cosine * ours) / sine2)[..., None] * first
    move += ((ours - cosine * theirs) / sine2)[..., None] * second
    size = np.hypot(move[..., 0], move[..., 1])
    most = _MOST_MITRE * np.maximum(np.abs(ours), np.abs(theirs))
    held = np.minimum(1.0, most / np.maximum(size, 1e-12))
    return np.asarray(move * held[..., None])


def _extra(
    shape: RingShape, starts: Array, at: Array, gap: Array
) -> tuple[Array, Ints]:
    """Places (..., m) beside corners, none beyond the middle to the next corner.

    And the side (m,) that each lies on.
    """
    around = starts[..., -1:]
    count = at.shape[-1]
    room = 0.5 * gap.reshape(-1, count).min(axis=0)
    steps = ALONG_MM[1:]
    corner, step = np.nonzero(steps < room[:, None])
    back, pace = np.nonzero(steps < np.concatenate([room[-1:], room[:-1]])[:, None])
    found = [at[..., corner] + steps[step], at[..., back] - steps[pace]]
    extra = np.mod(np.concatenate(found, axis=-1), around)
    side = np.searchsorted(_first(starts), _first(extra), side="right") - 1
    side = np.minimum(side, len(shape.corner) - 1)
    gone = extra - starts[..., side]
    left = starts[..., side + 1] - extra
    clear = np.minimum(gone, left).reshape(-1, len(side)).min(axis=0) > _SAME_PLACE_MM
    return extra[..., clear], side[clear]
