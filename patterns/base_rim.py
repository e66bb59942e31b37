"""What runs along the outline of an underside: corners, straight and round parts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base import Corner, Ring, Run

if TYPE_CHECKING:
    from collections.abc import Callable

Floats = NDArray[np.float64]

EXACT_MM = 0.0005
"""An outline keeps what departs by more than that from a straight line."""
EVEN_MM = 0.005
"""Corners and runs are told from what departs by more than that."""
CORNER_DEG = 30.0
CORNER_OVER_MM = 0.6
"""A corner turns by that much within that length: its radius is under about 1.1 mm."""
FACET_MM = 0.15
"""Sides of a polygon that stay within that of a circle are its facets."""
_KINK_DEG = 5.0
_FIT_MM = 0.03


def even_ring(ring: Ring, within_mm: float) -> Ring:
    """Leave out points in straight lines, (n, 2); at least a triangle remains."""
    from shapely import Polygon

    far = np.argmax(np.linalg.norm(ring - ring.mean(axis=0), axis=1))  # kept as the end
    turned = np.roll(ring, -far, axis=0)
    slim = np.asarray(Polygon(turned).simplify(within_mm).exterior.coords)[:-1]
    return slim if len(slim) >= 3 else ring


@dataclass(frozen=True, slots=True)
class Walk:
    """A ring as it is walked along: (n,) each.

    ``length_mm`` of the side after each point, ``turn_deg`` at it, left positive.
    """

    points: Ring
    length_mm: Floats
    turn_deg: Floats

    @classmethod
    def along(cls, ring: Ring) -> Walk:
        """Sides and turns of a ring."""
        side = np.roll(ring, -1, axis=0) - ring
        heading = np.arctan2(side[:, 1], side[:, 0])
        turn = heading - np.roll(heading, 1)
        turn = (turn + np.pi) % (2 * np.pi) - np.pi
        return cls(ring, np.linalg.norm(side, axis=1), np.degrees(turn))


def corner_places(walk: Walk) -> NDArray[np.int64]:
    """Points of a ring that are corners.

    A corner turns by 30 degrees or more within 0.6 mm; or by less, between sides so
    long that they are no facets of a circle.
    """
    at = np.concatenate([[0], np.cumsum(walk.length_mm)])
    whole = at[-1]
    around = np.concatenate([at[:-1] - whole, at[:-1], at[:-1] + whole])
    sums = np.concatenate([[0], np.cumsum(np.tile(walk.turn_deg, 3))])
    low = np.searchsorted(around, at[:-1] - CORNER_OVER_MM / 2 - 1e-9)
    high = np.searchsorted(around, at[:-1] + CORNER_OVER_MM / 2 + 1e-9, side="right")
    within = sums[high] - sums[low]
    # how far the shorter side's middle is from a circle through three points
    shorter = np.minimum(walk.length_mm, np.roll(walk.length_mm, 1))
    off = shorter / 2 * np.tan(np.radians(np.abs(walk.turn_deg)) / 4)
    sharp = (np.abs(within) >= CORNER_DEG) & (
        (np.abs(walk.turn_deg) >= CORNER_DEG / 2) | (high - low > 1)
    )
    kinked = (off > FACET_MM) & (np.abs(walk.turn_deg) >= _KINK_DEG)
    marked = np.flatnonzero(sharp | kinked)
    return _one_each(marked, walk, at[:-1])


def _one_each(marked: NDArray[np.int64], walk: Walk, at: Floats) -> NDArray[np.int64]:
    """Of marked points within a corner's length of each other, the middle one."""
    if not len(marked):
        return marked
    whole = at[-1] + walk.length_mm[-1]
    gap = np.diff(np.append(at[marked], at[marked[0]] + whole))
    ends = np.flatnonzero(gap > CORNER_OVER_MM)
    if not len(ends):
        return marked[:1]
    marked = np.roll(marked, -(ends[0] + 1))
    sizes = np.diff(np.append(ends, ends[0] + len(gap)))
    groups = np.split(marked, np.cumsum(sizes)[:-1])
    return np.array([_middle(group, walk) for group in groups])


def _middle(group: NDArray[np.int64], walk: Walk) -> int:
    """Point of a group by which half of its turn is made."""
    turned = np.cumsum(np.abs(walk.turn_deg[group]))
    return int(group[np.searchsorted(turned, turned[-1] / 2)])


