"""Many rings at once, those of as many points in one stack: plain ones, their areas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from calib.flush_opening import SMALL_MM, is_small
from calib.flush_outline import complex_of, last_of, next_of, points_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

SAME_MM = 1e-6
"""Points so near to each other are the same."""

_CLEAN_MM = 0.0003
_STRAIGHT_RAD = 2e-5  # finer than a curve of 100,000 sides turns at a point
_BEVEL_MM = 0.06  # of a pixel
_BESIDE_BEVEL_MM = 0.12
_OUT = 0.8526 + 0.5226j  # along no axis of any plain shape
_ALIKE = 2e-3  # of the directions of sides
_MOST_RUN_MM = 0.15
_NEEDLE_SLOPE = 1.0 / np.tan(np.radians(15.0))  # a needle's point turns the way back


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
        ours = self.area_mm2
        lost = [ours - other for other in others_mm2 if (other > 0.0) == (ours > 0.0)]
        run = min(lost, key=abs, default=0.0) / self.around_mm
        return run if abs(run) < _MOST_RUN_MM else 0.0


def stacks(rings: Sequence[Array]) -> Iterator[tuple[list[int], Complex]]:
    """Stack rings (n, 2) of as many points: their numbers, and complex ones (r, n)."""
    numbers: dict[int, list[int]] = {}
    for number, ring in enumerate(rings):
        numbers.setdefault(len(ring), []).append(number)
    for ours in numbers.values():
        yield ours, complex_of(np.array([rings[number] for number in ours]))


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Of some rings (r,): signed areas, and which turn the way back at a point.

    ``simple``: those that don't cross themselves.
    """

    area_mm2: Array
    sharp: Flags
    simple: Flags

    @classmethod
    def of(cls, stack: Complex) -> Judged:
        """Judge a stack of rings (r, n)."""
        after = next_of(stack)
        cross = (stack.conj() * after).imag
        twice = cross.sum(axis=1)
        middle = ((stack + after) * cross).sum(axis=1)
        middle /= np.where(twice == 0.0, 1.0, 3.0 * twice)
        here, after = stack - middle[:, None], after - middle[:, None]
        simple = _seen_whole(here, after, np.sign(twice))
        if not simple.all():
            rings = points_of(stack[~simple])
            simple[~simple] = shapely.is_simple(shapely.linearrings(rings))
        bend = _bend(after - here)
        back = bend.real + _NEEDLE_SLOPE * np.abs(bend.imag)
        return cls(area_mm2=0.5 * twice, sharp=back.min(axis=1) < 0.0, simple=simple)


def _seen_whole(here: Complex, after: Complex, sense: Array) -> Flags:
    """Whether rings (r,) that turn in some sense are seen whole from the origin.

    Such a one doesn't cross itself.  ``here`` and ``after`` (r, n): points, and those
    that follow them.
    """
    onwards = sense * (here.conj() * after).imag.T
    rounds = ((here.imag < 0.0) & (after.imag >= 0.0)).sum(axis=1)
    return np.asarray((onwards.min(axis=0) > 0.0) & (rounds == 1))


def plain_rings(rings: Sequence[Array]) -> list[PlainRing]:
    """Leave out points on straight lines; start each ring where it is farthest out.

    Bevels too narrow for any pixel are left out too: drawn in by another inset than
    the long sides beside it, one would be turned inside out.

    Parameters
    ----------
    rings : sequence of (n, 2) arrays
        Outer ones counter-clockwise, openings clockwise.
    """
    found: dict[int, PlainRing] = {}
    for numbers, stack in stacks(rings):
        for rows, plain in _cleaned(_from_farthest(stack)):
            ours = [numbers[row] for row in rows]
            found.update(zip(ours, _measured(plain), strict=True))
    return [found[number] for number in range(len(rings))]


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
    return np.asarray((np.abs(away - away[0]) < tolerance).all(axis=(1, 2)))


def _sharp(ring: Complex) -> Complex:
    """Let long sides with next to nothing between them meet in a corner."""
    size = len(ring)
    side = next_of(ring) - ring
    first = (np.abs(side) >= _BESIDE_BEVEL_MM).nonzero()[0]
    second, end = next_of(first), (first + 1) % size
    across = ring[second] - ring[end]
    bevel = (second != end) & (np.abs(across) < _BEVEL_MM)
    if not bevel.any():
        return ring
    first, second, end, across = (v[bevel] for v in (first, second, end, across))
    turn = (side[first].conj() * side[second]).imag
    on = (across.conj() * side[second]).imag / np.where(turn == 0.0, 1.0, turn)
    meet = ring[end] + on * side[first]
    far = np.abs(meet - ring[end]) > _BEVEL_MM
    found = ring.copy()
    found[second] = np.where(far, ring[end] + across / 2.0, meet)
    gone = np.arange(size) - end[:, None]
    kept = ~(gone % size < (second - end)[:, None] % size).any(axis=0)
    return found[kept] if kept.sum() > 2 else ring


def _measured(stack: Complex) -> list[PlainRing]:
    side = next_of(stack) - stack
    length = np.abs(side)
    if length.min() < _BEVEL_MM:
        sharp = [_sharp(ring) for ring in stack]
        if min(map(len, sharp)) < stack.shape[1]:
            return [one for ring in sharp for one in _measured(ring[None])]
    areas = 0.5 * (stack.conj() * side).imag.sum(axis=1)
    rows = zip(
        points_of(stack),
        points_of(side / length),
        areas.tolist(),
        length.sum(axis=1).tolist(),
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


def _from_farthest(stack: Complex) -> Complex:
    """Start each ring at the point that is farthest out in one direction."""
    first = (stack * _OUT.conjugate()).real.argmax(axis=1)
    count, size = stack.shape
    place = (first[:, None] + np.arange(size)) % size
    place += size * np.arange(count)[:, None]
    found: Complex = stack.take(place)
    return found


def _bend(side: Complex) -> Complex:
    """Dot and cross product of the sides before and after each point."""
    return np.asarray(last_of(side).conj() * side)


def _cleaned(stack: Complex) -> Iterator[tuple[list[int], Complex]]:
    """Leave out points on straight lines: rows of those that stay alike, and they."""
    side = next_of(stack) - stack
    length = np.abs(side)
    bent = np.abs(_bend(side).imag) > _STRAIGHT_RAD * last_of(length) * length
    bent[:, 0] = True
    same: dict[bytes, list[int]] = {}
    for row, pattern in enumerate(map(bytes, bent)):
        same.setdefault(pattern, []).append(row)
    for rows in same.values():
        kept, gone = bent[rows[0]].nonzero()[0], (~bent[rows[0]]).nonzero()[0]
        whole = stack.take(rows, 0)
        # a curve so fine that its points would go one by one keeps them all
        fine = len(kept) < 3 or _strays(whole, kept, gone)
        yield rows, whole if fine else whole.take(kept, 1)


def _strays(whole: Complex, kept: Ints, gone: Ints) -> bool:
    """Whether points of the rings would be too far off if they were left out."""
    plain = whole.take(kept, 1)
    side = next_of(plain) - plain
    corner = kept.searchsorted(gone) - 1
    away = whole.take(gone, 1) - plain.take(corner, 1)
    across = (away.conj() * side.take(corner, 1)).imag
    strays = np.abs(across) > _CLEAN_MM * np.abs(side).take(corner, 1)
    return bool(strays.any())
