"""Supports of a rim tile: tapered pillars with contact cones on a raft; and the lip.

Print frame: x downhill along the plate, z up, the arc's centre at the origin; the tile
is turned about y until its +x end is low.  The places of the contacts are the same on
every tile of a set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from patterns.pillars import (
    FOOT_REACH_MM,
    LIFT_MM,
    RAFT_MM,
    joints_mm,
    pillar_solid,
    raft_plan,
    raft_solid,
)
from patterns.rim_tile import loft, rim_phi_rad

if TYPE_CHECKING:
    import manifold3d
    from numpy.typing import NDArray

    from patterns.rim_manifest import RimTile
    from patterns.rim_spec import RimSpec

BACK_CLEAR_MM = 2.2  # from the back edge: clear of the notches and their draft
FACE_CLEAR_MM = 2.0  # inside the ring of the lip: pillars pass it at any tilt
LIP_HALF_DEG = 80.0
LIP_RAMP_DEG = 6.0
LIP_ROOT_MM = 0.3  # how far the lip reaches into the tile
_LIP_END_MM = 0.02
_LIP_CHORD_MM = 0.3  # 1 um inside the true arc
_LIP_PROUD_MM = 0.002  # two surfaces that only just touch are slow to join


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


def rim_height_mm(tile: RimTile) -> float:
    """Height of the lowest point of the finished rim above the plate."""
    lip = (tile.lip_depth_mm or 0.0) * math.cos(math.radians(tile.tilt_deg))
    return round(RAFT_MM + LIFT_MM + lip, 6)


def print_pose(tile: RimTile) -> NDArray[np.float64]:
    """From the tile's frame to the print frame, (3, 4), at the height it is printed."""
    tilt = math.radians(tile.tilt_deg)
    cos, sin = math.cos(tilt), math.sin(tilt)
    lift = rim_height_mm(tile) + tile.radius_mm * sin
    return np.array([[cos, 0, sin, 0], [0, 1, 0, 0], [-sin, 0, cos, lift]])


def contacts_mm(spec: RimSpec, tile: RimTile) -> NDArray[np.float64]:
    """Where supports touch the tile or its lip, (n, 3) in the tile's frame."""
    phi = _row_rad(spec)
    rim = np.column_stack(
        [
            tile.radius_mm * np.cos(phi),
            -tile.radius_mm * np.sin(phi),
            -lip_depth_mm(tile, phi),
        ]
    )
    return np.vstack([rim, _face_contacts(spec)])


