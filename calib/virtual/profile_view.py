"""Tiles standing on their ends round a hub, seen from above: profiles of their rims.

World: millimetres, z up, the table is z = 0, the hub's axis is x = y = 0.  A tile is
painted as the union of its sections by half planes through its arc's axis, each section
a polygon with the rounded edge in it; the camera's lines of sight graze them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.virtual import finish as finishing
from calib.virtual.coverage import coverage
from calib.virtual.light import Blocker, table_light
from calib.virtual.paint import Box
from calib.virtual.scene import Scene, bare_table, scene_truth
from calib.virtual.tilted import PrintedTile
from patterns.edge_stand import CLEARANCE_MM, GRIP_MM, tile_in_stand
from patterns.rim_manifest import Bay, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence

Points = NDArray[np.float64]
Image = NDArray[np.float32]

SECTIONS_RAD = np.radians(np.arange(-88.0, 88.1, 1.0))
INNER_MM = 1.0  # from the arc's axis, where sections begin
EDGE_POINTS = 24
HUB_PLATE_MM = 1.0
SHADE_MARGIN_MM = 15.0
WALL_LIGHT = 0.55  # on what stands upright under a sky, over the table's
HOLE_LIGHT = 0.5  # on the table below the hub's holes
ROOM_PX = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandingTile:
    """A tile in a bay, turned out of the bay's plane about its rim's low point."""

    printed: PrintedTile
    bay: Bay
    off_plane_deg: float = 0.0

    def to_stand(self, tile_mm: Points) -> Points:
        """(n, 3) points of the tile, printed mm, to the stand's frame."""
        radius = self.printed.part_scale * self.printed.tile.radius_mm
        off = np.radians(self.off_plane_deg)
        c, s = np.cos(off), np.sin(off)
        turn = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
        low = np.array([radius, 0.0, 0.0])
        turned = (tile_mm - low) @ turn.T + low
        place = tile_in_stand(self.bay)
        return np.asarray(turned @ place[:, :3].T + place[:, 3])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileScene:
    """A scene with a hub: how the hub is turned, and how blurred the far table is."""

    scene: Scene
    hub_turn_deg: float
    table_blur_px: float
    hub_rgb: tuple[float, float, float]


