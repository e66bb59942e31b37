"""A virtual coupon set into a real photograph of a ruler.

The ruler's marks tell the camera.  What one line of marks can't tell is assumed: a lens
as long as :data:`FOCAL_OVER_SIDE` times the picture's long side, and no tilt about the
ruler's own axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.optimize import least_squares

from calib.virtual import finish as finishing
from calib.virtual.camera import Camera, Place, looking_down
from calib.virtual.coverage import coverage
from calib.virtual.light import Light, table_light
from calib.virtual.paint import Box, bodies_blocker, paint_body
from calib.virtual.ruler import rectangle, subdivided
from calib.virtual.scene import Rgb, part_truth
from patterns.errors import SpecError

if TYPE_CHECKING:
    from calib.virtual.part import PrintedPart

Points = NDArray[np.float64]
Image = NDArray[np.float32]

FOCAL_OVER_SIDE = 0.8
RULER_THICKNESS_MM = 1.0  # assumed of every photographed ruler
SLIP_MM = (122.0, 40.0)  # of the paper that may lie below the coupon
SHADE_MM = 12.0
CHANGED = 1e-3
BLUR_RANGE_PX = (0.6, 4.0)
TILE_PX = 24
PAPER = 0.6  # linear level of the slip's strongest colour


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Where the coupon goes, seen from the marks.

    ``along_mm`` is the mark value at the coupon's centre, ``across_mm`` the distance
    from the marks' line, positive to the left of growing values as seen in the
    picture; ``paper`` lays a slip of white paper below it.  ``contrast`` is that of
    the part to the ground right beside it, ``1 - part / ground`` in linear light.
    """

    along_mm: float
    across_mm: float
    turn_deg: float = 0.0
    paper: bool = False
    contrast: float = 0.6


def camera_from_marks(
    marks_mm: Points, marks_px: Points, shape: tuple[int, int]
) -> tuple[Camera, float]:
    """Find the camera that sees a ruler's marks on world x, one millimetre up.

    Parameters
    ----------
    marks_mm : (n,) array
        Values along the ruler.
    marks_px : (n, 2) array
        x, y in the picture.
    shape : (rows, columns)
        Size of the picture.

    Returns
    -------
    Camera
        Pinhole with one distortion term.
    float
        Root mean square of what is left, in pixels.
    """
    world = np.column_stack(
        (marks_mm, np.zeros_like(marks_mm), np.full_like(marks_mm, RULER_THICKNESS_MM))
    )
    rows, cols = shape
    middle = ((cols - 1) / 2, (rows - 1) / 2)
    f_px = FOCAL_OVER_SIDE * max(shape)
    run = marks_px[-1] - marks_px[0]
    scale = np.linalg.norm(run) / np.ptp(marks_mm)
    roll = np.degrees(np.arctan2(run[1], run[0]))

    def camera(p: Points) -> Camera:
        return looking_down(
            f_px=f_px,
            k1=float(p[5]),
            centre_px=middle,
            aim_mm=(float(p[0]), float(p[1])),
            distance_mm=float(p[2]),
            tilt_deg=float(p[3]),
            tilt_towards_deg=0.0,
            roll_deg=float(p[4]),
        )

    to_middle = np.array(middle) - marks_px.mean(axis=0)
    turn = np.radians(roll)
    ahead = np.array([np.cos(turn), np.sin(turn)])
    aim = (
        marks_mm.mean() + to_middle @ ahead / scale,
        -(to_middle @ np.array([-ahead[1], ahead[0]])) / scale,
    )
    start = np.array([*aim, f_px / scale, 0.0, roll, 0.0])
    fit = least_squares(
        lambda p: (camera(p).project(world) - marks_px).ravel(),
        start,
        x_scale=[10, 10, 100, 5, 1, 0.05],
    )
    return camera(fit.x), float(np.sqrt(np.mean(fit.fun**2) * 2))


