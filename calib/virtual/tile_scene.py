"""Tiles laid in a ring, arcs outward, photographed from above."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.virtual import draw
from calib.virtual.camera import Place
from calib.virtual.profile_view import ProfileScene
from calib.virtual.ruler import Ruler
from calib.virtual.scene import Scene, photograph_bodies, scene_truth
from calib.virtual.table import Kind
from calib.virtual.tile_body import tile_body

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from calib.virtual.tilted import PrintedTile
    from patterns.rim_manifest import Stand

GAP_MM = 5.0  # between the corners of neighbours
WIDE_SHOT, CLOSE_SHOT = (26.0, 28.0, 35.0), (50.0, 52.0, 77.0)
AT_1X = 4  # tiles that a wide shot may hold
PROFILE_TABLES: tuple[Kind, ...] = ("paper", "card", "wood")


@dataclass(frozen=True, slots=True, kw_only=True)
class RingWish:
    """What a drawn scene of tiles has to be like; None is drawn.

    Parameters
    ----------
    px_per_mm : float or None
        Scale at the tiles.
    tilt_deg : float or None
        Of the camera against the vertical, up to 8.
    contrast : float or None
        Tile against the open table, ``1 - tile / table`` in linear light.
    lamp : bool
        Part of the light comes from one side.
    screen : bool or None
        The tiles lie on a lit screen; drawn (one half) without ``lamp``.
    ruler : Ruler or None
        None draws one.
    table : str or None
        Kind of table top.
    largest_mp : float
        The scale shrinks to keep the picture below this.
    """

    px_per_mm: float | None = None
    tilt_deg: float | None = None
    contrast: float | None = None
    lamp: bool = False
    screen: bool | None = None
    ruler: Ruler | None = None
    table: Kind | None = None
    largest_mp: float = draw.LARGEST_MP


def ring_radius_mm(count: int, radius_mm: float) -> float:
    """Distance of the tiles' arc centres from the ring's middle."""
    half = radius_mm + GAP_MM / 2
    return half / float(np.tan(np.pi / max(count, 3))) + GAP_MM / 2


def lay_ring(
    count: int, radius_mm: float, rng: np.random.Generator
) -> tuple[Place, ...]:
    """Lay tiles in a ring about the origin, turned and shifted a bit as by hand."""
    start = float(rng.uniform(0, 360))
    reach = ring_radius_mm(count, radius_mm)
    places = []
    for k in range(count):
        towards = start + 360 * k / count
        off = rng.uniform(-0.5, 0.5, 2)
        places.append(
            Place(
                x_mm=reach * float(np.cos(np.radians(towards))) + float(off[0]),
                y_mm=reach * float(np.sin(np.radians(towards))) + float(off[1]),
                turn_deg=towards + float(rng.uniform(-4, 4)),
            )
        )
    return tuple(places)


def turned(places: Sequence[Place], turn_deg: float) -> tuple[Place, ...]:
    """Turn the sheet under the tiles about the origin."""
    whole = Place(turn_deg=turn_deg)
    out = []
    for place in places:
        x, y = whole.to_world(np.array([[place.x_mm, place.y_mm]]))[0]
        out.append(
            Place(x_mm=float(x), y_mm=float(y), turn_deg=place.turn_deg + turn_deg)
        )
    return tuple(out)


def draw_ring_scene(
    count: int, radius_mm: float, rng: np.random.Generator, wish: RingWish | None = None
) -> Scene:
    """Draw table, light, ruler and camera for a ring of tiles about the origin."""
    wish = wish or RingWish()
    reach = ring_radius_mm(count, radius_mm) + radius_mm
    coupon_wish = draw.Wish(
        tilt_deg=float(rng.uniform(0, 8)) if wish.tilt_deg is None else wish.tilt_deg,
        shadow=wish.lamp,
        ruler=wish.ruler,
        table=wish.table,
        largest_mp=wish.largest_mp,
    )
    ruler, ruler_place = _lay_ruler(reach, rng, coupon_wish)
    above = np.cos(np.radians(ruler_place.turn_deg)) < 0
    shape, scale = _frame(reach, rng, wish)
    shots = WIDE_SHOT if count <= AT_1X else CLOSE_SHOT
    focal35 = float(rng.choice(shots))
    camera = draw.draw_camera(
        shape,
        scale,
        focal35,
        aim_y_mm=8.0 if above else -8.0,
        rng=rng,
        wish=coupon_wish,
    )
    screen = wish.screen
    if screen is None:
        screen = not wish.lamp and bool(rng.integers(2))
    table, table_rgb = draw.draw_table(
        rng, replace(coupon_wish, table="screen" if screen else wish.table)
    )
    contrast = wish.contrast or float(rng.uniform(0.45, 0.9))
    return Scene(
        shape=shape,
        camera=camera,
        part_rgb=draw.part_colour(table_rgb, 1 - contrast, rng),
        table=table,
        table_rgb=table_rgb,
        light=draw.draw_light(rng, coupon_wish, glow=0.9 * screen),
        finish=draw.draw_finish(rng),
        ruler=ruler,
        ruler_place=ruler_place,
        focal35_mm=focal35,
    )


def photograph_tiles(
    tiles: Sequence[PrintedTile],
    places: Sequence[Place],
    scene: Scene,
    rng: np.random.Generator,
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Photograph tiles that lie bottom up.

    Returns
    -------
    rgb8 : (rows, columns, 3) array
        The picture, before any compression.
    truth : dict
        Plain values for a JSON file.
    """
    placed = [
        (tile_body(tile), place) for tile, place in zip(tiles, places, strict=True)
    ]
    rgb8 = photograph_bodies(placed, scene, rng)
    face_mm = placed[0][0].face_mm
    truth = scene_truth(scene, (0.0, 0.0, face_mm))
    truth["tiles"] = [
        tile.truth()
        | {
            "place": [place.x_mm, place.y_mm, place.turn_deg],
            "face_mm": body.face_mm,
        }
        for tile, (body, place) in zip(tiles, placed, strict=True)
    ]
    return rgb8, truth


