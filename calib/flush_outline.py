"""A ring drawn in: another inset for each side, and a profile at each corner.

Rings of several layers that are alike but for their size are drawn in at once: arrays
of points then have an axis for the layers before their own, here ``...``; of one ring
that is the same in all layers, it has the length 1.  In here,
points and directions are complex numbers: along a side by ``s`` and inwards by ``t`` is
its direction times ``s + 1j t``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.flush_plane import ALONG_MM, CORNER_REACH_MM, neck_mm

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]
Values = TypeVar("Values", Array, Complex, Ints)

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
_BESIDE_MM = np.concatenate([-ALONG_MM[:0:-1], ALONG_MM[1:]])


@dataclass(frozen=True, kw_only=True)
class RingShape:
    """A ring, its material on the left, and what each side and corner of it is.

    ``points_mm`` (..., n, 2); side i leads from point i to the next.  ``along``
    (..., n, 2) unit vectors of the sides, ``length_mm`` (..., n).  By the first ring
    where there are several: ``turn_rad`` (n,) at each point, left positive;
    ``corner`` (n,) whether it is one, ``straight`` (n,) whether a side is a straight
    run of its own, ``curvature_per_mm`` (n,) of the sides on a curve, 0 for others.
    """

    points_mm: Array
    along: Array
    length_mm: Array
    turn_rad: Array
    corner: Flags
    straight: Flags
    curvature_per_mm: Array

    @cached_property
    def corners(self) -> Ints:
        """Numbers of the corners, (k,)."""
        return np.flatnonzero(self.corner)

    @cached_property
    def others(self) -> Ints:
        """Numbers of the points that are no corners."""
        return np.flatnonzero(~self.corner)

    @cached_property
    def half_rad(self) -> Array:
        """Half the angles inside the material at the corners, (k,)."""
        return np.asarray(0.5 * (np.pi - self.turn_rad[self.corners]))

    @property
    def inside_deg(self) -> Array:
        """Angles inside the material at the corners, (k,)."""
        return np.degrees(2.0 * self.half_rad)


def complex_of(points: Array) -> Complex:
    """Points (..., 2) as complex numbers."""
    return np.asarray(points, float, order="C").view(np.complex128)[..., 0]


def points_of(places: Complex) -> Array:
    """Complex numbers as points (..., 2)."""
    return places[..., None].view(np.float64)


def next_of(values: Values) -> Values:
    """Value of the point after each, (..., n)."""
    return values.take(np.arange(1 - values.shape[-1], 1), -1)


def last_of(values: Values) -> Values:
    """Value of the side before each point, (..., n)."""
    return values.take(np.arange(-1, values.shape[-1] - 1), -1)


def shape_of(points_mm: Array) -> RingShape:
    """Tell corners, straight runs and curves of a ring apart."""
    place = complex_of(points_mm)
    side = next_of(place) - place
    lengths = np.abs(side)
    along = side / lengths
    length, ours = _first(lengths), _first(along)
    bend = ours * last_of(ours).conj()
    turn = np.arctan2(bend.imag, bend.real)
    size = np.abs(turn)
    corner = size >= CORNER_TURN_RAD
    straight = (length >= LONG_MM) & (
        (np.maximum(size, next_of(size)) >= _STRAIGHT_TURN_RAD) | (length >= _ALONE_MM)
    )
    return RingShape(
        points_mm=points_mm,
        along=points_of(along),
        length_mm=lengths,
        turn_rad=turn,
        corner=corner,
        straight=straight,
        curvature_per_mm=_curvature(length, np.where(corner, 0.0, turn), straight),
    )


def mitred(shape: RingShape, inset_mm: Array) -> Array:
    """Draw rings in point for point, each side by its own inset (..., n)."""
    place = complex_of(shape.points_mm) + _mean(inset_mm) * _mitres(shape)
    if len(shape.corners):
        tips = complex_of(shape.points_mm).take(shape.corners, -1)
        place[..., shape.corners] = tips + _tips(shape, inset_mm, 0.0)
    return points_of(place)


def drawn_in(shape: RingShape, inset_mm: Array, profiles_mm: Array) -> Array:
    """Draw rings in.

    Parameters
    ----------
    shape : RingShape
    inset_mm : (..., n) array
        Of each side.
    profiles_mm : (..., k, places) array
        What is added along the arms of each corner, at
        :data:`~calib.flush_plane.ALONG_MM` from it; nothing at the last.

    Returns
    -------
    (..., m, 2) array
        The rings, with some points more beside corners.
    """
    if not len(shape.corners):
        return mitred(shape, inset_mm)
    place, along = complex_of(shape.points_mm), complex_of(shape.along)
    rim, corner = _rim_of(shape), shape.corners
    added = profiles_mm[..., 0]
    tips = _tips(shape, inset_mm, added)
    bound = rim.necks(inset_mm.take(corner, -1) + added, shape.half_rad)
    into = inset_mm.take(rim.side, -1) + rim.profile(profiles_mm)
    into[..., rim.plain :] = np.minimum(into[..., rim.plain :], bound)
    on = along.take(rim.side, -1)
    inwards = 1j * on  # beside corners; at other points to where both sides meet
    if rim.plain:
        other = shape.others
        into[..., : rim.plain] += (_mean(inset_mm) - inset_mm).take(other, -1)
        inwards[..., : rim.plain] = _mitres(shape).take(other, -1)
    moved = on * (rim.on_mm + rim.slid(on, tips)) + inwards * into
    found = [place.take(rim.start, -1) + moved, place.take(corner, -1) + tips]
    return points_of(np.concatenate(found, axis=-1).take(rim.order, -1))


@dataclass(frozen=True, kw_only=True)
class _Rim:
    """Places of rings: their ``plain`` points, no corners, then those beside corners.

    ``side`` (m,) that each lies on, ``on_mm`` (..., m) along it from the point
    ``start`` (m,); ``corner`` (c, m) next to each, ``away_mm`` (..., c, m) how far off:
    the nearer one, and the other if any place is in its reach.  Of profiles,
    ``knot`` (..., c, m) is the place before it and ``past`` how far it lies behind.
    ``fade`` and ``pull`` (..., c, m) shares of a corner's own move that places take,
    wherever the next corner is and as far as it lets them.  ``order`` sorts places and
    corners.
    """

    plain: int
    side: Ints
    start: Ints
    on_mm: Array
    corner: Ints
    away_mm: Array
    knot: Ints
    past: Array
    fade: Array
    pull: Array
    order: Ints

    @classmethod
    def of(
        cls,
        *,
        plain: int,
        lies: tuple[Ints, Ints, Array],
        corner: Ints,
        away_mm: Array,
        reach_mm: Array,
        order: Ints,
    ) -> _Rim:
        """Work out what places take of corners; ``lies``: their side, start and on."""
        knot = np.interp(away_mm, ALONG_MM, np.arange(float(len(ALONG_MM))))
        whole = knot.astype(np.intp)
        side, start, on = lies
        return cls(
            plain=plain,
            side=side,
            start=start,
            on_mm=on,
            corner=corner,
            away_mm=away_mm,
            knot=whole + len(ALONG_MM) * corner,
            past=knot - whole,
            fade=np.maximum(1.0 - away_mm / _BLEND_MM, 0.0),
            pull=np.maximum(1.0 - away_mm / reach_mm[..., None, :], 0.0),
            order=order,
        )

    def profile(self, profiles: Array) -> Array:
        """Add up what the corners next to each place bring, (..., m)."""
        *layers, count, knots = profiles.shape
        rows = np.arange(0, profiles.size, count * knots).reshape(*layers, 1, 1)
        number = rows + self.knot
        low = profiles.take(number)
        high = profiles.take(number + 1, mode="clip")  # the last is met, never passed
        return np.asarray((low + self.past * (high - low)).sum(axis=-2))

    def necks(self, tips: Array, half_rad: Array) -> Array:
        """Largest inset beside corners that keeps the arms of those nearby apart."""
        corner, away = self.corner[:, self.plain :], self.away_mm[..., self.plain :]
        slid = (tips / np.tan(half_rad)).take(corner, -1) * self.fade[..., self.plain :]
        tip, half = tips.take(corner, -1), half_rad.take(corner)
        return np.asarray(neck_mm(away, away + slid, tip, half).min(axis=-2))

    def slid(self, along: Complex, tips: Complex) -> Array:
        """Share (..., m) of the corners' own moves along the rim that places take."""
        moves = tips.take(self.corner, -1) * along.conj()[..., None, :]
        return np.asarray((self.pull * moves.real).sum(axis=-2))


