"""Supports of a rim tile: tapered pillars with contact cones on a raft; and the lip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from patterns.rim_manifest import RimTile
    from patterns.rim_spec import RimSpec

RAFT_MM = 0.8
LIFT_MM = 3.0


@dataclass(frozen=True, slots=True)
class Room:
    """What a tile with its supports takes on the plate.

    ``across_mm`` is square to the tilt, ``before_mm`` and ``after_mm`` reach along it
    from the lowest point of the rim, uphill and downhill; ``rim_z_mm`` is that point's
    height.
    """

    across_mm: float
    before_mm: float
    after_mm: float
    rim_z_mm: float

    @property
    def along_mm(self) -> float:
        """Room along the tilt."""
        return self.before_mm + self.after_mm


def room(spec: RimSpec, tile: RimTile) -> Room:
    """Room that a tile needs with its supports and raft."""
    tilt = math.radians(tile.tilt_deg)
    depth = tile.lip_depth_mm or 0.0
    return Room(
        across_mm=2 * spec.radius_mm + 3.2,
        before_mm=tile.radius_mm * math.cos(tilt) + 1.5,
        after_mm=4 * math.sin(tilt),
        rim_z_mm=round(RAFT_MM + LIFT_MM + depth * math.cos(tilt), 6),
    )
