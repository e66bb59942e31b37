"""A scene, and its photograph with everything that was true about it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.virtual import finish as finishing
from calib.virtual.camera import Camera, Map, Place, part_to_world
from calib.virtual.finish import Finish
from calib.virtual.light import Blocker, Light, TableLight, table_light
from calib.virtual.paint import (
    bodies_blocker,
    marks_px,
    paint_body,
    paint_ruler,
    put_in,
)
from calib.virtual.ruler import Ruler, marks_mm, outline_mm
from calib.virtual.table import CELL_MM, TILE, Kind, texture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.part import Body, PrintedPart

Rgb = tuple[float, float, float]
Image = NDArray[np.float32]

SHADE_MARGIN_MM = 12.0
ON_THE_SPOT = Place()
STRIP_ROWS = 256  # rows of the table painted at a time, to bound the memory


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """A table, beside a ruler or not, and the camera above it.

    Colours are linear light where white paper in full light is about 0.8; ``part_rgb``
    is that of everything printed, ``part_place`` the place of a lone part.
    """

    shape: tuple[int, int]
    camera: Camera
    part_rgb: Rgb
    table: Kind
    table_rgb: Rgb
    light: Light
    finish: Finish
    part_place: Place = ON_THE_SPOT
    ruler: Ruler | None = None
    ruler_place: Place = ON_THE_SPOT
    focal35_mm: float | None = None


def photograph(
    part: PrintedPart, scene: Scene, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Photograph a part.

    Parameters
    ----------
    part : PrintedPart
        What lies there, plate face up.
    scene : Scene
        Where, in which light, before which camera.
    rng : numpy.random.Generator
        Grain of the table and noise of the sensor.

    Returns
    -------
    rgb8 : (rows, columns, 3) array
        The picture, before any compression.
    truth : dict
        Plain values for a JSON file.
    """
    seen = photograph_bodies([(part.body, scene.part_place)], scene, rng)
    return seen, truth_of(part, scene)


def photograph_bodies(
    placed: Sequence[tuple[Body, Place]], scene: Scene, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Photograph some bodies of the same layers that don't hide each other.

    Parameters
    ----------
    placed : sequence of (Body, Place)
        What lies where.
    scene : Scene
        In which light, before which camera.
    rng : numpy.random.Generator
        Grain of the table and noise of the sensor.

    Returns
    -------
    (rows, columns, 3) array
        The picture, before any compression.
    """
    linear = _table_in_light(placed, scene, rng)
    if scene.ruler is not None:
        painted = paint_ruler(
            scene.ruler, scene.ruler_place, scene.camera, scene.light, scene.shape
        )
        ink = {"face": scene.ruler.face_rgb, "ink": scene.ruler.ink_rgb}
        put_in(linear, painted, ink)
    for body, place in placed:
        seen = paint_body(body, place, scene.camera, scene.light, scene.shape)
        put_in(linear, seen, {"part": scene.part_rgb})
    linear = finishing.blurred(linear, scene.finish.blur_px)
    linear = finishing.noisy(linear, scene.finish, rng)
    return finishing.developed(linear, scene.finish)


def truth_of(part: PrintedPart, scene: Scene) -> dict[str, Any]:
    """Everything that is true about the picture of a part, as plain values."""
    place = scene.part_place
    return scene_truth(scene, (place.x_mm, place.y_mm, part.thickness_mm)) | {
        "part": part_truth(part, place)
    }


def scene_truth(scene: Scene, at_mm: tuple[float, float, float]) -> dict[str, Any]:
    """Everything that is true about a scene; its scale is that at a point."""
    scale = scene.camera.px_per_mm(np.array(at_mm))
    return {
        "invented": True,
        "height": scene.shape[0],
        "width": scene.shape[1],
        "focal35_mm": scene.focal35_mm,
        "camera": scene.camera.truth(),
        "px_per_mm": float(np.sqrt(scale[0] * scale[1])),
        "ruler": None if scene.ruler is None else _ruler_truth(scene.ruler, scene),
        "table": {"kind": scene.table, "rgb": list(scene.table_rgb)},
        "part_rgb": list(scene.part_rgb),
        "light": asdict(scene.light),
        "finish": asdict(scene.finish),
    }


def part_truth(part: PrintedPart, place: Place) -> dict[str, Any]:
    """Say what is true about the part, and where it lies."""
    return {
        "coupon_id": part.coupon_id,
        "M_part_to_world": part_to_world(place, part.thickness_mm).tolist(),
        "part_scale": part.part_scale,
        "thickness_mm": part.thickness_mm,
        "flare_mm": part.flare_mm,
        "body_growth_mm": part.body_growth_mm,
        "growth_by_layer_mm": list(part.growth_by_layer_mm),
        "tooth_growth_mm": part.tooth_growth_mm,
    }


def _ruler_truth(ruler: Ruler, scene: Scene) -> dict[str, Any]:
    value, places = marks_mm(ruler)
    seen = marks_px(places, ruler, scene.ruler_place, scene.camera)
    return {
        "style": ruler.style,
        "graduation_mm": ruler.graduation_mm,
        "edge_height_mm": float(ruler.height_mm(np.zeros(1))[0]),
        "thickness_mm": ruler.thickness_mm,
        "marks": [
            {"mm": float(v), "x_px": float(x), "y_px": float(y)}
            for v, (x, y) in zip(value, seen, strict=True)
        ],
    }


def _table_in_light(
    placed: Sequence[tuple[Body, Place]], scene: Scene, rng: np.random.Generator
) -> Image:
    """Paint the bare table with the shadows of everything on it."""
    blockers = [bodies_blocker(placed)]
    if scene.ruler is not None:
        ring = scene.ruler_place.to_world(outline_mm(scene.ruler))
        blockers.append(Blocker(slabs=(((ring,), 0.0, scene.ruler.edge_or_face_mm),)))
    shade = table_light(scene.light, blockers, margin_mm=SHADE_MARGIN_MM)
    return bare_table(scene, shade, rng)


def bare_table(scene: Scene, shade: TableLight, rng: np.random.Generator) -> Image:
    """Paint the table as it is lit, (rows, columns, 3) in linear light."""
    tile = texture(scene.table, rng)
    rows, cols = scene.shape
    out = np.empty((rows, cols, 3), np.float32)
    u = np.arange(cols, dtype=np.float32)
    for top in range(0, rows, STRIP_ROWS):
        v = np.arange(top, min(top + STRIP_ROWS, rows), dtype=np.float32)[:, None]
        x, y = scene.camera.on_plane(u, v, 0.0)
        grey = shade.at(x, y) * scene.light.level(x, y).astype(np.float32)
        grey *= _tiled(tile, x, y)
        for channel in range(3):
            out[top : top + len(v), :, channel] = grey * scene.table_rgb[channel]
    return out


def _tiled(tile: Image, x_mm: Map, y_mm: Map) -> Image:
    """Nearest cell of a tile that repeats (the lens's blur smooths the cells)."""
    column = np.floor(x_mm / CELL_MM).astype(np.int32) & (TILE - 1)
    row = np.floor(y_mm / CELL_MM).astype(np.int32) & (TILE - 1)
    return np.asarray(tile[row, column])