def _rim_of(shape: RingShape) -> _Rim:
    """Find the places of rings."""
    if len(shape.others) or shape.length_mm.min() < 2.0 * CORNER_REACH_MM:
        return _any_rim(shape)
    return _rim_of_corners(len(shape.corners))


@lru_cache(maxsize=64)
def _rim_of_corners(count: int) -> _Rim:
    """Find the places of any ring that has nothing but corners, far from each other."""
    corner, step = np.divmod(np.arange(count * len(_BESIDE_MM)), len(_BESIDE_MM))
    on = _BESIDE_MM[step]
    return _Rim.of(
        plain=0,
        lies=((corner - (on < 0.0)) % count, corner, on),
        corner=corner[None],
        away_mm=np.abs(on)[None],
        reach_mm=np.full(len(on), _BLEND_MM),
        order=np.lexsort(
            [np.append(on, np.zeros(count)), np.append(corner, np.arange(count))]
        ),
    )


def _any_rim(shape: RingShape) -> _Rim:
    """Measure along some rings."""
    ends = shape.length_mm.cumsum(axis=-1)
    around = ends[..., -1:]
    starts = ends - shape.length_mm
    at = starts.take(shape.corners, -1)
    marks = np.concatenate([at[..., -1:] - around, at, at[..., :1] + around], -1)
    beside, side = _beside(shape, starts, marks)
    side = np.concatenate([shape.others, side])
    place = np.concatenate([starts.take(shape.others, -1), beside], axis=-1)
    mark = _first(marks)
    near = (0.5 * (mark[1:] + mark[:-1])).searchsorted(_first(place))
    other = near + np.where(mark.take(near) < _first(place), 1, -1)
    nearby = np.array([near, other])
    away = np.abs(place[..., None, :] - marks.take(nearby, -1))
    count = 1 if away[..., 1, :].min() >= CORNER_REACH_MM else 2
    return _Rim.of(
        plain=len(shape.others),
        lies=(side, side, place - starts.take(side, -1)),
        corner=(nearby[:count] - 1) % len(shape.corners),
        away_mm=away[..., :count, :],
        reach_mm=np.minimum(_BLEND_MM, 0.5 * away.sum(axis=-2)),
        order=_first(np.concatenate([place, at], axis=-1)).argsort(kind="stable"),
    )


