"""Scenes drawn at random, within what phones and tables are like."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.virtual.camera import Camera, Place, looking_down
from calib.virtual.finish import Finish
from calib.virtual.light import Light
from calib.virtual.ruler import STYLES, Ruler
from calib.virtual.scene import Rgb, Scene
from calib.virtual.table import Kind

HALF_LENGTH_MM, HALF_WIDTH_MM = 54.5, 15.0  # of the default coupon
FULL_FRAME_MM = 36.0  # width that 35 mm equivalents refer to
LARGEST_MP = 13.0

TABLES: tuple[tuple[Kind, Rgb], ...] = (
    ("paper", (0.78, 0.77, 0.75)),
    ("card", (0.60, 0.60, 0.58)),
    ("wood", (0.48, 0.36, 0.24)),
    ("mat", (0.30, 0.36, 0.34)),
    ("screen", (0.85, 0.85, 0.85)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a drawn scene has to be like; None is drawn.

    Parameters
    ----------
    px_per_mm : float or None
        Scale at the coupon, 12 to 30 when drawn.
    tilt_deg : float or None
        Of the camera against the vertical, up to 10.
    contrast : float or None
        Part against the table right beside it in linear light, contact shadow
        included: ``1 - part / table``; 0.25 to 0.9 when drawn.
    shadow : bool
        A lamp on one side instead of light from all round.
    screen : bool or None
        The coupon lies on a lit screen; drawn (one half) without ``shadow``.
    with_ruler : bool
        False leaves it out.
    ruler : Ruler or None
        None draws one.
    table : str or None
        Kind of table top.
    largest_mp : float
        The field of view shrinks, then the scale, to keep the picture below this.
    """

    px_per_mm: float | None = None
    tilt_deg: float | None = None
    contrast: float | None = None
    shadow: bool = False
    screen: bool | None = None
    with_ruler: bool = True
    ruler: Ruler | None = None
    table: Kind | None = None
    largest_mp: float = LARGEST_MP


def draw_scene(rng: np.random.Generator, wish: Wish | None = None) -> Scene:
    """Draw a scene for a default coupon.

    The coupon lies near the origin with its long side along the picture's; the ruler
    lies along one of its long sides, its graduated edge towards it.
    """
    wish = wish or Wish()
    spin = float(rng.uniform(-8, 8) + 180 * rng.integers(2))
    place = Place(x_mm=0.0, y_mm=0.0, turn_deg=spin)
    ruler, ruler_place = _draw_ruler(place, rng, wish)
    above = np.cos(np.radians(ruler_place.turn_deg)) < 0
    scale = wish.px_per_mm or float(rng.uniform(12, 30))
    shape, scale = _frame(scale, rng, wish)
    aim_y = (4.0 if above else -4.0) * (ruler is not None)
    focal35 = float(rng.choice([26.0, 28.0, 35.0, 50.0, 52.0, 77.0]))
    camera = draw_camera(shape, scale, focal35, aim_y_mm=aim_y, rng=rng, wish=wish)
    screen = wish.screen
    if screen is None:
        screen = not wish.shadow and bool(rng.integers(2))
    table, table_rgb = draw_table(
        rng, replace(wish, table="screen" if screen else wish.table)
    )
    contrast = wish.contrast or float(rng.uniform(0.25, 0.9))
    light = draw_light(rng, wish, glow=0.9 * screen)
    part_rgb = part_colour(table_rgb, (1 - contrast) * light.beside_an_edge, rng)
    return Scene(
        shape=shape,
        camera=camera,
        part_place=place,
        part_rgb=part_rgb,
        table=table,
        table_rgb=table_rgb,
        light=light,
        finish=draw_finish(rng),
        ruler=ruler,
        ruler_place=ruler_place,
        focal35_mm=focal35,
    )


def _frame(
    scale: float, rng: np.random.Generator, wish: Wish
) -> tuple[tuple[int, int], float]:
    """Rows and columns, and the scale that fits."""
    width_mm = float(rng.uniform(126, 160))
    height_mm = max(width_mm * 0.66, 84.0)
    scale = min(scale, float(np.sqrt(wish.largest_mp * 1e6 / (width_mm * height_mm))))
    return (round(height_mm * scale), round(width_mm * scale)), scale


