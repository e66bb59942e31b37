"""Painting a part and a ruler into a picture in linear light.

Outlines are projected at their heights and covered exactly.  What lies nearer to the
camera wins; edges of stacked layers that fall into one pixel are taken as parallel, so
that their union is the larger coverage.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.virtual.camera import Camera, Map, Place, part_to_world
from calib.virtual.coverage import coverage
from calib.virtual.light import Blocker, Light
from calib.virtual.ruler import Ruler, ink_mm, outline_mm, subdivided

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.part import Body

Points = NDArray[np.float64]
Image = NDArray[np.float32]

ROOM_PX = 3
COARSEST_PX = 4  # cell in which soft light on ledges is worked out
SLIVER_MM2 = 0.05  # ledges smaller than this, in all, need no such care
DEEP_WALL = 0.6  # light on a wall's foot, over that at its top


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle of the picture."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.y1 - self.y0, self.x1 - self.x0

    @property
    def at(self) -> tuple[slice, slice]:
        """Index into the picture."""
        return slice(self.y0, self.y1), slice(self.x0, self.x1)

    @property
    def corner(self) -> Points:
        """Pixel coordinates of the first pixel."""
        return np.array([self.x0, self.y0], float)

    @classmethod
    def around(cls, points_px: Points, shape: tuple[int, int], room_px: int) -> Box:
        """Smallest box round some points, within a picture."""
        low = np.floor(points_px.min(axis=0)).astype(int) - room_px
        high = np.ceil(points_px.max(axis=0)).astype(int) + room_px + 1
        x0, y0 = np.clip(low, 0, shape[::-1])
        x1, y1 = np.clip(high, [x0, y0], shape[::-1])
        return cls(x0=int(x0), y0=int(y0), x1=int(x1), y1=int(y1))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Painted:
    """Something seen: where, what share of each pixel, and its premultiplied light.

    ``tones`` maps a colour's name to the light of the parts of that colour (coverage
    times the light that falls on it, over the level at the world's origin).
    """

    box: Box
    silhouette: Image
    tones: dict[str, Image]


def paint_body(
    body: Body,
    place: Place,
    camera: Camera,
    light: Light,
    shape: tuple[int, int],
) -> Painted:
    """Paint something that lies with its z = 0 face up.

    Returns
    -------
    Painted
        One tone, ``part``: the face evenly lit, ledges below it shaded by what stands
        above them, walls by their direction and depth.
    """
    to_world = part_to_world(place, body.face_mm)
    first = _seen(body.layers[0].rings_mm, 0.0, to_world, camera)
    box = Box.around(np.concatenate(first), shape, _room_px(body, camera, place))
    sun = _LedgeLight.of(light, camera, place, body)
    seen = np.zeros(box.shape, np.float32)
    flat, wall = seen.copy(), seen.copy()
    above: list[tuple[float, Image]] = []
    for layer in body.layers:
        for z_mm, is_wall in ((layer.z0_mm, False), (layer.z1_mm, True)):
            rings = [
                ring - box.corner
                for ring in _seen(layer.rings_mm, z_mm, to_world, camera)
            ]
            if _hidden(rings, seen):
                continue
            union = np.maximum(seen, coverage(rings, box.shape))
            if is_wall:
                depth = z_mm / body.thickness_mm
                wall += (union - seen) * np.float32(1 - (1 - DEEP_WALL) * depth)
            else:
                flat += sun.on_ledge(union - seen, above, z_mm)
            seen = union
        if not above or above[-1][1] is not seen:
            above.append((layer.z0_mm, seen))
    x, y = _box_on_plane(box, camera, body.face_mm)
    facing = light.on_wall(_outward(seen, x, y)).astype(np.float32)
    level = light.level(x, y).astype(np.float32)
    return Painted(
        box=box, silhouette=seen, tones={"part": level * (flat + wall * facing)}
    )


def paint_ruler(
    ruler: Ruler,
    place: Place,
    camera: Camera,
    light: Light,
    shape: tuple[int, int],
) -> Painted:
    """Paint a ruler; tones ``face`` and ``ink``."""
    outline = outline_mm(ruler)
    face_rings = [_ruler_px(outline, ruler, place, camera)]
    foot = camera.project(_lifted(place.to_world(outline), np.zeros(len(outline))))
    box = Box.around(np.concatenate((*face_rings, foot)), shape, ROOM_PX)
    face = coverage([ring - box.corner for ring in face_rings], box.shape)
    seen = np.maximum(face, coverage([foot - box.corner], box.shape))
    ink = coverage(
        [_ruler_px(ring, ruler, place, camera) - box.corner for ring in ink_mm(ruler)],
        box.shape,
    )
    ink = np.minimum(ink, face)
    x, y = _box_on_plane(box, camera, ruler.thickness_mm)
    level = light.level(x, y).astype(np.float32)
    facing = light.on_wall(_outward(seen, x, y)).astype(np.float32)
    bare = face - ink + (seen - face) * facing
    return Painted(
        box=box, silhouette=seen, tones={"face": level * bare, "ink": level * ink}
    )


def put_in(
    linear: Image,
    painted: Painted,
    colours: dict[str, tuple[float, float, float]],
) -> None:
    """Lay something painted over a (rows, columns, 3) picture, in place."""
    under = linear[painted.box.at]
    for channel in range(3):
        over = under[..., channel]
        over *= 1 - painted.silhouette
        for name, tone in painted.tones.items():
            over += np.float32(colours[name][channel]) * tone


def bodies_blocker(placed: Sequence[tuple[Body, Place]]) -> Blocker:
    """Say what some bodies of the same layers hide from the table: their layers.

    Their outlines must not overlap.
    """
    body = placed[0][0]
    slabs = []
    for k, layer in enumerate(body.layers):
        rings = tuple(
            place.to_world(ring * (1.0, -1.0))
            for each, place in placed
            for ring in each.layers[k].rings_mm
        )
        slabs.append((rings, body.face_mm - layer.z1_mm, body.face_mm - layer.z0_mm))
    return Blocker(slabs=tuple(slabs))


def marks_px(places_mm: Points, ruler: Ruler, place: Place, camera: Camera) -> Points:
    """(n, 2) pixels of points on a ruler's face."""
    return _ruler_px(places_mm, ruler, place, camera)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _LedgeLight:
    """Light on the ledges that look at the camera, a little below the plate face."""

    light: Light
    px_per_mm: float
    shadow_px: Points  # of the lamp, for each mm of height
    slope_px: int  # width of a slope of 45 degrees, one layer high, to both sides

    @classmethod
    def of(cls, light: Light, camera: Camera, place: Place, body: Body) -> _LedgeLight:
        turn, up = np.radians([light.lamp_from_deg, light.lamp_height_deg])
        reach = -np.array([np.cos(turn), np.sin(turn)]) / np.tan(up)
        foot = np.array([place.x_mm, place.y_mm, body.face_mm])
        ends = camera.project(np.array([foot, foot + np.append(reach, 0.0)]))
        scale = float(camera.px_per_mm(foot).mean())
        return cls(
            light=light,
            px_per_mm=scale,
            shadow_px=ends[1] - ends[0],
            slope_px=2 * round(body.layers[0].z1_mm * scale) + 1,
        )

    def on_ledge(
        self, ledge: Image, above: Sequence[tuple[float, Image]], z_mm: float
    ) -> Image:
        """Light on newly seen ledges at a depth below the plate face.

        ``above`` holds the depth and the silhouette down to each layer above.  Each
        hides the sky as a plate of its own height does; what hides most counts, since
        of nested plates one outreaches the others in every direction.  A narrow ledge
        is where light printed through: a slope, lit all over as at its outer rim.
        """
        if not above:
            return ledge
        if ledge.sum() < SLIVER_MM2 * self.px_per_mm**2:
            return ledge * np.float32(0.5 * (1 + self.light.bounce))
        hidden, shadow = np.zeros_like(ledge), np.zeros_like(ledge)
        for plate_mm, plate in above:
            drop_mm = z_mm - plate_mm
            soft_px = 0.8 * drop_mm * self.px_per_mm
            hidden = np.maximum(hidden, _softened(plate, soft_px))
            if self.light.sky < 1:
                shift = np.eye(2, 3, dtype=np.float32)
                shift[:, 2] = drop_mm * self.shadow_px
                moved = cv2.warpAffine(plate, shift, plate.shape[::-1])
                shadow = np.maximum(shadow, moved)
        slope = np.ones((self.slope_px, self.slope_px), np.uint8)
        sky = self.light.sky * (1 - (1 - self.light.bounce) * cv2.erode(hidden, slope))
        return np.asarray(ledge * (sky + (1 - self.light.sky) * (1 - shadow)))