def trace(ring: Ring) -> tuple[Ring, tuple[Corner, ...], tuple[Run, ...]]:
    """Corners and runs of an outline, and the outline from its first run on.

    Parameters
    ----------
    ring : ndarray of float64, shape (n, 2)
        Counter-clockwise.

    Returns
    -------
    outline, corners, runs
        ``outline`` starts at the first corner or, without corners, at its longest
        side; ``runs`` follow each other along it and cover it.
    """
    fine = even_ring(ring, EXACT_MM)
    ring = even_ring(fine, EVEN_MM)
    walk = Walk.along(ring)
    places = corner_places(walk)
    first = int(places[0]) if len(places) else int(np.argmax(walk.length_mm))
    ring = np.roll(ring, -first, axis=0)
    walk = Walk.along(ring)
    places = np.sort((places - first) % len(ring))
    corners = tuple(
        Corner(
            x_mm=float(ring[k, 0]),
            y_mm=float(ring[k, 1]),
            inside_deg=180.0 - _turn_at(walk, int(k)),
        )
        for k in places
    )
    start = int(np.argmin(np.linalg.norm(fine - ring[0], axis=1)))
    outline = np.roll(fine, -start, axis=0)
    closed = np.vstack([ring, ring[:1]])
    at = _along(outline, ring)
    stops = np.unique(np.concatenate([[0], places, [len(ring)]]))
    runs: list[Run] = []
    for begin, end in zip(stops[:-1].tolist(), stops[1:].tolist(), strict=True):
        runs += _runs(closed, at, begin, end)
    return outline, corners, tuple(runs)


def _along(outline: Ring, some: Ring) -> Floats:
    """How far along an outline some of its points lie, and its whole length at last."""
    at = np.concatenate([[0.0], np.cumsum(Walk.along(outline).length_mm)])
    number = {point: k for k, point in enumerate(map(tuple, outline.tolist()))}
    return at[[*(number[point] for point in map(tuple, some.tolist())), -1]]


def _turn_at(walk: Walk, k: int) -> float:
    """Turn of the whole corner around one of its points."""
    n = len(walk.points)
    total = walk.turn_deg[k]
    for way in (1, -1):
        gone, j = 0.0, k
        while True:
            gone += walk.length_mm[j if way > 0 else (j - 1) % n]
            j = (j + way) % n
            if gone > CORNER_OVER_MM / 2 or j == k:
                break
            total += walk.turn_deg[j]
    return float(total)


def _runs(closed: Floats, at: Floats, begin: int, end: int) -> list[Run]:
    """Cut a stretch between two corners into the longest straight and round parts."""
    runs = []
    while begin < end:
        line = _reach(closed, begin, end, _is_line)
        arc = _reach(closed, begin, end, _is_arc)
        stop = max(line, arc)
        straight = line >= arc
        radius = math.inf if straight else _radius_mm(closed[begin : stop + 1])
        runs.append(
            Run(
                kind="straight" if straight else "round",
                from_mm=float(at[begin]),
                to_mm=float(at[stop]),
                radius_mm=radius,
            )
        )
        begin = stop
    return runs


def _reach(closed: Floats, begin: int, end: int, fits: Callable[[Floats], bool]) -> int:
    """How far a stretch can go and still fit: by doubling, then by halving."""
    good, step = begin + 1, 2
    bad = end + 1
    while begin + step <= end:
        if not fits(closed[begin : begin + step + 1]):
            bad = begin + step
            break
        good, step = begin + step, step * 2
    if bad == end + 1 and good < end and fits(closed[begin : end + 1]):
        return end
    while bad - good > 1:
        middle = (good + bad) // 2
        if fits(closed[begin : middle + 1]):
            good = middle
        else:
            bad = middle
    return min(good, end)


def _is_line(points: Floats) -> bool:
    along = points[-1] - points[0]
    size = np.linalg.norm(along)
    if size == 0:
        return False
    off = (points - points[0]) @ np.array([-along[1], along[0]]) / size
    return bool(np.abs(off).max() <= _FIT_MM)


def _is_arc(points: Floats) -> bool:
    centre, radius = _circle(points)
    middles = (points[1:] + points[:-1]) / 2
    off = np.linalg.norm(points - centre, axis=1) - radius
    sunk = radius - np.linalg.norm(middles - centre, axis=1)
    return bool(np.abs(off).max() <= _FIT_MM and sunk.max() <= _FIT_MM + FACET_MM)


def _circle(points: Floats) -> tuple[Floats, float]:
    """Least-squares circle in its linear form (Kåsa 1976)."""
    middle = points.mean(axis=0)
    rows = points - middle
    square = np.einsum("ij,ij->i", rows, rows)
    system = np.column_stack([2 * rows, np.ones(len(rows))])
    (x, y, c), *_ = np.linalg.lstsq(system, square)
    return middle + np.array([x, y]), math.sqrt(max(0.0, c + x * x + y * y))


def _radius_mm(points: Floats) -> float:
    """Radius of a round run, negative where the rim is hollow."""
    _, radius = _circle(points)
    turns = Walk.along(points).turn_deg[1:-1]
    return radius if turns.sum() >= 0 else -radius
