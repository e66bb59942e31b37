"""Pixels round the edge of a standing tile, and what light they would have.

Light on the body goes with the direction that its surface faces (a constant and a
share of each component of the normal: a sky and one soft source), light on the table
linearly with place, both seen through one blur.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.profile_shape import (
    Standing,
    depth_px,
    normals,
    rim_points_mm,
    silhouette,
)

if TYPE_CHECKING:
    from analysis.hub import Hub
    from analysis.photo import Photo

Floats = NDArray[np.float64]

BACK_MM, OUT_MM = 2.4, 0.7
ASIDE_MM, ALONG_WALL_MM = 0.8, 2.1
BAND_MM = 0.45
_REACH_PX = 7
_SPAN_MM = 10.0
_QUARTERS_PX = np.array([[-0.25, -0.25], [0.25, -0.25], [-0.25, 0.25], [0.25, 0.25]])
_PIXEL_PX2 = 1 / 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """Pixels round the edge: ``light`` (h, w) as shares.

    ``used`` (h, w); ``near`` (h, w) where light is blurred into the used; of those
    ``pixels`` (n, 2) in the photo and two points (n, 3) on their lines of sight, in
    the stand's frame.
    """

    origin: Floats
    light: Floats
    used: NDArray[np.bool_]

    near: NDArray[np.bool_]
    pixels: Floats
    far_mm: Floats
    near_mm: Floats

    @classmethod
    def of(
        cls, hub: Hub, origin: Floats, light: Floats, used: NDArray[np.bool_]
    ) -> Patch:
        """Add what does not change while a silhouette is fitted."""
        reach = 2 * _REACH_PX + 1
        near = cv2.dilate(used.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        rows, columns = np.nonzero(near)
        pixels = np.column_stack([columns, rows]) + origin
        low, high = (
            np.column_stack([hub.view.back_project(pixels, z), np.full(len(pixels), z)])
            for z in (0.0, -_SPAN_MM)
        )
        return cls(
            origin=origin,
            light=light,
            used=used,
            near=near,
            pixels=pixels,
            far_mm=low,
            near_mm=high,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self.light.shape[0]), int(self.light.shape[1])


def cut(photo: Photo, hub: Hub, start: Standing) -> Patch | None:
    """Cut out the pixels round the last millimetres of face and wall."""
    corners = _corners(hub, start)
    low = np.floor(corners.min(axis=0)).astype(int) - 2
    high = np.ceil(corners.max(axis=0)).astype(int) + 3
    if np.any(low < 0) or high[0] > photo.width_px or high[1] > photo.height_px:
        return None
    linear = photo.linear(int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    light = linear.astype(np.float64)
    used = np.zeros(light.shape, dtype=np.uint8)
    cv2.fillPoly(used, [np.rint(corners - low).astype(np.int32)], 1)
    light /= max(float(np.percentile(light, 95.0)), 1e-4)
    return Patch.of(hub, low.astype(np.float64), light, used > 0)


def _corners(hub: Hub, standing: Standing) -> Floats:
    radius = standing.tile.radius_mm
    x = np.array([radius - BACK_MM, radius + OUT_MM])
    z = np.array([-ASIDE_MM, ALONG_WALL_MM])
    corners = [(x[0], 0, z[0]), (x[1], 0, z[0]), (x[1], 0, z[1]), (x[0], 0, z[1])]
    return standing.px(hub, np.array(corners))


def _inward_px(hub: Hub, standing: Standing) -> Floats:
    """Direction (2,) from the rim into the tile: back, and away from the face."""
    radius = standing.tile.radius_mm
    ends = standing.px(hub, np.array([[radius, 0.0, 0.0], [radius - 1.0, 0.0, 1.0]]))
    return np.asarray(ends[1] - ends[0])


def band(patch: Patch, hub: Hub, standing: Standing) -> NDArray[np.bool_]:
    """Keep pixels near the silhouette, within the tile's own corner of the picture."""
    pieces = silhouette(
        standing.px(hub, rim_points_mm(standing.tile, standing.radius_mm)),
        _inward_px(hub, standing),
    )
    depth = np.full(patch.shape, np.inf)
    depth[patch.near] = depth_px(pieces, patch.pixels)
    limits = np.zeros(patch.shape, dtype=np.uint8)
    corners = np.rint(_corners(hub, standing) - patch.origin).astype(np.int32)
    cv2.fillPoly(limits, [corners], 1)
    return np.asarray(
        (np.abs(depth) < BAND_MM * hub.px_per_mm) & (limits > 0) & patch.used
    )


def light_basis(patch: Patch, hub: Hub, standing: Standing, blur_px: float) -> Floats:
    """Light of unit size (n, k) at the used pixels: wall, face, table."""
    edge = standing.radius_mm
    pieces = silhouette(
        standing.px(hub, rim_points_mm(standing.tile, edge)), _inward_px(hub, standing)
    )
    pixels = patch.pixels
    depth = depth_px(pieces, pixels)
    cover = _cover(pixels, pieces, depth)
    facing = normals(
        standing.tile,
        edge,
        standing.in_tile(patch.far_mm),
        standing.in_tile(patch.near_mm),
    )
    body, *shades = (
        _blurred(patch, cover * part, blur_px) for part in (1.0, *facing.T)
    )
    x, y = places(patch)
    far = depth[patch.used[patch.near]] / (BAND_MM * hub.px_per_mm)
    table = 1 - body
    columns = [body, *shades, body * x, body * y]
    columns += [table, table * x, table * y, table * np.maximum(far, 0.0)]
    return np.column_stack(columns)


def _cover(pixels: Floats, pieces: tuple[Floats, Floats], depth: Floats) -> Floats:
    """Share of each pixel that is covered: four points where the outline crosses it."""
    cover = (depth < 0).astype(np.float64)
    near = np.flatnonzero(np.abs(depth) < 1.0)
    fine = [
        np.clip(0.5 - 2 * depth_px(pieces, pixels[near] + shift), 0.0, 1.0)
        for shift in _QUARTERS_PX
    ]
    cover[near] = np.mean(fine, axis=0)
    return cover


def _blurred(patch: Patch, light: Floats, blur_px: float) -> Floats:
    """Light of the near pixels (n,), seen blurred by the used ones."""
    whole = np.zeros(patch.shape)
    whole[patch.near] = light
    # the blur is the finished picture's: pixels' own width is part of it
    sigma = float(np.sqrt(max(blur_px**2 - _PIXEL_PX2, 0.01)))
    return np.asarray(cv2.GaussianBlur(whole, (0, 0), sigma)[patch.used])


def places(patch: Patch) -> tuple[Floats, Floats]:
    """Where the used pixels (n,) lie, as shares of the patch from its middle."""
    rows, columns = np.nonzero(patch.used)
    height, width = patch.shape
    return columns / width - 0.5, rows / height - 0.5
