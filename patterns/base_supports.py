"""Supports of a tilted base: pillars from the raft, aside, or from the base itself.

Print frame.  A support is a strut of level discs from below upwards; its contact is the
last but one, its tip goes into the part.  It may touch the part nowhere else: rays cast
along it and around its pillar say whether it does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.pillars import (
    CONE_MM,
    LEAN_DEG,
    PILLAR_FOOT_MM,
    PILLAR_TOP_MM,
    RAFT_MM,
    SINK_MM,
    joints_mm,
)
from patterns.tilted_spec import ContactPlace, Footing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from patterns.tilted_part import Hit, Part

CLEAR_MM = 0.15  # between a pillar and the part
STUB_SINK_MM = 0.35  # what stands on the base goes this far into it
ASIDE_MM = (2.0, 3.5, 5.0, 8.0, 12.0, 16.0)
_TURNS = 12
_FAR_MM = 1e4
_UNDER_MM = -1.0  # under the plate
_LIFT_OFF_MM = 0.02  # rays that start on the part start this far from it


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """One support: centres (k, 3) and radii (k,) of its discs, from below upwards."""

    along_mm: NDArray[np.float64]
    radii_mm: NDArray[np.float64]
    place: ContactPlace
    footing: Footing

    @property
    def touch_mm(self) -> NDArray[np.float64]:
        """Its contact, (3,)."""
        return np.asarray(self.along_mm[-2])

    @property
    def pillar_mm(self) -> float:
        """Height of its upright part above the raft, 0 without one."""
        return float(self.along_mm[1, 2]) if self.footing == "raft" else 0.0


def seen_from_below(part: Part, x_mm: float, y_mm: float) -> Hit | None:
    """Find what an upright ray meets first."""
    return next(iter(upright(part, x_mm, y_mm, _FAR_MM)), None)


def from_raft(
    part: Part,
    touch_mm: NDArray[np.float64],
    outward: NDArray[np.float64],
    contact_mm: float,
    place: ContactPlace,
) -> Support | None:
    """Stand a pillar under a contact, if one can get there upright.

    The cone leans away from the part, or where that is not free, another way.
    """
    ways = np.vstack([outward, _around(0.0)[:1], _around(math.radians(LEAN_DEG))])
    for joint in joints_mm(np.tile(touch_mm, (len(ways), 1)), ways):
        if _free_below(part, joint) and _free_between(part, touch_mm, joint):
            return _pillar([joint], touch_mm, contact_mm, place)
    return None


def from_aside(
    part: Part,
    touch_mm: NDArray[np.float64],
    contact_mm: float,
    place: ContactPlace,
) -> Support | None:
    """Lead a leaning strut from a pillar beside the part to a contact."""
    for far in ASIDE_MM:
        for way in _around(math.radians(LEAN_DEG)):
            joint, knee = touch_mm + CONE_MM * way, touch_mm + far * way
            if (
                knee[2] > RAFT_MM
                and _free_below(part, knee)
                and _free_between(part, touch_mm, knee, PILLAR_TOP_MM)
            ):
                return _pillar([knee, joint], touch_mm, contact_mm, place)
    return None


def from_base(
    part: Part,
    touch_mm: NDArray[np.float64],
    contact_mm: float,
    place: ContactPlace,
) -> Support | None:
    """Stand a support on what is right below a contact."""
    x, y, z = touch_mm
    hits = part.hits(np.array([x, y, z - _LIFT_OFF_MM]), np.array([x, y, _UNDER_MM]))
    if not hits:
        return None
    radius = contact_mm / 2
    floor = float(hits[0].point_mm[2])
    heights = [floor - STUB_SINK_MM, z, z + SINK_MM]
    radii = [radius] * 3
    if z - floor > 3 * CONE_MM:
        heights[1:1] = [floor + CONE_MM, z - CONE_MM]
        radii[1:1] = [PILLAR_TOP_MM] * 2
    return Support(
        along_mm=np.array([(x, y, height) for height in heights]),
        radii_mm=np.array(radii),
        place=place,
        footing="base",
    )


def _pillar(
    joints: Sequence[NDArray[np.float64]],
    touch_mm: NDArray[np.float64],
    contact_mm: float,
    place: ContactPlace,
) -> Support:
    """Support on the raft, by way of one or two joints, the lowest first."""
    tip = touch_mm + (touch_mm - joints[-1]) * (SINK_MM / CONE_MM)
    foot = np.array([*joints[0][:2], RAFT_MM / 2])
    radius = contact_mm / 2
    return Support(
        along_mm=np.array([foot, *joints, touch_mm, tip]),
        radii_mm=np.array(
            [PILLAR_FOOT_MM, *(PILLAR_TOP_MM for _ in joints), radius, radius]
        ),
        place=place,
        footing="raft",
    )


def _around(lean_rad: float) -> NDArray[np.float64]:
    """Directions downwards that lean by an angle, all around, (n, 3)."""
    turn = np.arange(_TURNS) * (2 * np.pi / _TURNS)
    flat = math.sin(lean_rad)
    return np.column_stack(
        [
            flat * np.cos(turn),
            flat * np.sin(turn),
            np.full_like(turn, -math.cos(lean_rad)),
        ]
    )


def _free_below(part: Part, joint_mm: NDArray[np.float64]) -> bool:
    """Whether a pillar up to a joint stands clear of the part."""
    reach = PILLAR_FOOT_MM + CLEAR_MM
    places = joint_mm[:2] + reach * np.vstack([np.zeros(2), _around(np.pi / 2)[:, :2]])
    return not any(upright(part, x, y, joint_mm[2]) for x, y in places)


def upright(part: Part, x_mm: float, y_mm: float, to_mm: float) -> list[Hit]:
    """Find what a ray from the plate up to a height meets."""
    return part.hits(np.array([x_mm, y_mm, _UNDER_MM]), np.array([x_mm, y_mm, to_mm]))


def _free_between(
    part: Part,
    touch_mm: NDArray[np.float64],
    joint_mm: NDArray[np.float64],
    radius_mm: float = 0.0,
) -> bool:
    """Whether nothing of the part lies between a contact and a joint below it.

    ``radius_mm``: of a strut beyond the cone; rays along its sides start at the cone's
    end.
    """
    way = joint_mm - touch_mm
    length = float(np.linalg.norm(way))
    start = touch_mm + way * (_LIFT_OFF_MM / length)
    if part.hits(start, joint_mm):
        return False
    if not radius_mm:
        return True
    start = touch_mm + way * (CONE_MM / length)
    sides = (radius_mm + CLEAR_MM) * _around(np.pi / 2)[::2]
    return not any(part.hits(start + side, joint_mm + side) for side in sides)
