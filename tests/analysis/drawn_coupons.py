"""Plain drawings of coupons in perspective: masks, a soft shadow, blur and noise.

Independent of `analysis`: only the manifest's rings are used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.photo import Photo, srgb_lut
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from patterns.manifest import Manifest

Floats = NDArray[np.float64]

MANIFEST = build_manifest(default_flare_spec())
WIDTH_PX, HEIGHT_PX = 2000, 1500
FOCAL_PX = 1700.0
_SUBPIXEL_BITS = 4
_OVER = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A pinhole camera without distortion over a coupon."""

    px_per_mm: float = 13.0
    turn_deg: float = 0.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    middle_px: tuple[float, float] = (WIDTH_PX / 2, HEIGHT_PX / 2)
    mirrored: bool = False

    def rotation(self) -> Floats:
        spin = cv2.Rodrigues(np.deg2rad([0.0, 0.0, self.turn_deg]))[0]
        lean = cv2.Rodrigues(np.deg2rad([*self.tilt_deg, 0.0]))[0]
        flip = np.diag([1.0, -1.0 if self.mirrored else 1.0, 1.0])
        return np.asarray(lean @ spin @ flip)

    def project(self, points_mm: Floats) -> Floats:
        centre = np.array([WIDTH_PX - 1, HEIGHT_PX - 1]) / 2
        distance = FOCAL_PX / self.px_per_mm
        aside = (np.array(self.middle_px) - centre) / self.px_per_mm
        seen = points_mm @ self.rotation().T + np.array([*aside, distance])
        return np.asarray(centre + FOCAL_PX * seen[:, :2] / seen[:, 2:])


def draw(
    where: Where,
    *,
    face: float = 90.0,
    table: float = 215.0,
    blur_px: float = 0.8,
    background: NDArray[np.uint8] | None = None,
    manifest: Manifest = MANIFEST,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Draw the foot's face over the body over a shaded table."""
    rng = np.random.default_rng(seed)
    scene = np.full((HEIGHT_PX, WIDTH_PX, 3), table, dtype=np.float32)
    if background is not None:
        scene = cv2.resize(background, (WIDTH_PX, HEIGHT_PX)).astype(np.float32)
    foot = manifest.sections[0]
    body = next(s for s in manifest.sections if s.first_layer == manifest.foot_layers)
    top = _mask(where, foot.rings_mm, 0.0)
    both = np.maximum(top, _mask(where, body.rings_mm, manifest.foot_mm))
    scene *= 1 - 0.3 * cv2.GaussianBlur(both, (0, 0), 0.5 * where.px_per_mm)[..., None]
    scene += both[..., None] * (0.85 * face - scene)
    scene += top[..., None] * (face - scene)
    soft = cv2.GaussianBlur(scene, (0, 0), blur_px) + rng.normal(0, 2, scene.shape)
    return np.clip(soft, 0, 255).astype(np.uint8)


def as_photo(rgb8: NDArray[np.uint8], focal35_mm: float | None = None) -> Photo:
    lut = np.repeat(srgb_lut()[:, None], 3, axis=1)
    return Photo(
        path="drawn.png",
        rgb8=rgb8,
        linear_lut=lut,
        focal35_mm=focal35_mm,
        reduced=1.0,
    )


def focal35_mm() -> float:
    return float(FOCAL_PX * 43.2666 / np.hypot(WIDTH_PX, HEIGHT_PX))


def hole_centres_px(where: Where, manifest: Manifest = MANIFEST) -> Floats:
    return where.project(np.array([[h.x_mm, h.y_mm, 0.0] for h in manifest.holes]))


def _mask(
    where: Where, rings_mm: tuple[tuple[tuple[float, float], ...], ...], z_mm: float
) -> NDArray[np.float32]:
    drawn = np.zeros((HEIGHT_PX * _OVER, WIDTH_PX * _OVER), dtype=np.uint8)
    rings = []
    for ring in rings_mm:
        flat = np.array(ring)
        px = where.project(np.column_stack([flat, np.full(len(flat), z_mm)]))
        fine = ((px + 0.5) * _OVER - 0.5) * 2**_SUBPIXEL_BITS
        rings.append(np.rint(fine).astype(np.int32))
    cv2.fillPoly(drawn, rings, (255.0,), cv2.LINE_AA, _SUBPIXEL_BITS)
    small = cv2.resize(drawn, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(small / np.float32(255), dtype=np.float32)
