"""Light on the table: a wide sky, a soft lamp from one side, and what stands in it.

A flat thing at height H hides from a table point the share of a Lambertian sky that is
the integral of ``H^2 / (pi (r^2 + H^2)^2)`` over its outline (view factor of a parallel
plate; textbook radiometry, from memory): one half right under its rim.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from calib.virtual.coverage import coverage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calib.virtual.camera import Map

Points = NDArray[np.float64]
Image = NDArray[np.float32]
Rings = tuple[Points, ...]

SHADOW_STEP_PX = 1.5  # between the copies that make up a shadow
STANDS_OUT = 0.05  # of a cell: 5 um in cells of 0.1 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """How the table is lit.

    Parameters
    ----------
    sky : float
        Share of the light that comes evenly from all round; the rest is a lamp.
    lamp_from_deg, lamp_height_deg : float
        Where the lamp stands, counter-clockwise from world x, and its elevation.
    lamp_radius_deg : float
        Angular radius: the softness of its shadow.
    slope_per_mm : (float, float)
        Relative fall of the light along world x and y.
    bounce : float
        Share of the light that a thing sends back into its own contact shadow.
    glow : float
        Share of the table's light that it sends out itself (a lit screen).
    """

    sky: float
    lamp_from_deg: float = 0.0
    lamp_height_deg: float = 45.0
    lamp_radius_deg: float = 6.0
    slope_per_mm: tuple[float, float] = (0.0, 0.0)
    bounce: float = 0.2
    glow: float = 0.0

    @property
    def beside_an_edge(self) -> float:
        """Light on the table right beside a thing, where the lamp reaches."""
        sky = 1 - (1 - self.bounce) / 2
        return self.glow + (1 - self.glow) * (self.sky * sky + 1 - self.sky)

    def level(self, x_mm: Map, y_mm: Map) -> Map:
        """Light without anything in it, 1 at the origin."""
        return 1 + self.slope_per_mm[0] * x_mm + self.slope_per_mm[1] * y_mm

    def on_wall(self, normal_xy: Points) -> Points:
        """Light on an upright wall, over that on the table; normals (..., 2).

        It sees half the sky and half the table, which is taken to send a half back.
        """
        turn = np.radians(self.lamp_from_deg)
        facing = normal_xy @ np.array([np.cos(turn), np.sin(turn)])
        lamp = np.maximum(facing, 0.0) / np.tan(np.radians(self.lamp_height_deg))
        return np.asarray(0.65 * self.sky + (1 - self.sky) * np.minimum(lamp, 1.5))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocker:
    """Something that stands on the table, as slabs one upon the other.

    Each slab is its outline in the world, its lower and its upper height; the highest
    comes first.
    """

    slabs: tuple[tuple[Rings, float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableLight:
    """Light on a rectangle of the table, sampled on a grid."""

    image: Image
    x0_mm: float
    y0_mm: float
    step_mm: float

    def at(self, x_mm: Map, y_mm: Map) -> Image:
        """Read the light at points of the table; outside, the border's value."""
        out = cv2.remap(
            self.image,
            ((x_mm - self.x0_mm) / self.step_mm).astype(np.float32),
            ((y_mm - self.y0_mm) / self.step_mm).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(out, np.float32)


def table_light(
    light: Light, blockers: Sequence[Blocker], *, margin_mm: float, step_mm: float = 0.1
) -> TableLight:
    """Share of the light that reaches the table round some things.

    Parameters
    ----------
    light : Light
        Sky and lamp.
    blockers : sequence of Blocker
        What stands in it; at least one.
    margin_mm : float
        How far beyond their outlines the map reaches.
    step_mm : float
        Pitch of the map.
    """
    points = np.concatenate(
        [ring for b in blockers for rings, _, _ in b.slabs for ring in rings]
    )
    low = points.min(axis=0) - margin_mm
    cols, rows = np.ceil((np.ptp(points, axis=0) + 2 * margin_mm) / step_mm).astype(int)
    shape = (int(rows), int(cols))
    sky, lamp = np.ones(shape, np.float32), np.ones(shape, np.float32)
    for blocker in blockers:
        hidden, shadow = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        higher = np.zeros(shape, np.float32)
        for rings, low_mm, high_mm in blocker.slabs:
            plate = coverage([(ring - low) / step_mm for ring in rings], shape)
            low_px, high_px = low_mm / step_mm, high_mm / step_mm
            # what lies within a higher outline hides no sky that the higher one leaves
            if (plate - higher).max() > STANDS_OUT:
                hidden = np.maximum(hidden, _hidden_sky(plate, high_px))
                higher = np.maximum(higher, plate)
            if light.sky < 1:
                shadow = np.maximum(shadow, _shadow(light, plate, low_px, high_px))
        sky *= 1 - (1 - light.bounce) * hidden
        lamp *= 1 - shadow
    falling = light.sky * sky + (1 - light.sky) * lamp
    image = light.glow + (1 - light.glow) * falling
    return TableLight(
        image=image.astype(np.float32),
        x0_mm=float(low[0]),
        y0_mm=float(low[1]),
        step_mm=step_mm,
    )


def _hidden_sky(plate: Image, height_px: float) -> Image:
    """Share of the sky hidden by a plate at some height, at every table point."""
    rows, cols = (next_fast_len(n, real=True) for n in plate.shape)
    y = np.minimum(np.arange(rows), rows - np.arange(rows))[:, None]
    x = np.minimum(np.arange(cols), cols - np.arange(cols))
    kernel = (height_px**2 / np.pi) / (x * x + y * y + height_px**2) ** 2
    shape = (rows, cols)
    spectrum = rfft2(plate, shape) * rfft2(kernel.astype(np.float32))
    out = irfft2(spectrum, shape)[: plate.shape[0], : plate.shape[1]]
    return np.asarray(np.clip(out, 0, 1), np.float32)


def _shadow(light: Light, plate: Image, low_px: float, high_px: float) -> Image:
    """Share of the lamp hidden by a slab: sharp at its foot, soft farther away."""
    turn, up = np.radians([light.lamp_from_deg, light.lamp_height_deg])
    out = np.zeros_like(plate)
    steps = int(np.ceil((high_px - low_px) / np.tan(up) / SHADOW_STEP_PX)) + 1
    for height in np.linspace(low_px, high_px, steps):
        reach = height / np.tan(up)
        shift = np.array(
            [[1, 0, -reach * np.cos(turn)], [0, 1, -reach * np.sin(turn)]], np.float32
        )
        moved = cv2.warpAffine(plate, shift, plate.shape[::-1])
        soft = height / np.sin(up) * np.tan(np.radians(light.lamp_radius_deg)) / 2
        out = np.maximum(out, cv2.GaussianBlur(moved, (0, 0), max(soft, 0.3)))
    return np.asarray(out, np.float32)