def lip_depth_mm(tile: RimTile, phi_rad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depth of the lip along the rim, (n,): full, then down to nothing at its ends."""
    if tile.lip_depth_mm is None:
        return np.zeros_like(phi_rad)
    left = (LIP_HALF_DEG - np.abs(np.degrees(phi_rad))) / LIP_RAMP_DEG
    return np.asarray(tile.lip_depth_mm * np.clip(left, 0.0, 1.0))


def lip_solid(tile: RimTile) -> manifold3d.Manifold:
    """Build the ring under the low half of the rim, flush with it, in the tile's frame.

    Its root stands inside the tile.  The tile must be a lipped one.
    """
    phi = rim_phi_rad(tile, _LIP_CHORD_MM)
    phi = phi[np.abs(phi) <= math.radians(LIP_HALF_DEG)][::-1]
    outer = tile.radius_mm + _LIP_PROUD_MM
    inner = tile.radius_mm - (tile.lip_width_mm or 0.0)
    root = tile.radius_mm - LIP_ROOT_MM * math.tan(math.radians(tile.taper_deg)) - 0.02
    low = -np.maximum(lip_depth_mm(tile, phi), _LIP_END_MM)
    high = np.full_like(phi, LIP_ROOT_MM)
    profile = (
        (inner, low),
        (inner, high),
        (root, high),
        (outer, np.full_like(phi, 2 * _LIP_PROUD_MM)),
        (outer, low),
    )
    corners = [
        np.column_stack([r * np.cos(phi), -r * np.sin(phi), z]) for r, z in profile
    ]
    return loft(np.stack(corners, axis=1))


def supports_solid(spec: RimSpec, tile: RimTile) -> manifold3d.Manifold:
    """Build pillars and raft in the print frame, the plate at z = 0."""
    from manifold3d import Manifold, OpType

    pillars = [
        pillar_solid(touch, joint, spec.contact_mm)
        for touch, joint in _supports(spec, tile)
    ]
    return Manifold.batch_boolean([_raft(spec, tile), *pillars], OpType.Add)


def raft_area_mm2(spec: RimSpec, tile: RimTile) -> float:
    """Area of the raft above its peel notches, which cut its lowest layers only."""
    return float(_raft_plan(spec, tile).area())


def room(spec: RimSpec, tile: RimTile) -> Room:
    """Room that a tile needs with its supports and raft."""
    feet = np.array([joint[:2] for _, joint in _supports(spec, tile)])
    pose = print_pose(tile)
    body = _corner_points(tile) @ pose[:, :3].T
    low = np.minimum(feet.min(axis=0) - FOOT_REACH_MM, body[:, :2].min(axis=0))
    high = np.maximum(feet.max(axis=0) + FOOT_REACH_MM, body[:, :2].max(axis=0))
    rim_x = tile.radius_mm * pose[0, 0]
    return Room(
        across_mm=float(2 * max(-low[1], high[1])),
        before_mm=float(rim_x - low[0]),
        after_mm=float(high[0] - rim_x),
        rim_z_mm=rim_height_mm(tile),
    )


def _row_rad(spec: RimSpec) -> NDArray[np.float64]:
    """Place the row: the wanted spacing at 0, half as much again at its ends."""
    end = math.radians(spec.rim_row_deg)
    # n(phi) contacts from 0 to phi: the integral of R / (s (1 + phi / 2 end))
    count = 2 * end * spec.radius_mm / spec.rim_spacing_mm * math.log(1.5)
    steps = np.arange(1, math.ceil(count) + 1) / math.ceil(count)
    half = 2 * end * (np.exp(steps * math.log(1.5)) - 1)
    return np.concatenate([-half[::-1], [0.0], half])


def _face_contacts(spec: RimSpec) -> NDArray[np.float64]:
    """Rows across the underside, every other one shifted, clear of back and lip."""
    reach = spec.radius_mm - spec.lip_width_mm - FACE_CLEAR_MM
    rows = max(1, round((reach - BACK_CLEAR_MM) / spec.face_spacing_mm))
    points = []
    for row, x in enumerate(np.linspace(BACK_CLEAR_MM, reach, rows + 1)[:-1]):
        half = math.sqrt(reach * reach - x * x)
        gaps = max(1, math.ceil(2 * half / spec.face_spacing_mm))
        gaps += (gaps + row) % 2
        points += [(x, y, 0.0) for y in np.linspace(-half, half, gaps + 1)]
    return np.array([*points, (reach, 0.0, 0.0)])


def _supports(
    spec: RimSpec, tile: RimTile
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Contact and the joint of cone and pillar, in the print frame."""
    pose = print_pose(tile)
    points = contacts_mm(spec, tile)
    outward = np.tile((0.0, 0.0, -1.0), (len(points), 1))
    row = len(_row_rad(spec))
    taper = 0.0 if tile.lipped else math.radians(tile.taper_deg)
    outward[:row, :2] = points[:row, :2] / tile.radius_mm * math.cos(taper)
    outward[:row, 2] += math.sin(taper)
    outward = outward @ pose[:, :3].T
    touch = points @ pose[:, :3].T + pose[:, 3]
    return list(zip(touch, joints_mm(touch, outward), strict=True))


def _raft(spec: RimSpec, tile: RimTile) -> manifold3d.Manifold:
    """Plate under all pillars, notched uphill and downhill."""
    plan = _raft_plan(spec, tile)
    left, _, right, _ = plan.bounds()
    return raft_solid(plan, left, right)


def _raft_plan(spec: RimSpec, tile: RimTile) -> manifold3d.CrossSection:
    return raft_plan(joint[:2] for _, joint in _supports(spec, tile))


def _corner_points(tile: RimTile) -> NDArray[np.float64]:
    """Points between which the whole tile lies, (n, 3) in its own frame."""
    phi = np.linspace(-np.pi / 2, np.pi / 2, 37)
    lean = tile.thickness_mm * math.tan(math.radians(tile.taper_deg))
    arcs = [
        np.column_stack([r * np.cos(phi), r * np.sin(phi), np.full_like(phi, z)])
        for r, z in (
            (tile.radius_mm, -(tile.lip_depth_mm or 0.0)),
            (tile.radius_mm, 0.0),
            (tile.radius_mm - lean, tile.thickness_mm),
        )
    ]
    feet = [
        (f.x_mm + side * f.diameter_mm / 2, f.y_mm, tile.thickness_mm + f.height_mm)
        for f in tile.feet
        for side in (-1, 1)
    ]
    return np.vstack([*arcs, np.array(feet)])
