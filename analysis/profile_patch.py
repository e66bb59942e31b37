"""Pixels round the edge of a standing tile, and what light they would have.

Light on the body goes with the direction that its surface faces: a constant and a share
of each component of the normal (a sky and one soft source), and what it reflects at
grazing angles (Schlick's form of Fresnel's reflection), which brightens resin towards
its silhouette.  Light on the table goes linearly with place.  Both are seen through one
blur and through a lens of some width.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.hub_edges import SHARPEN_PX
from analysis.profile_shape import depth_px, hulls_px, normals, silhouette

if TYPE_CHECKING:
    from analysis.hub import Hub
    from analysis.photo import Photo
    from analysis.profile_shape import Standing

Floats = NDArray[np.float64]

BACK_MM, OUT_MM = 2.4, 0.7
ASIDE_MM, ALONG_WALL_MM = 0.8, 2.1
BAND_MM = 0.45
_REACH_PX = 5
_LENS_REACH_PX = 5.0
_SPAN_MM = 10.0
_PIXEL_PX2 = 1 / 12
_FINE, _BITS = 6, 4
"""Outlines are drawn this much finer, their corners by so many bits finer still."""

_MISS_MM = 0.005
_POINTS = np.arange(1, 6) * np.pi / 6
_ASIDE, _SHARE = np.cos(_POINTS), np.sin(_POINTS) ** 2 / 3
"""Across a round lens: Gauss' quadrature with Chebyshev polynomials, second kind."""


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


def trimmed(patch: Patch, hub: Hub, used: NDArray[np.bool_]) -> Patch:
    """Keep no more of a patch than its used pixels (h, w) need."""
    rows, columns = (np.flatnonzero(used.any(axis=axis)) for axis in (1, 0))
    top, left = max(rows[0] - _REACH_PX, 0), max(columns[0] - _REACH_PX, 0)
    kept = np.s_[top : rows[-1] + _REACH_PX + 1, left : columns[-1] + _REACH_PX + 1]
    return Patch.of(
        hub, patch.origin + np.array([left, top]), patch.light[kept], used[kept]
    )


def _corners(hub: Hub, standing: Standing) -> Floats:
    radius = standing.tile.radius_mm
    x = np.array([radius - BACK_MM, radius + OUT_MM])
    z = np.array([-ASIDE_MM, ALONG_WALL_MM])
    corners = [(x[0], 0, z[0]), (x[1], 0, z[0]), (x[1], 0, z[1]), (x[0], 0, z[1])]
    return standing.px(hub, np.array(corners))