def _softened(plate: Image, soft_px: float) -> Image:
    """Blur a silhouette, in cells that are no larger than the blur."""
    cell_px = int(np.clip(soft_px, 1, COARSEST_PX))
    size = plate.shape[::-1]
    if cell_px == 1:
        return np.asarray(cv2.GaussianBlur(plate, (0, 0), max(soft_px, 0.3)))
    cells = (size[0] // cell_px, size[1] // cell_px)
    small = cv2.resize(plate, cells, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), soft_px / cell_px)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR))


def _hidden(rings_px: Sequence[Points], seen: Image) -> bool:
    """Whether outlines lie wholly within what is seen already."""
    solid = cv2.erode(seen, np.ones((3, 3), np.uint8))
    points = np.rint(np.concatenate(rings_px)).astype(int)
    inside = ((points >= 0) & (points < seen.shape[::-1])).all(axis=1)
    return bool((solid[points[inside, 1], points[inside, 0]] > 0.9995).all())


def _seen(
    rings_mm: Sequence[Points], z_mm: float, to_world: Points, camera: Camera
) -> list[Points]:
    """Rings of the print frame, at some height, in the picture."""
    out = []
    for ring in rings_mm:
        fine = subdivided(ring)
        world = _lifted(fine, np.full(len(fine), z_mm)) @ to_world[:3, :3].T
        out.append(camera.project(world + to_world[:3, 3]))
    return out


