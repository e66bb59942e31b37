"""Many rings at once, end to end in one array: plain ones, their areas and needles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.flush_opening import SMALL_MM, is_small
from calib.flush_outline import complex_of, points_of

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Complex = NDArray[np.complex128]
Flags = NDArray[np.bool_]
Values = TypeVar("Values", Array, Complex)

SAME_MM = 1e-6
"""Points so near to each other are the same."""

_CLEAN_MM = 0.0003
_STRAIGHT_RAD = 2e-5  # finer than a curve of 100,000 sides turns at a point
_START = np.array([0.8526, 0.5226])  # along no axis of any plain shape
_ALIKE = 2e-3  # of the directions of sides
_MOST_RUN_MM = 0.15
_NEEDLE_SLOPE = 1.0 / np.tan(np.radians(25.0))  # a needle's point turns the way back


@dataclass(frozen=True, kw_only=True)
class Rings:
    """Closed rings end to end: ``points_mm`` (m, 2).

    ``bounds`` (r + 1,): numbers of their first points, and of one behind the last.
    """

    points_mm: Array
    bounds: Ints

    @classmethod
    def of(cls, rings: Sequence[Array]) -> Rings:
        """Put rings end to end."""
        bounds = np.array([0, *accumulate(map(len, rings))])
        return cls(points_mm=np.concatenate(rings), bounds=bounds)

    @property
    def starts(self) -> Ints:
        """Number (r,) of each ring's first point."""
        return self.bounds[:-1]

    @cached_property
    def ends(self) -> Ints:
        """Number (r,) of each ring's last point."""
        return self.bounds[1:] - 1

    @cached_property
    def place(self) -> Complex:
        """Points as complex numbers, (m,)."""
        return complex_of(self.points_mm)

    @cached_property
    def side(self) -> Complex:
        """From each point to the next, (m,)."""
        found = np.empty_like(self.place)
        np.subtract(self.place[1:], self.place[:-1], out=found[:-1])
        found[self.ends] = self.place.take(self.starts) - self.place.take(self.ends)
        return found

    @cached_property
    def length_mm(self) -> Array:
        """Of each side, (m,)."""
        return np.asarray(np.abs(self.side))

    @cached_property
    def bend(self) -> Complex:
        """Dot and cross product (m,) of the sides before and after each point."""
        return np.asarray(self.before(self.side).conj() * self.side)

    def before(self, values: Values) -> Values:
        """Values (m,) of the side before each point."""
        found = np.empty_like(values)
        found[1:] = values[:-1]
        found[self.starts] = values.take(self.ends)
        return found

    @property
    def areas_mm2(self) -> Array:
        """Areas (r,), counter-clockwise positive."""
        cross = (self.place.conj() * self.side).imag
        return np.asarray(0.5 * np.add.reduceat(cross, self.starts))

    @property
    def have_needles(self) -> Flags:
        """Whether each ring (r,) turns the way back at a point."""
        sharp = -self.bend.real > _NEEDLE_SLOPE * np.abs(self.bend.imag)
        return np.asarray(np.logical_or.reduceat(sharp, self.starts))

    def only(self, kept: Ints) -> Rings:
        """Rings of the points that are kept (k,), some of each."""
        return Rings(
            points_mm=self.points_mm.take(kept, 0),
            bounds=kept.searchsorted(self.bounds),
        )

    def split(self, values: Array) -> list[Array]:
        """Values (m, ...) of each ring."""
        return [values[start:end] for start, end in pairwise(self.bounds.tolist())]


@dataclass(frozen=True, kw_only=True)
class PlainRing:
    """A ring (n, 2) of the design without points on straight lines.

    ``along`` (n, 2) unit vectors of its sides.
    """

    points_mm: Array
    along: Array
    area_mm2: float
    around_mm: float
    small: bool

    def run_mm(self, others_mm2: list[float]) -> float:
        """How far the wall recedes to the next layer, as a mean along the ring.

        ``others_mm2``: signed areas of those that may be this ring in the layer above.
        """
        alike = (o for o in others_mm2 if (o > 0.0) == (self.area_mm2 > 0.0))
        runs = ((self.area_mm2 - other) / self.around_mm for other in alike)
        run = min(runs, key=abs, default=0.0)
        return run if abs(run) < _MOST_RUN_MM else 0.0


def plain_rings(rings: Sequence[Array]) -> list[PlainRing]:
    """Leave out points on straight lines; start each ring where it is farthest out.

    Parameters
    ----------
    rings : sequence of (n, 2) arrays
        Outer ones counter-clockwise, openings clockwise.
    """
    plain = _cleaned(_from_farthest(Rings.of(rings)))
    along = points_of(plain.side / plain.length_mm)
    rows = zip(
        plain.split(plain.points_mm),
        plain.split(along),
        plain.areas_mm2.tolist(),
        np.add.reduceat(plain.length_mm, plain.starts).tolist(),
        strict=True,
    )
    return [
        PlainRing(
            points_mm=points,
            along=along,
            area_mm2=area,
            around_mm=size,
            small=0.0 < -area < 0.5 * SMALL_MM * size and is_small(points),
        )
        for points, along, area, size in rows
    ]


def alike(rings: Sequence[PlainRing]) -> Flags:
    """Which may be drawn in at once with the first; small ones but for place the same.

    All have as many points, and are small or none is.
    """
    if rings[0].small:
        points = np.array([ring.points_mm for ring in rings])
        away = points - points[:, :1]
        tolerance = SAME_MM
    else:
        away = np.array([ring.along for ring in rings])
        tolerance = _ALIKE
    off = np.abs(away - away[0]).reshape(len(rings), -1)
    return np.asarray(off.max(axis=1) < tolerance)


def _from_farthest(rings: Rings) -> Rings:
    """Start each ring at the point that is farthest out in one direction."""
    parts = []
    far = rings.points_mm @ _START
    for start, end in pairwise(rings.bounds.tolist()):
        first = start + far[start:end].argmax()
        parts += [rings.points_mm[first:end], rings.points_mm[start:first]]
    return Rings(points_mm=np.concatenate(parts), bounds=rings.bounds)


def _cleaned(rings: Rings) -> Rings:
    """Leave out points on straight lines."""
    before = rings.before(rings.length_mm)
    bent = np.abs(rings.bend.imag) > _STRAIGHT_RAD * before * rings.length_mm
    if bent.all():
        return rings
    bent[rings.starts] = True
    kept, gone = bent.nonzero()[0], (~bent).nonzero()[0]
    plain = rings.only(kept)
    # a curve so fine that its points would go one by one keeps them all
    corner = kept.searchsorted(gone) - 1
    away = rings.place.take(gone) - plain.place.take(corner)
    across = (away.conj() * plain.side.take(corner)).imag
    strays = np.abs(across) > _CLEAN_MM * plain.length_mm.take(corner)
    few = plain.ends - plain.starts < 2
    if not strays.any() and not few.any():
        return plain
    fine = plain.bounds.searchsorted(corner[strays], "right") - 1
    found, whole = (some.split(some.points_mm) for some in (plain, rings))
    for number in {*fine.tolist(), *few.nonzero()[0].tolist()}:
        found[number] = whole[number]
    return Rings.of(found)