def _beside(shape: RingShape, starts: Array, marks: Array) -> tuple[Array, Ints]:
    """Places (..., m) beside corners, none beyond the middle to the next corner.

    And the side (m,) that each lies on.  ``marks``: places of the corners, and of the
    last and the first once more, a round before and after.
    """
    gaps = (marks[..., 1:] - marks[..., :-1]).reshape(-1, marks.shape[-1] - 1)
    gap = gaps.min(axis=0)
    room = np.array([gap[:-1], gap[1:]]).T.repeat(len(ALONG_MM) - 1, axis=1)
    corner, step = (2.0 * np.abs(_BESIDE_MM) < room).nonzero()
    place = marks.take(corner + 1, -1) + _BESIDE_MM[step]
    place %= marks[..., -1:] - marks[..., 1:2]
    side = _first(starts).searchsorted(_first(place), "right") - 1
    if not len(shape.others):
        return place, side
    gone = place - starts.take(side, -1)
    clear = np.minimum(gone, shape.length_mm.take(side, -1) - gone) > _SAME_PLACE_MM
    kept = clear.reshape(-1, len(side)).all(axis=0).nonzero()[0]
    return place.take(kept, -1), side[kept]


def _first(values: Values) -> Values:
    """Those of the first ring."""
    first: Values = values.reshape(-1, values.shape[-1])[0]
    return first


def _curvature(length: Array, turn: Array, straight: Flags) -> Array:
    """Turn over length within half a millimetre to either side, (n,)."""
    if not turn.any():
        return np.zeros(len(length))
    ends = np.concatenate([[0.0], np.cumsum(length)])
    around = ends[-1]
    middle = ends[:-1] + 0.5 * length
    # turns are spread over half of each neighbouring side, so that it is smooth
    passed = np.concatenate([[0.0], np.cumsum(next_of(turn))])
    place = np.concatenate([middle - around, middle, middle + around])
    total = passed[-1]
    value = np.concatenate([passed[:-1] - total, passed[:-1], passed[:-1] + total])
    reach = min(_REACH_MM, around / 4.0)
    more = np.interp(middle + reach, place, value)
    less = np.interp(middle - reach, place, value)
    return np.where(straight, 0.0, (more - less) / (2.0 * reach))


def _mean(inset: Array) -> Array:
    """Mean inset of the sides before and after each point, (..., n)."""
    return 0.5 * (inset + last_of(inset))


def _mitres(shape: RingShape) -> Complex:
    """Move (..., n) of each point to where both its sides, drawn in by 1, meet."""
    along = complex_of(shape.along)
    before = last_of(along)
    cosine = (along * before.conj()).real
    return np.asarray(1j * (before + along) / (1.0 + cosine))


def _tips(shape: RingShape, inset: Array, extra: Array | float) -> Complex:
    """Move (..., k) of each corner to where both its sides, drawn in apart, meet."""
    along, corner = complex_of(shape.along), shape.corners
    second, first = along.take(corner, -1), along.take(corner - 1, -1)
    ours = inset.take(corner, -1) + extra
    theirs = inset.take(corner - 1, -1) + extra
    sine = (first.conj() * second).imag
    move = (theirs * second - ours * first) * (sine / np.maximum(sine**2, 1e-3))
    most = _MOST_MITRE * np.maximum(np.abs(ours), np.abs(theirs))
    held = np.minimum(1.0, most / np.maximum(np.abs(move), 1e-12))
    return np.asarray(move * held)
