"""Pillars with contact cones, and the raft they stand on: what all supports are.

Frame: z = 0 on the plate, z up; the raft's notches for a scraper lie at its -x and +x
ends.  Lean, pillar sizes, lift and raft: common practice, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from patterns.rim_tile import loft

if TYPE_CHECKING:
    from collections.abc import Iterable

    import manifold3d
    from numpy.typing import NDArray

RAFT_MM = 0.8
RAFT_MARGIN_MM = 0.35
LIFT_MM = 3.0  # from the raft to the lowest point
PEEL_WIDTH_MM = 5.0
PEEL_DEPTH_MM = 1.5
PEEL_HEIGHT_MM = 0.6
PILLAR_TOP_MM = 0.45  # radii
PILLAR_FOOT_MM = 0.6
CONE_MM = 1.1
LEAN_DEG = 40.0
SINK_MM = 0.15  # a contact goes this far into the part
FOOT_REACH_MM = PILLAR_FOOT_MM + RAFT_MARGIN_MM
PILLAR_SIDES = 10


def joints_mm(
    touch_mm: NDArray[np.float64], outward: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Place the joints of cone and pillar, (n, 3): away from the part, leaning little.

    Parameters
    ----------
    touch_mm, outward : (n, 3) arrays
        Contacts, and directions that lead out of the part, of any length.
    """
    aside = np.hypot(outward[:, 0], outward[:, 1])
    lean = np.minimum(np.arctan2(aside, -outward[:, 2]), math.radians(LEAN_DEG))
    turn = np.arctan2(outward[:, 1], outward[:, 0])
    away = np.column_stack(
        [np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), -np.cos(lean)]
    )
    return np.asarray(touch_mm + CONE_MM * away)


def pillar_solid(
    touch_mm: NDArray[np.float64], joint_mm: NDArray[np.float64], contact_mm: float
) -> manifold3d.Manifold:
    """Build one support from inside the raft to inside the part.

    ``touch_mm`` and ``joint_mm`` (3,); ``contact_mm`` is the contact's diameter.
    """
    tip = touch_mm + (touch_mm - joint_mm) * (SINK_MM / CONE_MM)
    foot = np.array([joint_mm[0], joint_mm[1], RAFT_MM / 2])
    radius = contact_mm / 2
    return strut_solid(
        np.array([foot, joint_mm, touch_mm, tip]),
        (PILLAR_FOOT_MM, PILLAR_TOP_MM, radius, radius),
    )


def strut_solid(
    along_mm: NDArray[np.float64],
    radii_mm: Iterable[float],
    sides: int = PILLAR_SIDES,
) -> manifold3d.Manifold:
    """Join level discs to a strut: centres (k, 3) from below, and their radii."""
    angle = np.arange(sides) * (2 * np.pi / sides)
    round_mm = np.column_stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)])
    rings = [
        centre + radius * round_mm
        for centre, radius in zip(along_mm, radii_mm, strict=True)
    ]
    return loft(np.stack(rings))


def raft_plan(feet_mm: Iterable[NDArray[np.float64]]) -> manifold3d.CrossSection:
    """Outline the plate under all pillars, whose feet are at x, y."""
    from manifold3d import CrossSection

    disc = CrossSection.circle(FOOT_REACH_MM, 24)
    return CrossSection.batch_hull([disc.translate(tuple(foot)) for foot in feet_mm])


def raft_solid(
    plan: manifold3d.CrossSection, left_mm: float, right_mm: float, y_mm: float = 0.0
) -> manifold3d.Manifold:
    """Build the raft, with a wedge cut away on either side for a scraper.

    ``left_mm`` and ``right_mm``: where its edges are at ``y_mm``.
    """
    from manifold3d import Manifold, OpType

    wedges = [_wedge(left_mm, 1.0, y_mm), _wedge(right_mm, -1.0, y_mm)]
    return Manifold.batch_boolean([plan.extrude(RAFT_MM), *wedges], OpType.Subtract)


def _wedge(edge_mm: float, inwards: float, y_mm: float) -> manifold3d.Manifold:
    """Build a void, deepest on the plate, that closes going up and so hangs little."""
    half = PEEL_WIDTH_MM / 2
    slope = PEEL_DEPTH_MM / PEEL_HEIGHT_MM
    low, high = y_mm - half, y_mm + half
    rings = []
    for z_mm in (-0.1, PEEL_HEIGHT_MM + 0.4):
        inner = edge_mm + inwards * (PEEL_DEPTH_MM - slope * z_mm)
        outer = edge_mm - inwards * 3
        left, right = min(inner, outer), max(inner, outer)
        plan = ((left, low), (right, low), (right, high), (left, high))
        rings.append([(x, y, z_mm) for x, y in plan])
    return loft(np.array(rings))