def photograph_profiles(
    stand: Stand,
    tiles: Sequence[StandingTile],
    view: ProfileScene,
    rng: np.random.Generator,
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Photograph tiles in the hub's bays from above, focused on the hub.

    Returns
    -------
    rgb8 : (rows, columns, 3) array
        The picture, before any compression.
    truth : dict
        Plain values for a JSON file.
    """
    scene = view.scene
    linear = _table(stand, tiles, view, rng)
    linear = finishing.blurred(linear, view.table_blur_px)
    top, holes = _hub(stand, tiles[0].printed.tile.thickness_mm, view)
    _lay_over(linear, top, view.hub_rgb)
    _lay_over(linear, holes, _dimmed(scene.table_rgb, HOLE_LIGHT))
    for tile in tiles:
        seen = _tile_silhouette(stand, tile, view)
        _lay_over(linear, seen, _dimmed(scene.part_rgb, WALL_LIGHT))
    linear = finishing.blurred(linear, scene.finish.blur_px)
    linear = finishing.noisy(linear, scene.finish, rng)
    truth = scene_truth(scene, (0.0, 0.0, stand.height_mm))
    truth["hub_turn_deg"] = view.hub_turn_deg
    truth["tiles"] = [
        tile.printed.truth()
        | {"bay": tile.bay.name, "off_plane_deg": tile.off_plane_deg}
        for tile in tiles
    ]
    return finishing.developed(linear, scene.finish), truth


def edge_section(corner_mm: float, radius_mm: float, printed: PrintedTile) -> Points:
    """(n, 2) section, r and z: bottom face, rounded edge, wall, top face.

    ``corner_mm`` is where bottom face and wall would meet, ``radius_mm`` rounds it.
    """
    tile, scale = printed.tile, printed.part_scale
    taper = np.radians(tile.taper_deg)
    thick = tile.thickness_mm * scale
    along = np.array([[-1.0, 0.0], [-np.sin(taper), np.cos(taper)]])
    half = (np.pi / 2 - taper) / 2
    middle = along.sum(axis=0) / np.linalg.norm(along.sum(axis=0))
    corner = np.array([corner_mm, 0.0])
    centre = corner + middle * radius_mm / np.sin(half)
    # outward normals: of the bottom face straight down, of the wall
    first, last = -np.pi / 2, taper
    turn = np.linspace(first, last, EDGE_POINTS)
    rounded = centre + radius_mm * np.column_stack((np.cos(turn), np.sin(turn)))
    top = corner_mm - thick * np.tan(taper)
    return np.vstack(([[INNER_MM, 0.0]], rounded, [[top, thick], [INNER_MM, thick]]))


def _tile_silhouette(
    stand: Stand, tile: StandingTile, view: ProfileScene
) -> tuple[Box, Image]:
    """Union of all sections and feet; neighbours' edges in a pixel are parallel."""
    printed = tile.printed
    scale, radius = printed.part_scale, printed.edge_radius_mm
    taper = np.radians(printed.tile.taper_deg)
    # the plan outline is where the rounded edge reaches farthest out
    half = (np.pi / 2 - taper) / 2
    rounding = radius * (1 / np.tan(half) - 1)
    rim = np.interp(SECTIONS_RAD, printed.phi_rad, printed.rim_mm)
    rings = []
    for phi, out in zip(SECTIONS_RAD.tolist(), rim.tolist(), strict=True):
        corner = scale * printed.tile.radius_mm + out + rounding
        section = edge_section(corner, radius, printed)
        r, z = section.T
        points = np.column_stack((r * np.cos(phi), -r * np.sin(phi), z))
        rings.append(_seen(stand, tile.to_stand(points), view))
    rings += [_hull(_seen(stand, points, view)) for points in _feet(tile)]
    box = Box.around(np.concatenate(rings), view.scene.shape, ROOM_PX)
    seen = np.zeros(box.shape, np.float32)
    for ring in rings:
        part = Box.around(ring, view.scene.shape, 1)
        x, y = part.x0 - box.x0, part.y0 - box.y0
        at = slice(y, y + part.shape[0]), slice(x, x + part.shape[1])
        seen[at] = np.maximum(seen[at], coverage([ring - part.corner], part.shape))
    return box, seen


def _feet(tile: StandingTile) -> list[Points]:
    """Points round each foot's base and tip, in the stand's frame."""
    printed = tile.printed
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack((np.cos(turn), np.sin(turn)))
    out = []
    for foot in printed.tile.feet:
        ends = []
        for share, height in ((1.0, 0.0), (0.7, foot.height_mm)):
            xy = [foot.x_mm, foot.y_mm] + share * foot.diameter_mm / 2 * ring
            z = np.full(len(ring), printed.tile.thickness_mm + height)
            ends.append(np.column_stack((xy, z)))
        out.append(tile.to_stand(np.vstack(ends) * printed.part_scale))
    return out


def _hub(
    stand: Stand, thickness_mm: float, view: ProfileScene
) -> tuple[tuple[Box, Image], tuple[Box, Image]]:
    """Top face without slots and holes, and what is seen through the holes."""
    outline = _flat(stand, np.array(stand.outline_mm), view)
    box = Box.around(outline, view.scene.shape, ROOM_PX)
    face = coverage([outline - box.corner], box.shape)
    turn = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    circle = np.column_stack((np.cos(turn), np.sin(turn)))
    rings = [
        _flat(stand, [hole.x_mm, hole.y_mm] + hole.diameter_mm / 2 * circle, view)
        - box.corner
        for hole in stand.holes
    ]
    holes = coverage(rings, box.shape)
    slots = [
        _flat(stand, _slot(bay, thickness_mm), view) - box.corner for bay in stand.bays
    ]
    face *= 1 - coverage(slots, box.shape)
    return (box, face), (box, np.minimum(holes, face))


def _slot(bay: Bay, thickness_mm: float) -> Points:
    """Outline of a bay's slot in the hub's top face."""
    azimuth = np.radians(bay.azimuth_deg)
    outward = np.array([np.cos(azimuth), np.sin(azimuth)])
    onward = np.array([-np.sin(azimuth), np.cos(azimuth)])
    near, far = bay.back_mm - CLEARANCE_MM, bay.back_mm + GRIP_MM + 0.1
    low, high = -CLEARANCE_MM, thickness_mm + CLEARANCE_MM
    corners = [(near, low), (far, low), (far, high), (near, high)]
    return np.array([a * outward + b * onward for a, b in corners])


def _table(
    stand: Stand,
    tiles: Sequence[StandingTile],
    view: ProfileScene,
    rng: np.random.Generator,
) -> Image:
    """Paint the table below, in the shade of hub and tiles."""
    top = stand.height_mm
    turn = np.radians(view.hub_turn_deg)
    frame = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def ring(points: Points) -> Points:
        return np.asarray((points * (1.0, -1.0)) @ frame.T)

    plate = (ring(np.array(stand.outline_mm)),)
    hub = Blocker(slabs=((plate, top - HUB_PLATE_MM, top),))
    shown = tuple(ring(_footprint(tile)) for tile in tiles)
    rims = Blocker(slabs=((shown, top - HUB_PLATE_MM, top),))
    shade = table_light(
        view.scene.light, [hub, rims], margin_mm=SHADE_MARGIN_MM, step_mm=0.2
    )
    return bare_table(view.scene, shade, rng)


def _footprint(tile: StandingTile) -> Points:
    printed = tile.printed
    radius, thick = printed.tile.radius_mm, printed.tile.thickness_mm
    corners = np.array([[0, 0, 0], [radius, 0, 0], [radius, 0, thick], [0, 0, thick]])
    return tile.to_stand(corners.astype(float))[:, :2]


def _flat(stand: Stand, points_mm: Points, view: ProfileScene) -> Points:
    """Project (n, 2) points of the hub's top face."""
    return _seen(stand, np.column_stack((points_mm, np.zeros(len(points_mm)))), view)


def _seen(stand: Stand, stand_mm: Points, view: ProfileScene) -> Points:
    """Project (n, 3) points of the stand's frame."""
    turn = np.radians(view.hub_turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    x, y = stand_mm[:, 0], -stand_mm[:, 1]
    height = stand.height_mm - stand_mm[:, 2]
    return view.scene.camera.project(
        np.column_stack((c * x - s * y, s * x + c * y, height))
    )


def _hull(points_px: Points) -> Points:
    hull = cv2.convexHull(points_px.astype(np.float32))
    return np.asarray(hull, float)[:, 0, :]


def _dimmed(
    rgb: tuple[float, float, float], share: float
) -> tuple[float, float, float]:
    return rgb[0] * share, rgb[1] * share, rgb[2] * share


def _lay_over(
    linear: Image, seen: tuple[Box, Image], rgb: tuple[float, float, float]
) -> None:
    """Lay something evenly lit over the picture, in place."""
    box, cover = seen
    under = linear[box.at]
    under *= 1 - cover[..., None]
    under += cover[..., None] * np.array(rgb, np.float32)
