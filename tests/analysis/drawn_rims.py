"""One rim tile drawn from above with a known rim: areas, blur, light, noise.

Orthographic, so that the pose is exact; the rim is a polygon filled at four times the
resolution.  Nothing of the reading code is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.camera import View
from analysis.photo import Photo, srgb_lut
from analysis.tile_pose import TilePose
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec

if TYPE_CHECKING:
    from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]

PHI_RAD = np.linspace(-np.pi / 2, np.pi / 2, 1964)
"""Truth every 0.02 mm of a 12.5 mm arc."""

_OVER = 4
_BITS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What the picture is like; light is linear, 0 to 1."""

    px_per_mm: float = 20.0
    turn_rad: float = 0.3
    face: float = 0.12
    ground: float = 0.6
    blur_px: float = 1.0
    noise: float = 0.004
    shade: float = 0.0
    """Share of the table's light taken just outside the rim, fading over 2 mm."""
    penumbra: float = 0.0
    """Share taken on the side phi > 0, in a soft border across the rim."""
    mat: float = 0.0
    """Depth of dark lines on the table, every 1.5 mm."""


def tile() -> RimTile:
    return rim_manifest(default_rim_spec()).tiles[3]


def noise_along(sigma_mm: float, length_mm: float, rng: np.random.Generator) -> Floats:
    """Stationary roughness on PHI_RAD, correlation exp(-d^2 / (2 length^2))."""
    step = 12.5 * (PHI_RAD[1] - PHI_RAD[0])
    reach = int(4 * length_mm / step)
    kernel = np.exp(-((np.arange(-reach, reach + 1) * step / length_mm) ** 2))
    kernel /= np.sqrt((kernel**2).sum())
    white = rng.normal(size=len(PHI_RAD) + 2 * reach)
    return np.asarray(sigma_mm * np.convolve(white, kernel, "valid"))


def chip(phi_rad: float, width_mm: float, depth_mm: float) -> Floats:
    """Half an ellipse missing."""
    share = (PHI_RAD - phi_rad) * 12.5 / (width_mm / 2)
    return np.asarray(-depth_mm * np.sqrt(np.clip(1 - share**2, 0, None)))


def outline_mm(of: RimTile, deviation_mm: Floats) -> Floats:
    radius = of.radius_mm + deviation_mm
    ring = np.column_stack([radius * np.cos(PHI_RAD), -radius * np.sin(PHI_RAD)])
    back: list[tuple[float, float]] = []
    for notch in of.notches:  # from -y, where the ring ends, to +y
        if notch.cut:
            deep = of.notch_depth_mm
            back += [(0.0, notch.y0_mm), (deep, notch.y0_mm)]
            back += [(deep, notch.y1_mm), (0.0, notch.y1_mm)]
    return np.concatenate([ring, np.array(back)])


def drawn(
    deviation_mm: Floats, scene: Scene, rng: np.random.Generator
) -> tuple[Photo, TilePose]:
    """Draw a tile; the pose is the one it was drawn with."""
    of = tile()
    size = int(30.0 * scene.px_per_mm)
    a, m = scene.turn_rad, scene.px_per_mm
    spin = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    centre = np.array([size - 1, size - 1]) / 2
    origin = -m * (spin @ np.array([6.0, 0.0, 0.0]))[:2]
    view = View(
        rotation=spin,
        origin_px=origin,
        centre_px=centre,
        half_diagonal_px=float(np.hypot(size, size)) / 2,
        scale_px_per_mm=m,
        inverse_distance_per_mm=0.0,
        k1=0.0,
    )
    outline = outline_mm(of, deviation_mm)
    px = view.project(np.column_stack([outline, np.zeros(len(outline))]))
    cover = np.zeros((size * _OVER, size * _OVER), dtype=np.uint8)
    fine = (px + 0.5) * _OVER - 0.5
    cv2.fillPoly(cover, [np.rint(fine * 2**_BITS).astype(np.int32)], 255, shift=_BITS)
    mask = cv2.resize(cover, (size, size), interpolation=cv2.INTER_AREA) / 255.0
    columns, rows = np.meshgrid(np.arange(size), np.arange(size))
    at = view.back_project(
        np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    )
    light: Floats = np.full((size, size), scene.ground)
    out = (np.hypot(*at.T) - of.radius_mm).reshape(size, size)
    light *= 1 - scene.shade * np.exp(-np.maximum(out, 0) / 2.0)
    phi_mm = (of.radius_mm * np.arctan2(-at[:, 1], at[:, 0])).reshape(size, size)
    light *= 1 - scene.penumbra / (1 + np.exp(-(phi_mm - out) / 0.6))
    lines = (np.abs((at[:, 0] - 0.4 * at[:, 1]) % 1.5) < 0.25).reshape(size, size)
    light *= 1 - scene.mat * lines
    light = np.asarray(light + mask * (scene.face - light))
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), scene.blur_px), dtype=np.float64)
    light = light + rng.normal(0, scene.noise, light.shape)
    coded = np.where(
        light <= 0.0031308,
        12.92 * light,
        1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055,
    )
    grey = np.clip(np.rint(255 * coded), 0, 255).astype(np.uint8)
    photo = Photo(
        path="drawn.png",
        rgb8=np.repeat(grey[:, :, None], 3, axis=2),
        linear_lut=np.repeat(srgb_lut()[:, None], 3, axis=1),
        focal35_mm=None,
        reduced=1.0,
    )
    pose = TilePose(
        tile=of,
        view=view,
        design_scale=1.0,
        part_scale=1.0,
        u_part_scale=0.001,
        scale_source="ruler",
        u_scale_ratio=0.003,
        px_per_mm=m,
        tilt_rad=0.0,
        u_view_rad=0.003,
        outline_px=px,
    )
    return photo, pose