def set_into_photo(
    rgb8: NDArray[np.uint8],
    marks_mm: Points,
    marks_px: Points,
    part: PrintedPart,
    *,
    where: Where,
    rng: np.random.Generator,
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Set a coupon into a photograph, with its light, blur and noise.

    Parameters
    ----------
    rgb8 : (rows, columns, 3) array
        The photograph, sRGB.
    marks_mm, marks_px : (n,), (n, 2) arrays
        The ruler's marks in it.
    part : PrintedPart
        The coupon, plate face up.
    where : Where
        Its place.
    rng : numpy.random.Generator
        Light and noise.

    Returns
    -------
    rgb8 : (rows, columns, 3) array
        The changed picture.
    truth : dict
        Plain values for a JSON file.

    Raises
    ------
    SpecError
        The coupon does not lie wholly in the picture.
    """
    shape = (rgb8.shape[0], rgb8.shape[1])
    camera, residual_px = camera_from_marks(marks_mm, marks_px, shape)
    place = Place(x_mm=where.along_mm, y_mm=where.across_mm, turn_deg=where.turn_deg)
    sigma_px = mark_blur_px(rgb8[..., 1], marks_px)
    light = Light(
        sky=float(rng.choice([1.0, 0.75])),
        lamp_from_deg=float(rng.uniform(0, 360)),
        bounce=0.25,
    )
    slip = _slip_px(camera, place)
    _check_inside(slip if where.paper else _slip_px(camera, place, (112, 32)), shape)
    box = Box.around(slip, shape, 20)
    ground = finishing.linear_light(rgb8[box.at])
    paper = coverage([slip - box.corner], box.shape) if where.paper else None
    noise = _noise_gain(ground)
    if paper is not None:
        paper = finishing.blurred(paper, sigma_px)
        white = _paper_rgb(rgb8)
        ground = ground * (1 - paper[..., None]) + paper[..., None] * white
    painted = paint_body(part.body, place, camera, light, shape)
    part_rgb = _part_rgb(ground, (1 - where.contrast) * light.beside_an_edge)
    blocker = bodies_blocker([(part.body, place)])
    shade = table_light(light, [blocker], margin_mm=SHADE_MM)
    u = np.arange(box.x0, box.x1, dtype=np.float32)
    v = np.arange(box.y0, box.y1, dtype=np.float32)[:, None]
    open_ground = shade.at(*camera.on_plane(u, v, 0.0))
    cover = _spread(painted.silhouette, painted.box, box)
    tone = _spread(painted.tones["part"], painted.box, box)
    open_ground = finishing.blurred(open_ground * (1 - cover), sigma_px)
    tone = finishing.blurred(tone, sigma_px)
    mixed = ground * open_ground[..., None] + tone[..., None] * np.array(
        part_rgb, np.float32
    )
    drawn = finishing.blurred(cover, sigma_px)
    if paper is not None:
        drawn = np.maximum(drawn, paper)
    grain = rng.standard_normal(mixed.shape, dtype=np.float32)
    mixed += np.sqrt(noise * np.maximum(mixed, 0) * drawn[..., None]) * grain
    changed = (drawn > CHANGED) | (np.abs(open_ground - 1) > CHANGED)
    out = rgb8.copy()
    out[box.at][changed] = finishing.developed(mixed, finishing.Finish())[changed]
    centre = np.array([place.x_mm, place.y_mm, part.thickness_mm])
    return out, {
        "invented": True,
        "height": shape[0],
        "width": shape[1],
        "camera": camera.truth(),
        "camera_residual_px": residual_px,
        "blur_px": sigma_px,
        "px_per_mm": float(np.sqrt(np.prod(camera.px_per_mm(centre)))),
        "part": part_truth(part, place),
        "part_rgb": list(part_rgb),
    }


def mark_blur_px(channel: NDArray[np.uint8], marks_px: Points) -> float:
    """Blur of a photograph, from the slopes of its ruler's marks.

    A Gaussian edge of height A and standard deviation s is at most A / (s sqrt(2 pi))
    steep; the profile runs along the marks' line.
    """
    steps = int(np.linalg.norm(marks_px[-1] - marks_px[0]) * 4)
    t = np.linspace(0, 1, steps)
    line = marks_px[0] + t[:, None] * (marks_px[-1] - marks_px[0])
    profile = map_coordinates(channel.astype(float), line.T[::-1], order=1)
    slope = np.abs(np.gradient(gaussian_filter1d(profile, 1.0))) * 4
    pitch = max(steps // max(len(marks_px) - 1, 1), 8)
    widths = []
    for first in range(0, steps - pitch, pitch):
        piece = slice(first, first + pitch)
        height = np.ptp(profile[piece])
        widths.append(height / max(slope[piece].max(), 1e-6) / np.sqrt(2 * np.pi))
    return float(np.clip(np.median(widths), *BLUR_RANGE_PX))


def _slip_px(
    camera: Camera, place: Place, size_mm: tuple[float, float] = SLIP_MM
) -> Points:
    """Outline of a rectangle round the coupon, on the table."""
    half_x, half_y = size_mm[0] / 2, size_mm[1] / 2
    ring = subdivided(rectangle(-half_x, half_x, -half_y, half_y))
    world = np.column_stack((place.to_world(ring), np.zeros(len(ring))))
    return camera.project(world)


def _check_inside(points_px: Points, shape: tuple[int, int]) -> None:
    if (points_px < 2).any() or (points_px > np.array(shape[::-1]) - 3).any():
        raise SpecError(
            "The coupon does not lie wholly in the picture.",
            "Choose another place beside the ruler.",
        )


def _spread(image: Image, inner: Box, outer: Box) -> Image:
    """Put a box's picture into a larger box."""
    out = np.zeros(outer.shape, np.float32)
    x0, y0 = max(inner.x0, outer.x0), max(inner.y0, outer.y0)
    x1, y1 = min(inner.x1, outer.x1), min(inner.y1, outer.y1)
    out[y0 - outer.y0 : y1 - outer.y0, x0 - outer.x0 : x1 - outer.x0] = image[
        y0 - inner.y0 : y1 - inner.y0, x0 - inner.x0 : x1 - inner.x0
    ]
    return out


def _noise_gain(ground: Image) -> float:
    """Variance over level in the smoothest tenth of a picture's tiles, green light."""
    green = ground[..., 1]
    rows, cols = (n // TILE_PX * TILE_PX for n in green.shape)
    tiles = green[:rows, :cols].reshape(rows // TILE_PX, TILE_PX, cols // TILE_PX, -1)
    fine = np.diff(tiles, axis=1)
    gain = fine.var(axis=(1, 3)) / 2 / np.maximum(tiles.mean(axis=(1, 3)), 0.02)
    return float(np.quantile(gain, 0.1))


def _paper_rgb(rgb8: NDArray[np.uint8]) -> Image:
    """White paper: half the tint of the photo's brighter part, not burnt."""
    bright = np.percentile(rgb8[::16, ::16].reshape(-1, 3), 90, axis=0)
    level = finishing.linear_light(bright.astype(np.uint8))
    level = (level + level.mean()) / 2
    return np.asarray(level * (PAPER / level.max()), np.float32)


def _part_rgb(ground: Image, ratio: float) -> Rgb:
    """Grey in the light of the median ground, at a share of its level."""
    red, green, blue = (np.median(ground.reshape(-1, 3), axis=0) * ratio).tolist()
    return red, green, blue