def draw_camera(
    shape: tuple[int, int],
    scale: float,
    focal35: float,
    *,
    aim_y_mm: float,
    rng: np.random.Generator,
    wish: Wish,
) -> Camera:
    """Draw a camera above a point near the middle of the table."""
    rows, cols = shape
    f_px = focal35 / FULL_FRAME_MM * cols * float(rng.uniform(0.97, 1.03))
    corner = np.hypot(rows, cols) / 2 / f_px
    centre = rng.normal(0, 0.003, 2) * cols
    tilt = rng.uniform(0, 10) if wish.tilt_deg is None else wish.tilt_deg
    return looking_down(
        f_px=f_px,
        k1=float(rng.uniform(-0.012, 0.012) / corner**2),
        centre_px=((cols - 1) / 2 + centre[0], (rows - 1) / 2 + centre[1]),
        aim_mm=(float(rng.uniform(-3, 3)), aim_y_mm + float(rng.uniform(-1.5, 1.5))),
        distance_mm=f_px / scale,
        tilt_deg=float(tilt),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-3, 3)),
    )


def _draw_ruler(
    part_place: Place, rng: np.random.Generator, wish: Wish
) -> tuple[Ruler | None, Place]:
    """Ruler with its edge 3 to 7 mm from the teeth, above or below the coupon."""
    if not wish.with_ruler:
        return None, Place()
    ruler = draw_ruler_style(rng, wish)
    above = bool(rng.integers(2))
    lean = part_place.turn_deg - 180 * (abs(part_place.turn_deg) > 90)
    turn = lean + float(rng.uniform(-2, 2)) + 180 * above
    gap = HALF_WIDTH_MM + float(rng.uniform(3, 7))
    start = HALF_LENGTH_MM + float(rng.uniform(5, ruler.length_mm - 120))
    frame = Place(turn_deg=turn).rotation()
    corner = frame @ np.array([-start, -gap])
    return ruler, Place(x_mm=float(corner[0]), y_mm=float(corner[1]), turn_deg=turn)


def draw_ruler_style(rng: np.random.Generator, wish: Wish) -> Ruler:
    """Draw a ruler, or the wished one with graduation errors of its own."""
    ruler = wish.ruler or STYLES[int(rng.integers(len(STYLES)))]
    ruler = replace(ruler, error_seed=int(rng.integers(1 << 30)))
    if wish.ruler is None:
        ruler = replace(ruler, half_mm=bool(rng.random() < 0.2))
    return ruler


def draw_table(rng: np.random.Generator, wish: Wish) -> tuple[Kind, Rgb]:
    """Draw the table top's kind and colour."""
    choices = [
        (k, rgb)
        for k, rgb in TABLES
        if k == wish.table or (wish.table is None and k != "screen")
    ]
    kind, rgb = choices[int(rng.integers(len(choices)))]
    level = float(rng.uniform(0.85, 1.05))
    return kind, (rgb[0] * level, rgb[1] * level, rgb[2] * level)


def part_colour(table_rgb: Rgb, ratio: float, rng: np.random.Generator) -> Rgb:
    """Draw a near-grey resin whose green light is a given share of the table's."""
    grey = table_rgb[1] * ratio
    tint = rng.normal(0, 0.03, 2)
    return (grey * (1 + float(tint[0])), grey, grey * (1 + float(tint[1])))


def draw_light(rng: np.random.Generator, wish: Wish, glow: float) -> Light:
    """Draw sky and lamp."""
    slope = rng.uniform(-0.0015, 0.0015, 2)
    sky = float(rng.uniform(0.25, 0.6)) if wish.shadow else 1.0
    return Light(
        sky=sky,
        lamp_from_deg=float(rng.choice([90, 270]) + rng.uniform(-40, 40)),
        lamp_height_deg=float(rng.uniform(30, 60)),
        lamp_radius_deg=float(rng.uniform(3, 12)),
        slope_per_mm=(float(slope[0]), float(slope[1])),
        bounce=float(rng.uniform(0.1, 0.4)),
        glow=glow,
    )


def draw_finish(rng: np.random.Generator) -> Finish:
    """Draw what lens and camera do to the light."""
    return Finish(
        blur_px=float(rng.uniform(0.6, 2.0)),
        full_well=float(np.exp(rng.uniform(np.log(2500), np.log(12000)))),
        read_noise=float(rng.uniform(2, 6)),
        sharpen=float(rng.choice([0.0, 0.3, 0.6])),
        sharpen_px=float(rng.uniform(0.8, 1.6)),
        jpeg_quality=int(rng.integers(80, 96)),
    )
