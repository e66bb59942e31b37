"""Many rings at once, end to end in one array: plain ones, their areas and needles."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.flush_opening import SMALL_MM, is_small

if TYPE_CHECKING:
    from collections.abc import Sequence

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

_CLEAN_MM = 0.0003
_STRAIGHT_RAD = 2e-5  # finer than a curve of 100,000 sides turns at a point
_START = np.array([0.8526, 0.5226])  # along no axis of any plain shape
_ALIKE = 2e-3  # of the directions of sides
_SAME_MM = 1e-6
_MOST_RUN_MM = 0.15
_NEEDLE_SLOPE = 1.0 / np.tan(np.radians(25.0))  # a needle's point turns the way back


@dataclass(frozen=True, kw_only=True)
class Rings:
    """Closed rings end to end: ``points_mm`` (m, 2), ``starts`` (r,) of each ring."""

    points_mm: Array
    starts: Ints

    @classmethod
    def of(cls, rings: Sequence[Array]) -> Rings:
        """Put rings end to end."""
        counts = np.array([len(ring) for ring in rings])
        return cls(points_mm=np.concatenate(rings), starts=np.cumsum(counts) - counts)

    @cached_property
    def after(self) -> Ints:
        """Number (m,) of the point after each, round its ring."""
        found = np.arange(1, len(self.points_mm) + 1)
        found[np.append(self.starts[1:], len(found)) - 1] = self.starts
        return found

    @cached_property
    def side(self) -> Array:
        """From each point to the next, (m, 2)."""
        return self.points_mm[self.after] - self.points_mm

    @cached_property
    def side_before(self) -> Array:
        """To each point from the one before, (m, 2)."""
        found = np.empty_like(self.side)
        found[self.after] = self.side
        return found

    @cached_property
    def turned(self) -> Array:
        """Cross product (m,) of the sides before and after each point."""
        first, second = self.side_before, self.side
        return np.asarray(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0])

    @property
    def areas_mm2(self) -> Array:
        """Areas (r,), counter-clockwise positive."""
        x, y = self.points_mm.T
        cross = x * self.side[:, 1] - y * self.side[:, 0]
        return np.asarray(0.5 * np.add.reduceat(cross, self.starts))

    @property
    def have_needles(self) -> Flags:
        """Whether each ring (r,) turns the way back at a point."""
        back = -np.einsum("ij,ij->i", self.side_before, self.side)
        sharp = back > _NEEDLE_SLOPE * np.abs(self.turned)
        return np.asarray(np.logical_or.reduceat(sharp, self.starts))

    def only(self, kept: Flags) -> Rings:
        """Rings of the points that are kept (m,), some of each."""
        counts = np.add.reduceat(kept.astype(np.intp), self.starts)
        return Rings(points_mm=self.points_mm[kept], starts=np.cumsum(counts) - counts)

    def split(self, values: Array) -> list[Array]:
        """Values (m, ...) of each ring."""
        return np.split(values, self.starts[1:])


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

    def is_like(self, other: PlainRing) -> bool:
        """Whether both may be drawn in at once; small ones are the same but for place.

        They have as many points.
        """
        if self.small:
            ours, theirs = self.points_mm, other.points_mm
            away = (ours - ours[0]) - (theirs - theirs[0])
            return bool(np.abs(away).max() < _SAME_MM)
        return bool(np.abs(self.along - other.along).max() < _ALIKE)

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
    plain = Rings.of(_cleaned(Rings.of([_from_farthest(ring) for ring in rings])))
    length = np.hypot(plain.side[:, 0], plain.side[:, 1])
    around = np.add.reduceat(length, plain.starts)
    rows = zip(
        plain.split(plain.points_mm),
        plain.split(plain.side / length[:, None]),
        plain.areas_mm2.tolist(),
        around.tolist(),
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


def _from_farthest(ring: Array) -> Array:
    first = int((ring @ _START).argmax())
    return np.concatenate([ring[first:], ring[:first]])


def _cleaned(rings: Rings) -> list[Array]:
    size2 = np.einsum("ij,ij->i", rings.side, rings.side)
    before2 = np.empty_like(size2)
    before2[rings.after] = size2
    kept = rings.turned**2 > _STRAIGHT_RAD**2 * size2 * before2
    if kept.all():
        return rings.split(rings.points_mm)
    kept[rings.starts] = True
    plain = rings.only(kept)
    found = plain.split(plain.points_mm)
    # a curve so fine that its points would go one by one keeps them all
    corner = (np.cumsum(kept) - 1)[~kept]
    away = rings.points_mm[~kept] - plain.points_mm[corner]
    side = plain.side[corner]
    across = np.abs(side[:, 0] * away[:, 1] - side[:, 1] * away[:, 0])
    strays = across > _CLEAN_MM * np.hypot(side[:, 0], side[:, 1])
    fine = np.searchsorted(plain.starts, corner[strays], side="right") - 1
    few = np.flatnonzero(np.diff(plain.starts, append=len(plain.points_mm)) < 3)
    whole = rings.split(rings.points_mm)
    for number in {*fine.tolist(), *few.tolist()}:
        found[number] = whole[number]
    return found
