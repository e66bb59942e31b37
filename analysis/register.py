"""Lay a coupon's template onto a picture by its edges, from a rough guess on.

Every edge point looks along its normal for the steepest step of brightness (of either
sign: shadow turns signs round); a small homography in the template's own plane then
moves all points to what they saw, robustly.  The window shrinks from step to step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.template import FLANK, HOLE, ROOT, Template

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.float64]

_SAMPLES = 33
_SUPPORT_WINDOW_MM = 1.0
_SUPPORT_MM = 0.22


@dataclass(frozen=True, slots=True, kw_only=True)
class Support:
    """Share of edge points that see an edge where it should be, by kind and in all.

    By chance about 0.2; ``seen`` (6,) is NaN where no point lies in the picture.
    ``inside`` is the share of points in the picture.
    """

    seen: Floats
    overall: float
    inside: float


def apply(homography: Floats, points: Floats) -> Floats:
    """Map points (n, 2)."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def register(
    picture: NDArray[np.uint8],
    homography: Floats,
    template: Template,
    windows_mm: Sequence[float],
) -> Floats:
    """Refine ``homography`` (template mm to px) by the picture's edges.

    The flanks and roots of the teeth repeat, so they take part only once the window is
    narrower than a gap.
    """
    fine = ~np.isin(template.kind, (FLANK, ROOT))
    for window_mm in windows_mm:
        chosen = fine if window_mm > 0.8 else np.ones_like(fine)
        points, normals = template.points_mm[chosen], template.normals[chosen]
        for _ in range(2):
            offset, weight = look(picture, homography, points, normals, window_mm)
            step = _small_homography(points, normals, offset, weight, template.half_mm)
            homography = homography @ step
            homography = homography / homography[2, 2]
    return homography


def support(
    picture: NDArray[np.uint8], homography: Floats, template: Template
) -> Support:
    """Ask each edge point whether it sees an edge where the template has one."""
    points, normals = template.points_mm, template.normals
    offset, weight = look(picture, homography, points, normals, _SUPPORT_WINDOW_MM)
    inside = weight >= 0
    rims = template.kind == HOLE
    offset = np.where(rims, offset - _rim_shift(offset[rims & (weight > 0)]), offset)
    good = (np.abs(offset) < _SUPPORT_MM) & (weight > 0)
    seen = np.array(
        [
            np.mean(good[(template.kind == kind) & inside])
            if np.any((template.kind == kind) & inside)
            else np.nan
            for kind in range(HOLE + 1)
        ]
    )
    return Support(
        seen=seen,
        overall=float(np.nanmean(seen)),
        inside=float(np.mean(inside)),
    )


def _rim_shift(offset: Floats) -> float:
    """Find how much narrower (by flare) all hole rims are seen, in mm."""
    shifts = np.linspace(-0.5, 0.2, 15)
    near = np.abs(offset[:, None] - shifts) < _SUPPORT_MM
    # of equals the one in the middle: a flat top is no reason to lean
    count = near.sum(axis=0)
    return float(np.mean(shifts[count == count.max()]))


def look(
    picture: NDArray[np.uint8],
    homography: Floats,
    points: Floats,
    normals: Floats,
    window_mm: float,
) -> tuple[Floats, Floats]:
    """Find the steepest step along each normal.

    Returns
    -------
    offset (n,) mm along the normal, and weight (n,): how far the step stands out from
    the rest of its profile, 0 to 1; -1 where the window leaves the picture.
    """
    along = np.linspace(-window_mm, window_mm, _SAMPLES)
    places = points[:, None, :] + along[:, None] * normals[:, None, :]
    px = apply(homography, places.reshape(-1, 2)).reshape(len(points), _SAMPLES, 2)
    height, width = picture.shape[:2]
    inside = np.all(
        (px >= 0) & (px <= np.array([width - 1.0, height - 1.0])), axis=(1, 2)
    )
    at = px.astype(np.float32)
    profile = cv2.remap(
        picture,
        at[:, :, 0],
        at[:, :, 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    span_px = np.linalg.norm(px[:, -1] - px[:, 0], axis=1)
    # compare means over about one px (or one sample) on either side
    reach = max(1, round(_SAMPLES / max(float(np.median(span_px)), 1.0)))
    steep = np.zeros((len(points), _SAMPLES), dtype=np.float32)
    steep[:, reach:-reach] = np.max(
        np.abs(profile[:, 2 * reach :] - profile[:, : -2 * reach]), axis=2
    )
    favoured = steep * (1 - 0.5 * (along / window_mm) ** 2)
    best = np.argmax(favoured, axis=1)
    inner = np.clip(best, 1, _SAMPLES - 2)
    rows = np.arange(len(points))
    before, peak, after = (favoured[rows, inner + k] for k in (-1, 0, 1))
    bend = before - 2 * peak + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    offset = along[inner] + np.clip(shift, -1, 1) * (along[1] - along[0])
    usual = np.mean(steep, axis=1) + 1.0  # one grey level: below that is nothing
    weight = np.clip((steep[rows, inner] / usual - 1.5) / 3.0, 0.0, 1.0)
    return np.asarray(offset, dtype=np.float64), np.where(inside, weight, -1.0)


def _small_homography(
    points: Floats,
    normals: Floats,
    offset: Floats,
    weight: Floats,
    half_mm: tuple[float, float],
) -> Floats:
    """Homography near identity that moves points along normals by ``offset``."""
    scale = half_mm[0]
    x, y = (points / scale).T
    nx, ny = normals.T
    radial = nx * x + ny * y
    design = np.column_stack(
        [nx * x, nx * y, nx, ny * x, ny * y, ny, -radial * x, -radial * y]
    )
    target = offset / scale
    base = np.maximum(weight, 0.0)
    robust = base
    step = np.zeros(8)
    # a ridge of the size of a tenth of the points keeps unseen directions at rest
    ridge = np.diag([1, 1, 0.1, 1, 1, 0.1, 10, 10]) * 1e-3 * max(float(base.sum()), 1.0)
    for _ in range(4):
        normal = design.T @ (robust[:, None] * design) + ridge
        step = np.linalg.solve(normal, design.T @ (robust * target))
        left = np.abs(target - design @ step)
        spread = 1.5 * float(np.median(left[base > 0])) if np.any(base > 0) else 1.0
        cut = max(3 * spread, 0.1 / scale)
        robust = base * np.clip(1 - (left / cut) ** 2, 0, None) ** 2
    a, b, c, d, e, f, g, h = step
    inner = np.array([[1 + a, b, c], [d, 1 + e, f], [g, h, 1.0]])
    to_unit = np.diag([1 / scale, 1 / scale, 1.0])
    return np.asarray(np.linalg.inv(to_unit) @ inner @ to_unit)
