"""A tilted tile on real layers and pixels, and where its rim ends up by light alone.

Printer frame: Z away from the plate, counted from the lowest point of the bare tile's
rim; the layer nearest the film is the latest.  The tile is tilted about its y:
``X = x cos + z sin``, ``Z = (R - x) sin + z cos``.  A tile is even in y, so only y > 0
is worked out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from calib.virtual.tile_resin import LayerLight

Array = NDArray[np.float64]
Volume = NDArray[np.float32]

ROOM_MM = 0.6  # around the tile: blur and print-through
LIP_END_RAD = np.radians(80.0)
RIM_STEPS = 300  # samples from phi 0 to 90 degrees: one in 0.065 mm
OUT_MM = np.arange(-0.16, 0.36, 0.02)  # where a rim is looked for
DOWN_MM, UP_MM, RISE_MM = 0.36, 0.24, 0.015  # heights looked through, in the tile
KERNEL = 4.0  # blurs from its middle to where OpenCV cuts a Gaussian off
GRIP_MM = 1.5  # height over which young material is still soft


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltedShape:
    """What decides a tile's masks: the tile, its tilt, its lip and the printer."""

    radius_mm: float
    thickness_mm: float
    taper_deg: float
    tilt_deg: float
    lip_width_mm: float
    lip_depth_mm: float
    layer_mm: float
    pixel_x_mm: float
    pixel_y_mm: float

    @property
    def lip_drop_mm(self) -> float:
        """How far below the bare rim's lowest point the print starts."""
        return self.lip_depth_mm * float(np.cos(np.radians(self.tilt_deg)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LitRim:
    """Rim by light alone.

    ``phi_rad`` (n,) from 0 to 90 degrees; ``out_mm`` (n,) outline of the bottom face in
    plan beyond its radius, before shrinking; ``height_mm`` (n,) of the rim above the
    start of the print; ``peeled_mm2`` (n,) mean area of the layers that were peeled
    while the rim was soft; ``tall_mm`` height of the whole print.
    """

    phi_rad: Array
    out_mm: Array
    height_mm: Array
    peeled_mm2: Array
    tall_mm: float


@lru_cache(maxsize=64)
def lit_rim(shape: TiltedShape, light: LayerLight) -> LitRim:
    """Slice a tile, light its layers and find its rim.

    The mask of a layer is the section at its mid height, a pixel lit where its centre
    lies inside.  A point at depth u below the film side of layer j has the dose
    ``exp(-u / depth) D_j`` with ``D_j = dose blur(mask_j) + exp(-h / depth) D_(j+1)``;
    it is solid where that is 1 or more.  With a lip, everything below the bottom face
    is sanded off.
    """
    masks = layer_masks(shape)
    dose = _film_side_doses(masks, shape, light)
    phi = np.linspace(0.0, np.pi / 2, RIM_STEPS)
    height = shape.lip_drop_mm + shape.radius_mm * (1 - np.cos(phi)) * np.sin(
        np.radians(shape.tilt_deg)
    )
    area = 2 * masks.sum(axis=(1, 2), dtype=float) * shape.pixel_x_mm * shape.pixel_y_mm
    grip = max(round(GRIP_MM / shape.layer_mm), 1)
    soft = np.convolve(area, np.ones(grip) / grip)[grip - 1 :][: len(area)]
    middle = (np.arange(len(area)) + 0.5) * shape.layer_mm
    return LitRim(
        phi_rad=phi,
        out_mm=_outline(dose, shape, light, phi),
        height_mm=height,
        peeled_mm2=np.interp(height, middle, soft),
        tall_mm=float(len(area) * shape.layer_mm),
    )


def layer_masks(shape: TiltedShape) -> NDArray[np.uint8]:
    """(layers, columns, rows) masks for y > 0, the first layer first."""
    c, s = _turn(shape)
    top_mm = shape.radius_mm * s + shape.thickness_mm * c
    layers = int(np.ceil((top_mm + shape.lip_drop_mm) / shape.layer_mm))
    z_print = (np.arange(layers) + 0.5) * shape.layer_mm - shape.lip_drop_mm
    x_print, y = _pixels(shape)
    fall = shape.radius_mm * s - z_print[:, None]
    x = x_print * c + fall * s
    z = x_print * s - fall * c
    wall = shape.radius_mm - z * np.tan(np.radians(shape.taper_deg))
    inside = (z >= 0) & (z <= shape.thickness_mm) & (x >= 0)
    width = np.where(inside, np.sqrt(np.maximum(wall**2 - x**2, 0.0)), 0.0)
    masks = y < width[:, :, None]
    if shape.lip_depth_mm:
        lip = (z >= -shape.lip_depth_mm) & (z < 0)
        lip &= x > shape.radius_mm * np.cos(LIP_END_RAD)
        outer = np.sqrt(np.maximum(shape.radius_mm**2 - x**2, 0.0))
        inner_mm = shape.radius_mm - shape.lip_width_mm
        inner = np.sqrt(np.maximum(inner_mm**2 - x**2, 0.0))
        ring = (y >= inner[:, :, None]) & (y < outer[:, :, None])
        masks |= ring & lip[:, :, None]
    return masks.astype(np.uint8)


def _turn(shape: TiltedShape) -> tuple[float, float]:
    tilt = np.radians(shape.tilt_deg)
    return float(np.cos(tilt)), float(np.sin(tilt))


def _pixels(shape: TiltedShape) -> tuple[Array, Array]:
    """Centres of the pixels along X and y."""
    c, s = _turn(shape)
    low = -shape.lip_depth_mm * s - ROOM_MM
    high = shape.radius_mm * c + shape.thickness_mm * s + ROOM_MM
    first, last = np.floor(low / shape.pixel_x_mm), np.ceil(high / shape.pixel_x_mm)
    rows = int(np.ceil((shape.radius_mm + ROOM_MM) / shape.pixel_y_mm))
    x = (np.arange(first, last) + 0.5) * shape.pixel_x_mm
    y = (np.arange(rows) + 0.5) * shape.pixel_y_mm
    return np.asarray(x), np.asarray(y)


def _film_side_doses(
    masks: NDArray[np.uint8], shape: TiltedShape, light: LayerLight
) -> Volume:
    """(layers, columns, rows) dose on each layer's film side, over the gel dose."""
    left = float(np.exp(-shape.layer_mm / light.depth_mm))
    out = np.empty(masks.shape, np.float32)
    later = np.zeros(masks.shape[1:], np.float32)
    for j in range(len(masks) - 1, -1, -1):
        later = light.dose * _blurred(masks[j], shape, light) + left * later
        out[j] = later
    return out


def _blurred(
    mask: NDArray[np.uint8], shape: TiltedShape, light: LayerLight
) -> NDArray[np.float32]:
    share, wide_mm = light.halo
    out = np.zeros(mask.shape, np.float32)
    lit = np.flatnonzero(mask.any(axis=1))
    if not len(lit):
        return out
    reach = int(np.ceil(KERNEL * wide_mm / shape.pixel_x_mm)) + 1
    band = slice(max(lit[0] - reach, 0), lit[-1] + reach + 1)
    image = mask[band].astype(np.float32)
    for weight, sigma in ((1 - share, light.core_mm), (share, wide_mm)):
        # y = 0, the mirror's plane, lies on the border of the first row
        out[band] += weight * cv2.GaussianBlur(
            image,
            (0, 0),
            sigmaX=sigma / shape.pixel_y_mm,
            sigmaY=sigma / shape.pixel_x_mm,
            borderType=cv2.BORDER_REFLECT,
        )
    return out


def _outline(
    dose: Volume, shape: TiltedShape, light: LayerLight, phi_rad: Array
) -> Array:
    """Outermost place, at any height, where the dose gels, for each azimuth."""
    c, s = _turn(shape)
    low = 0.0 if shape.lip_depth_mm else -DOWN_MM
    z = np.arange(low, UP_MM, RISE_MM)
    r = shape.radius_mm + OUT_MM
    x = (r[:, None] * np.cos(phi_rad))[..., None]
    y = (r[:, None] * np.sin(phi_rad))[..., None]
    x_print = x * c + z * s
    up = (shape.radius_mm - x) * s + z * c + shape.lip_drop_mm
    log_dose = _log_dose(
        dose, shape, light, (x_print, np.broadcast_to(y, up.shape)), up
    )
    return _outermost(log_dose.max(axis=-1))


def _log_dose(
    dose: Volume,
    shape: TiltedShape,
    light: LayerLight,
    plan_mm: tuple[Array, Array],
    up_mm: Array,
) -> Array:
    """Logarithm of the dose at points of the print; below the first layer it fades."""
    columns, rows = _pixels(shape)
    i = (plan_mm[0] - columns[0]) / shape.pixel_x_mm
    k = np.maximum((plan_mm[1] - rows[0]) / shape.pixel_y_mm, 0.0)  # the mirror
    i0 = np.clip(np.floor(i).astype(np.intp), 0, len(columns) - 2)
    k0 = np.clip(np.floor(k).astype(np.intp), 0, len(rows) - 2)
    layer = np.clip(np.floor(up_mm / shape.layer_mm), 0, len(dose) - 1).astype(np.intp)
    depth = (layer + 1) * shape.layer_mm - up_mm
    total = np.zeros(up_mm.shape)
    for di in (0, 1):
        for dk in (0, 1):
            share = np.abs(1 - di - (i - i0)) * np.abs(1 - dk - (k - k0))
            total += share * dose[layer, i0 + di, k0 + dk]
    return np.asarray(np.log(np.maximum(total, 1e-9)) - depth / light.depth_mm)


def _outermost(log_dose: Array) -> Array:
    """Where (out, phi) doses fall through 1 for the last time, in mm."""
    solid = log_dose >= 0
    last = len(OUT_MM) - 1 - np.argmax(solid[::-1], axis=0)
    last = np.clip(last, 0, len(OUT_MM) - 2)
    at = np.arange(log_dose.shape[1])
    here, beyond = log_dose[last, at], log_dose[last + 1, at]
    share = np.clip(here / (here - beyond), 0.0, 1.0)
    return np.asarray(OUT_MM[last] + share * (OUT_MM[1] - OUT_MM[0]))