def _lay_ruler(
    reach_mm: float, rng: np.random.Generator, wish: draw.Wish
) -> tuple[Ruler, Place]:
    """Ruler with its edge 4 to 8 mm from the ring, above or below it."""
    ruler = draw.draw_ruler_style(rng, wish)
    above = bool(rng.integers(2))
    turn = float(rng.uniform(-3, 3)) + 180 * above
    start = reach_mm + float(rng.uniform(-10, 10))
    start = min(max(start, 10.0), ruler.length_mm - 40.0)
    frame = Place(turn_deg=turn).rotation()
    corner = frame @ np.array([-start, -reach_mm - float(rng.uniform(4, 8))])
    return ruler, Place(x_mm=float(corner[0]), y_mm=float(corner[1]), turn_deg=turn)


def _frame(
    reach_mm: float, rng: np.random.Generator, wish: RingWish
) -> tuple[tuple[int, int], float]:
    """Rows and columns, and the scale that fits."""
    height_mm = 2 * reach_mm + float(rng.uniform(32, 40))
    width_mm = max(4 / 3 * height_mm, 100.0)
    scale = wish.px_per_mm or float(rng.uniform(14, 26))
    scale = min(scale, float(np.sqrt(wish.largest_mp * 1e6 / (width_mm * height_mm))))
    return (round(height_mm * scale), round(width_mm * scale)), scale


def draw_profile_scene(
    stand: Stand, rng: np.random.Generator, wish: RingWish | None = None
) -> ProfileScene:
    """Draw table, light and camera for tiles that stand round a hub, in focus."""
    wish = wish or RingWish()
    light_wish = draw.Wish(
        tilt_deg=float(rng.uniform(0, 2)) if wish.tilt_deg is None else wish.tilt_deg,
        shadow=False,
        table=wish.table or PROFILE_TABLES[int(rng.integers(len(PROFILE_TABLES)))],
    )
    scale = wish.px_per_mm or float(rng.uniform(22, 26))
    focal35 = float(rng.choice(CLOSE_SHOT))
    width_mm = float(rng.uniform(160, 200)) * draw.FULL_FRAME_MM / focal35
    shape = (round(0.75 * width_mm * scale), round(width_mm * scale))
    camera = draw.draw_camera(
        shape, scale, focal35, aim_y_mm=0.0, rng=rng, wish=light_wish
    )
    raised = camera.centre_mm + np.array([0.0, 0.0, stand.height_mm])
    camera = replace(camera, centre_mm=raised)
    table, table_rgb = draw.draw_table(rng, light_wish)
    contrast = wish.contrast or float(rng.uniform(0.5, 0.9))
    part_rgb = draw.part_colour(table_rgb, 1 - contrast, rng)
    return ProfileScene(
        scene=Scene(
            shape=shape,
            camera=camera,
            part_rgb=part_rgb,
            table=table,
            table_rgb=table_rgb,
            light=draw.draw_light(rng, light_wish, glow=0.0),
            finish=draw.draw_finish(rng),
            focal35_mm=focal35,
        ),
        hub_turn_deg=float(rng.uniform(0, 360)),
        table_blur_px=float(rng.uniform(3, 7)),
        hub_rgb=part_rgb,
    )
