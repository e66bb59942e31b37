"""Equal pieces in rows: straight or staggered, tight or spread over the plate."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from patterns.nest_shapes import Spot

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from patterns.nest_shapes import Forbidden, Pose, Reach

Places = list[tuple[float, float]]

_HAIR_MM = 1e-9


def in_rows(
    poses: Sequence[Pose],
    most: int,
    plate_mm: tuple[float, float],
    forbidden: Forbidden,
) -> list[dict[int, Spot]]:
    """Lay equal pieces in rows along x and along y, at each of their turns.

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
    found: list[dict[int, Spot]] = []
    for pose in poses:
        low_x, low_y, high_x, high_y = pose.box_mm
        room = plate_mm[0] - (high_x - low_x), plate_mm[1] - (high_y - low_y)
        if min(room) < -_HAIR_MM:
            continue
        origin = -plate_mm[0] / 2 - low_x, -plate_mm[1] / 2 - low_y
        reach = forbidden.reach(pose, pose)
        along_x = _kinds(room, reach)
        along_y = _kinds((room[1], room[0]), reach.swapped())
        kinds = (*along_x, *([(x, y) for y, x in kind] for kind in along_y))
        found += [
            {
                i: Spot(pose=pose, x_mm=origin[0] + x, y_mm=origin[1] + y)
                for i, (x, y) in enumerate(kind[:most])
            }
            for kind in kinds
        ]
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
