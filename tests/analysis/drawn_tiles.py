"""Plain drawings of rim tiles in perspective: masks, a soft shadow, blur and noise.

Independent of `analysis`' tile modules: only the manifest's numbers are used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.photo import Photo, srgb_lut
from patterns.rim_manifest import RimTile

Floats = NDArray[np.float64]

FOCAL_PX = 1900.0
_OVER = 2
_BITS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A tile on the table: arc centre in mm of the table, turn, damage."""

    tile: RimTile
    x_mm: float
    y_mm: float
    turn_deg: float
    mirrored: bool = False
    broken: bool = False
    filled: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Camera over a table of ``width_mm``; z grows away from the camera."""

    width_px: int = 2000
    height_px: int = 1500
    px_per_mm: float = 14.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    part_scale: float = 1.0
    growth_mm: float = 0.0
    tiles: Sequence[Laid] = field(default_factory=tuple)

    def project(self, points_mm: Floats) -> Floats:
        """Pixels (n, 2) of points (n, 3) in the table's frame; z = 0 the faces."""
        lean = cv2.Rodrigues(np.deg2rad([*self.tilt_deg, 0.0]))[0]
        seen = points_mm @ lean.T
        depth = FOCAL_PX / self.px_per_mm + seen[:, 2:]
        centre = np.array([self.width_px - 1, self.height_px - 1]) / 2
        return np.asarray(centre + FOCAL_PX * seen[:, :2] / depth)

    def tile_px(self, laid: Laid, design_mm: Floats, z_mm: float = 0.0) -> Floats:
        """Pixels of design points (n, 2) of a tile."""
        a = np.deg2rad(laid.turn_deg)
        spin = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        flip = np.diag([1.0, -1.0 if laid.mirrored else 1.0])
        xy = self.part_scale * design_mm @ flip @ spin.T + (laid.x_mm, laid.y_mm)
        return self.project(np.column_stack([xy, np.full(len(xy), z_mm)]))


def body(laid: Laid, growth_mm: float = 0.0) -> Floats:
    """Outline (n, 2) of the bottom face, grown outwards, by the manifest's numbers."""
    tile, g = laid.tile, growth_mm
    radius = tile.radius_mm + g
    phi = np.linspace(-np.pi / 2, np.pi / 2, 241)
    if laid.broken:
        phi = phi[phi < np.deg2rad(25)]
    ring = [(radius * np.cos(p), radius * np.sin(p)) for p in phi]
    if laid.broken:
        ring.append((2.0, 1.0))
        ring.append((-g, 0.5))
    cuts = [n for n in tile.notches if n.cut and n.place not in laid.filled]
    for notch in reversed(cuts):
        if laid.broken and notch.y1_mm > 0:
            continue
        merged_up = any(c.place == notch.place + 1 for c in cuts)
        merged_down = any(c.place == notch.place - 1 for c in cuts)
        y1 = notch.y1_mm - (0 if merged_up else g)
        y0 = notch.y0_mm + (0 if merged_down else g)
        deep = tile.notch_depth_mm - g
        ring += [] if merged_up else [(-g, y1)]
        ring += [(deep, y1), (deep, y0)]
        ring += [] if merged_down else [(-g, y0)]
    return np.array(ring)


def draw(
    table: Table,
    *,
    face: float = 90.0,
    ground: float = 215.0,
    blur_px: float = 0.9,
    noise: float = 2.0,
    background: NDArray[np.uint8] | None = None,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Draw the faces over a shaded table."""
    rng = np.random.default_rng(seed)
    shape = (table.height_px, table.width_px)
    scene = np.full((*shape, 3), ground, dtype=np.float32)
    if background is not None:
        scene = cv2.resize(background, shape[::-1]).astype(np.float32)
    mask = np.zeros(shape, dtype=np.float32)
    for laid in table.tiles:
        px = table.tile_px(laid, body(laid, table.growth_mm))
        mask = np.maximum(mask, _mask(px, shape))
    shade = cv2.GaussianBlur(mask, (0, 0), 0.8 * table.px_per_mm)[..., None]
    scene *= 1 - 0.35 * shade
    scene += mask[..., None] * (face - scene)
    soft = cv2.GaussianBlur(scene, (0, 0), blur_px) + rng.normal(0, noise, scene.shape)
    return np.clip(soft, 0, 255).astype(np.uint8)


def as_photo(rgb8: NDArray[np.uint8], focal35_mm: float | None = None) -> Photo:
    """Wrap pixels as a photo by an sRGB camera."""
    return Photo(
        path="drawn.png",
        rgb8=rgb8,
        linear_lut=np.repeat(srgb_lut()[:, None], 3, axis=1),
        focal35_mm=focal35_mm,
        reduced=1.0,
    )


def _mask(px: Floats, shape: tuple[int, int]) -> NDArray[np.float32]:
    big = np.zeros((shape[0] * _OVER, shape[1] * _OVER), dtype=np.uint8)
    at = np.rint(((px + 0.5) * _OVER - 0.5) * 2**_BITS).astype(np.int32)
    cv2.fillPoly(big, [at], 255, lineType=cv2.LINE_AA, shift=_BITS)
    small = cv2.resize(big, shape[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(small / 255, dtype=np.float32)


def fibres(seed: int, size_px: tuple[int, int] = (1500, 2000)) -> NDArray[np.uint8]:
    """Give a table of wood-like streaks with round and straight things on it."""
    rng = np.random.default_rng(seed)
    streaks = cv2.GaussianBlur(rng.normal(0, 1, size_px), (0, 0), sigmaX=60, sigmaY=1.5)
    grain = 25 * streaks / streaks.std()
    wood = np.array([196.0, 160.0, 120.0]) + grain[..., None]
    scene: NDArray[np.uint8] = np.clip(wood, 0, 255).astype(np.uint8)
    cv2.circle(scene, (1750, 260), 90, (60, 60, 70), -1, cv2.LINE_AA)
    cv2.rectangle(scene, (60, 1380), (1500, 1480), (235, 235, 230), -1)
    for x in range(80, 1490, 13):
        cv2.line(scene, (x, 1382), (x, 1410), (30, 30, 30), 2, cv2.LINE_AA)
    return scene
