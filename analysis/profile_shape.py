"""Silhouette of a tile's rim as a camera above the edge stand sees it.

The half disc is a body of revolution whose edge is rounded with a radius, tangent to
the bottom face and to the tapered wall.  It is convex near its lowest point, so its
silhouette in perspective is the hull of its projected points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.camera import turn
from patterns.rim_manifest import Bay, RimTile

if TYPE_CHECKING:
    from analysis.hub import Hub

Floats = NDArray[np.float64]

ARC_RAD = np.deg2rad(np.linspace(-56, 56, 47))
"""Farther round the arc nothing bounds the last 2.5 mm of the silhouette, not even
where the upper half comes 10 mm nearer to a camera at 120 mm."""
_FILLET_POINTS = 11
_WALL_TOP = 0.9
_OUTWARD_COSINE = -0.4
_NEWTON_STEPS = 6
_LEAST_FALL = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A tile in its bay, and how it stands off from where the bay would hold it.

    ``outward_mm``, ``onward_mm``: shift along its x and z; ``turn_rad`` about its y
    (the azimuth), ``lean_rad`` about its x, both at its lowest point;
    ``radius_mm`` is the edge's.
    """

    tile: RimTile
    bay: Bay
    outward_mm: float = 0.0
    onward_mm: float = 0.0
    turn_rad: float = 0.0
    lean_rad: float = 0.0
    radius_mm: float = 0.0

    def moved(self, step: Floats) -> Standing:
        """Change shift (2,), turn and lean by ``step`` (4,)."""
        return replace(
            self,
            outward_mm=self.outward_mm + float(step[0]),
            onward_mm=self.onward_mm + float(step[1]),
            turn_rad=self.turn_rad + float(step[2]),
            lean_rad=self.lean_rad + float(step[3]),
        )

    def in_stand(self, points_mm: Floats) -> Floats:
        """Points (n, 3) of the tile's frame in the stand's."""
        spin, low, shift = self._place()
        return np.asarray((np.asarray(points_mm) - low) @ spin.T + shift)

    def in_tile(self, stand_mm: Floats) -> Floats:
        """Points (n, 3) of the stand's frame in the tile's."""
        spin, low, shift = self._place()
        return np.asarray((np.asarray(stand_mm) - shift) @ spin + low)

    def _place(self) -> tuple[Floats, Floats, Floats]:
        """Rotation to the stand's frame, about the lowest point, and where that is."""
        low = np.array([self.tile.radius_mm, 0.0, 0.0])
        spin = turn(np.array([0.0, self.turn_rad, 0.0]))
        spin = spin @ turn(np.array([self.lean_rad, 0.0, 0.0]))
        azimuth = np.deg2rad(self.bay.azimuth_deg)
        outward = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
        onward = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
        axes = np.column_stack([outward, [0.0, 0.0, -1.0], onward])
        shift = low + np.array([self.outward_mm, 0.0, self.onward_mm])
        return axes @ spin, low, axes @ shift + self.bay.back_mm * outward

    def px(self, hub: Hub, points_mm: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3) of the tile's frame."""
        return hub.view.project(self.in_stand(points_mm))


def rim_points_mm(tile: RimTile, edge_mm: float) -> Floats:
    """Points (n, 3) of rounded edge and wall round the arc, in the tile's frame."""
    taper = np.deg2rad(tile.taper_deg)
    angle = np.linspace(-np.pi / 2, taper, _FILLET_POINTS if edge_mm > 0 else 1)
    rho = tile.radius_mm - edge_mm + edge_mm * np.cos(angle)
    z = edge_mm + edge_mm * np.sin(angle)
    top = _WALL_TOP * tile.thickness_mm
    rho = np.append(rho, rho[-1] - (top - z[-1]) * np.tan(taper))
    z = np.append(z, top)
    return _revolved(rho, z)


def normals(
    tile: RimTile, edge_mm: float, far_mm: Floats, near_mm: Floats, level_mm: Floats
) -> Floats:
    """Outward normals (n, 3) of the surface where lines of sight meet it.

    Parameters
    ----------
    tile : RimTile
    edge_mm : float
        Radius of the edge.
    far_mm, near_mm : (n, 3) arrays
        Two points on each line, in the tile's frame, the second nearer to the camera.
    level_mm : (n,) array
        How far outside the surface a line that misses it passes, 0 for others.

    Notes
    -----
    The distance from a convex body is convex along a line, so Newton's steps from above
    never pass the surface.
    """
    # none of the tile lies higher
    above = (1.1 * tile.radius_mm - near_mm[:, 1]) / (near_mm[:, 1] - far_mm[:, 1])
    down = far_mm - near_mm
    at = near_mm - above[:, None] * down
    for _ in range(_NEWTON_STEPS):
        distance, normal = _distance(tile, edge_mm, at)
        falls = -np.sum(normal * down, axis=1)
        step = (distance - level_mm) / np.maximum(falls, _LEAST_FALL)
        at = at + np.where(falls > 0, np.maximum(step, 0.0), 0.0)[:, None] * down
    return _distance(tile, edge_mm, at)[1]


