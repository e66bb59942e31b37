"""Equal pieces in rows: straight or staggered, tight or spread over the plate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from patterns.nest_shapes import Pose, Reach, Spot

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from patterns.nest_shapes import Forbidden

    _Lying = tuple[Pose, float, float]

Places = list[tuple[float, float]]

_HAIR_MM = 1e-9
_FEW = 60  # a plate of more gains little by a second block


@dataclass(frozen=True, slots=True)
class _Turned:
    """A pose, and how far it keeps another like it off, along rows and across them."""

    pose: Pose
    reach: Reach
    swapped: Reach

    @property
    def size_mm(self) -> tuple[float, float]:
        low_x, low_y, high_x, high_y = self.pose.box_mm
        return high_x - low_x, high_y - low_y


def in_rows(
    poses: Sequence[Pose],
    most: int,
    plate_mm: tuple[float, float],
    forbidden: Forbidden,
) -> list[dict[int, Spot]]:
    """Lay equal pieces in rows along x and along y, at each of their turns.

    Pieces that may be turned are also laid in two blocks side by side, since what one
    turn leaves of a plate may suit another.

    Parameters
    ----------
    poses : sequence of Pose
        Turns the shape may take.
    most : int
        How many are wanted.
    plate_mm : tuple of float
    forbidden : Forbidden

    Returns
    -------
    list of dict
        One for each kind of rows: what lies where, by number.
    """
    turned = [
        _Turned(pose, reach, reach.swapped())
        for pose in poses
        for reach in [forbidden.reach(pose, pose)]
    ]
    found = _block(turned, (0.0, 0.0), plate_mm)
    if len(turned) > 1 and max(map(len, found), default=0) < min(most, _FEW):
        found += _two_blocks(turned, plate_mm, forbidden.gap_mm)
    low = -plate_mm[0] / 2, -plate_mm[1] / 2
    return [
        {
            i: Spot(pose=pose, x_mm=low[0] + x, y_mm=low[1] + y)
            for i, (pose, x, y) in enumerate(laid[:most])
        }
        for laid in found
    ]


def _two_blocks(
    turned: Sequence[_Turned], plate_mm: tuple[float, float], gap_mm: float
) -> Iterator[list[_Lying]]:
    """Cut the plate behind each row, and fill both parts as well as may be."""
    for axis in (0, 1):
        for end in sorted({e for one in turned for e in _ends(one, plate_mm, axis)}):
            first, rest = list(plate_mm), list(plate_mm)
            first[axis], rest[axis] = end, plate_mm[axis] - end - gap_mm
            if rest[axis] <= 0.0:
                continue
            corner = (end + gap_mm, 0.0) if axis == 0 else (0.0, end + gap_mm)
            yield [
                lying
                for low, size in (((0.0, 0.0), first), (corner, rest))
                for lying in max(
                    _block(turned, low, (size[0], size[1])), key=len, default=[]
                )
            ]


def _ends(one: _Turned, plate_mm: tuple[float, float], axis: int) -> Iterator[float]:
    """Where rows of one turn, as tight as may be, end."""
    pitch = (one.reach if axis == 0 else one.swapped).across_mm
    room = plate_mm[axis] - one.size_mm[axis]
    for count in range(_steps(room, pitch) + 1 if room >= 0.0 else 0):
        yield one.size_mm[axis] + count * pitch


def _block(
    turned: Sequence[_Turned],
    low_mm: tuple[float, float],
    size_mm: tuple[float, float],
) -> list[list[_Lying]]:
    """Fill a rectangle with rows of one turn, of every kind."""
    found: list[list[_Lying]] = []
    for one in turned:
        wide, deep = one.size_mm
        room = size_mm[0] - wide, size_mm[1] - deep
        if min(room) < -_HAIR_MM:
            continue
        low_x, low_y = low_mm[0] - one.pose.box_mm[0], low_mm[1] - one.pose.box_mm[1]
        along_x = _kinds(room, one.reach)
        along_y = _kinds((room[1], room[0]), one.swapped)
        kinds = (*along_x, *([(x, y) for y, x in kind] for kind in along_y))
        found += [[(one.pose, low_x + x, low_y + y) for x, y in kind] for kind in kinds]
    return found


def _kinds(room: tuple[float, float], reach: Reach) -> Iterator[Places]:
    """Rows along the first axis; ``room``: how far a piece may move each way."""
    tight = reach.across_mm
    count = _steps(room[0], tight)
    pitches = {tight}
    if count:
        pitches |= {room[0] / count, max(room[0] / (count + 0.5), tight)}
    for pitch in sorted(pitches):
        turns = range(-math.ceil(tight / pitch) - 1, math.ceil(tight / pitch) + 2)
        above = max(reach.up_mm(k * pitch) for k in turns)
        between = max(reach.up_mm((k + 0.5) * pitch) for k in turns)
        yield _rows(room, pitch, above, 0.0)
        yield _rows(room, pitch, max(between, above / 2.0), pitch / 2.0)


def _rows(
    room: tuple[float, float], pitch: float, rise: float, stagger: float
) -> Places:
    places = []
    for row in range(_steps(room[1], rise) + 1):
        start = stagger * (row % 2)
        if start <= room[0] + _HAIR_MM:
            places += [
                (start + k * pitch, row * rise)
                for k in range(_steps(room[0] - start, pitch) + 1)
            ]
    return places


def _steps(room: float, step: float) -> int:
    return math.floor((room + _HAIR_MM) / step)