def band(patch: Patch, hub: Hub, standing: Standing) -> NDArray[np.bool_]:
    """Keep pixels near the silhouette, within the tile's own corner of the picture."""
    depth = np.full(patch.shape, np.inf)
    depth[patch.near] = depth_px(silhouette(hub, standing), patch.pixels)
    limits = np.zeros(patch.shape, dtype=np.uint8)
    corners = np.rint(_corners(hub, standing) - patch.origin).astype(np.int32)
    cv2.fillPoly(limits, [corners], 1)
    return np.asarray(
        (np.abs(depth) < BAND_MM * hub.px_per_mm) & (limits > 0) & patch.used
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """How the picture is blurred about the edge.

    ``blur_px`` is the standard deviation in the plane in focus, a pixel's own width
    included; ``sharpen`` the share that sharpening added.  ``lens_rad`` is half the
    lens as seen from the rim, ``focus_mm`` how far above the rim's lowest point it is
    focused.
    """

    blur_px: float
    sharpen: float = 0.0
    lens_rad: float = 0.0
    focus_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A silhouette before it is blurred.

    ``depth`` (n,) of the near pixels outside it, in px; of those that some point of the
    lens may see covered, ``seen`` (m,), the ``shades`` (m, 5) of light on the body.
    """

    depth: Floats
    seen: NDArray[np.intp]
    shades: Floats


def body_of(patch: Patch, hub: Hub, standing: Standing) -> Body:
    """Say what faces which way where."""
    depth = depth_px(silhouette(hub, standing), patch.pixels)
    seen = np.flatnonzero(depth < _LENS_REACH_PX)
    far, near = (standing.in_tile(end[seen]) for end in (patch.far_mm, patch.near_mm))
    missed_mm = np.maximum(depth[seen] / hub.px_per_mm + _MISS_MM, 0.0)
    facing = normals(standing.tile, standing.radius_mm, far, near, missed_mm)
    ray = (near - far) / np.linalg.norm(near - far, axis=1)[:, None]
    cosine = np.clip(np.sum(facing * ray, axis=1), 0.0, 1.0)
    shades = np.column_stack([np.ones(len(seen)), facing, (1 - cosine) ** 5])
    return Body(depth=depth, seen=seen, shades=shades)


def light_basis(
    patch: Patch, hub: Hub, standing: Standing, optics: Optics, body: Body
) -> Floats:
    """Light of unit size (n, 11) at the used pixels: body (7), then table (4)."""
    cover = _cover(patch, hub, standing, optics)
    sharp = np.zeros((len(cover), body.shades.shape[1]))
    sharp[body.seen] = cover[body.seen, None] * body.shades
    lit = _blurred(patch, sharp, optics)
    x, y = places(patch)
    whole = lit[:, 0]
    off = body.depth[patch.used[patch.near]] / (BAND_MM * hub.px_per_mm)
    table = 1 - whole
    columns = [*lit.T, whole * x, whole * y]
    columns += [table, table * x, table * y, table * np.maximum(off, 0.0)]
    return np.column_stack(columns)


def _cover(patch: Patch, hub: Hub, standing: Standing, optics: Optics) -> Floats:
    """Share of each near pixel (n,) that is covered, seen through the whole lens.

    Points of the lens that are off the plane of the face see the rim's upper or lower
    half stand out: a blur that is no blur of the picture in the middle of the lens.
    """
    if optics.lens_rad == 0:
        return _drawn(patch, hulls_px(hub, standing)[0])[patch.near] / 255
    hulls = hulls_px(hub, standing, optics.lens_rad * _ASIDE, optics.focus_mm)
    covers = (
        np.float32(share / 255) * _drawn(patch, hull)
        for share, hull in zip(_SHARE, hulls, strict=True)
    )
    return np.asarray(sum(covers))[patch.near]


def _drawn(patch: Patch, hull: Floats) -> NDArray[np.uint8]:
    """Share of each pixel (h, w) that a convex outline covers, of 255."""
    height, width = patch.shape
    fine = np.zeros((height * _FINE, width * _FINE), dtype=np.uint8)
    at = (hull - patch.origin + 0.5) * _FINE - 0.5
    corners = np.rint(at * (1 << _BITS)).astype(np.int32)
    cv2.fillConvexPoly(fine, corners, 255, shift=_BITS)
    small = cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8)


def _blurred(patch: Patch, light: Floats, optics: Optics) -> Floats:
    """Light (n, k) of the near pixels as the used ones (m, k) show it."""
    whole = np.zeros((*patch.shape, light.shape[1]), dtype=np.float32)
    whole[patch.near] = light
    # the blur is the finished picture's: pixels' own width is part of it
    variance = max(optics.blur_px**2 - _PIXEL_PX2, 0.01)
    soft = cv2.GaussianBlur(whole, (0, 0), float(np.sqrt(variance)))
    if optics.sharpen > 0:
        wide = float(np.sqrt(variance + SHARPEN_PX**2))
        softer = cv2.GaussianBlur(whole, (0, 0), wide)
        soft = soft + optics.sharpen * (soft - softer)
    return soft[patch.used].astype(np.float64)


def places(patch: Patch) -> tuple[Floats, Floats]:
    """Where the used pixels (n,) lie, as shares of the patch from its middle."""
    rows, columns = np.nonzero(patch.used)
    height, width = patch.shape
    return columns / width - 0.5, rows / height - 0.5