def _distance(tile: RimTile, edge_mm: float, at_mm: Floats) -> tuple[Floats, Floats]:
    """Signed distance (n,) from the rounded half disc, and its gradient (n, 3)."""
    taper = np.deg2rad(tile.taper_deg)
    c, s = np.cos(taper), np.sin(taper)
    rho = np.maximum(np.hypot(at_mm[:, 0], at_mm[:, 1]), 1e-9)
    # from the middle of the rounding; face and wall touch it
    x, z = rho - (tile.radius_mm - edge_mm), at_mm[:, 2] - edge_mm
    face, wall = -z, x * c + z * s
    round_ = (x > 0) & (z * c < x * s)
    apart = np.maximum(np.hypot(x, z), 1e-9)
    on_face = face > wall
    distance = np.where(round_, apart, np.where(on_face, face, wall)) - edge_mm
    radial = np.where(round_, x / apart, np.where(on_face, 0.0, c))
    axial = np.where(round_, z / apart, np.where(on_face, -1.0, s))
    out = radial / rho
    return distance, np.column_stack([out * at_mm[:, 0], out * at_mm[:, 1], axial])


def off_plane_rad(hub: Hub, standing: Standing) -> float:
    """Angle from the bottom face to the line of sight at the lowest point.

    Positive when the camera sees the face.
    """
    radius = standing.tile.radius_mm
    ends = np.array([[radius, 0.0, 0.0], [radius, 1.0, 0.0], [radius, 0.0, 1.0]])
    low, _, inward = standing.in_stand(ends)
    slope = hub.view.ray_slope(low[None])[0]
    ray = np.append(slope, 1.0)
    ray /= np.linalg.norm(ray)
    return float(np.arcsin(np.clip(ray @ (inward - low), -1.0, 1.0)))


def silhouette(hub: Hub, standing: Standing) -> tuple[Floats, Floats]:
    """Straight pieces that bound the rim as the camera sees it.

    Unit normals (m, 2) outwards and n . p (m,), without the body's far side.
    """
    radius = standing.tile.radius_mm
    normal, level = _pieces(hulls_px(hub, standing)[0])
    ends = np.array([[radius, 0.0, 0.0], [radius - 1.0, 0.0, 1.0]])
    seen = standing.px(hub, ends)
    body = (seen[1] - seen[0]) / np.linalg.norm(seen[1] - seen[0])
    kept = normal @ body < -_OUTWARD_COSINE
    return normal[kept], level[kept]


def hulls_px(
    hub: Hub,
    standing: Standing,
    aside_rad: Floats | None = None,
    focus_mm: float = 0.0,
) -> list[Floats]:
    """Corners (m, 2) of the rim's hull in the picture, seen through points of the lens.

    Parameters
    ----------
    hub : Hub
    standing : Standing
    aside_rad : (k,) array, optional
        How far aside of the lens' middle, across the tile's bottom face; 0 if None.
    focus_mm : float
        How far above the rim's lowest point the lens is focused.
    """
    aside = np.zeros(1) if aside_rad is None else aside_rad
    rim = rim_points_mm(standing.tile, standing.radius_mm)
    seen = np.broadcast_to(rim, (len(aside), *rim.shape)).copy()
    seen[:, :, 2] += aside[:, None] * (rim[:, 1] - focus_mm)
    px = standing.px(hub, seen.reshape(-1, 3)).reshape(*seen.shape[:2], 2)
    return [_hull(points) for points in px]


def depth_px(pieces: tuple[Floats, Floats], points_px: Floats) -> Floats:
    """Signed distance outwards (n,) of points (n, 2) from a convex outline."""
    normal, level = pieces
    return np.asarray((points_px @ normal.T - level).max(axis=1))


def _revolved(rho: Floats, z: Floats) -> Floats:
    c, s = np.cos(ARC_RAD)[:, None], -np.sin(ARC_RAD)[:, None]
    rings = np.stack(np.broadcast_arrays(rho * c, rho * s, z), axis=-1)
    return np.asarray(rings.reshape(-1, 3))


def _hull(points_px: Floats) -> Floats:
    # single precision is fine once the far origin is taken off
    origin = points_px.mean(axis=0)
    hull = cv2.convexHull((points_px - origin).astype(np.float32))
    return np.asarray(hull[:, 0].astype(np.float64) + origin)


def _pieces(hull: Floats) -> tuple[Floats, Floats]:
    along = np.roll(hull, -1, axis=0) - hull
    length = np.linalg.norm(along, axis=1)
    kept = length > 1e-3
    along, start = along[kept] / length[kept, None], hull[kept]
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    middle = hull.mean(axis=0)
    outward = np.sign(np.sum(normal * (start - middle), axis=1))
    normal *= outward[:, None]
    return normal, np.sum(normal * start, axis=1)