def _ruler_px(ring: Points, ruler: Ruler, place: Place, camera: Camera) -> Points:
    return camera.project(_lifted(place.to_world(ring), ruler.height_mm(ring[:, 1])))


def _lifted(points_xy: Points, z: Points) -> Points:
    return np.column_stack((points_xy, z))


def _room_px(body: Body, camera: Camera, place: Place) -> int:
    """How far any layer may stick out beyond the first one in the picture."""
    scale = camera.px_per_mm(np.array([place.x_mm, place.y_mm, 0.0])).max()
    return int(np.ceil((1.0 + body.thickness_mm) * scale)) + ROOM_PX


def _box_on_plane(box: Box, camera: Camera, z_mm: float) -> tuple[Map, Map]:
    """World x and y seen by each pixel of a box, at some height."""
    return camera.on_plane(
        np.arange(box.x0, box.x1, dtype=np.float32),
        np.arange(box.y0, box.y1, dtype=np.float32)[:, None],
        z_mm,
    )


def _outward(silhouette: Image, x_mm: Map, y_mm: Map) -> Points:
    """World direction, (rows, columns, 2), in which a silhouette falls off."""
    soft = cv2.GaussianBlur(silhouette, (0, 0), 3.0)
    fall = -np.stack((cv2.Sobel(soft, -1, 1, 0), cv2.Sobel(soft, -1, 0, 1)), axis=-1)
    mid = tuple(n // 2 for n in silhouette.shape)
    nxt = (mid[0], min(mid[1] + 1, silhouette.shape[1] - 1))
    right = np.array([x_mm[nxt] - x_mm[mid], y_mm[nxt] - y_mm[mid]])
    right /= max(float(np.linalg.norm(right)), 1e-12)
    down = np.array([right[1], -right[0]])
    world = fall @ np.array([right, down], np.float32)
    length = np.hypot(world[..., :1], world[..., 1:])
    return np.asarray(world / np.maximum(length, 1e-6))
