"""What a coupon looks like from above: its edges as points with normals.

Only what every coupon of a layout shares is drawn; the code's notches are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from patterns.manifest import Manifest, Strip

Floats = NDArray[np.float64]

STEP_MM = 0.5
TIP, FLANK, ROOT, END, STRIP, HOLE = range(6)
_END_MARGIN_MM = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """Edge points (n, 2) mm, unit normals (n, 2) and kinds (n,), see TIP ... HOLE.

    ``part`` (n,) numbers the tooth, hole or strip that a point belongs to within its
    kind.  ``half_mm`` is half the coupon's length and width.
    """

    points_mm: Floats
    normals: Floats
    kind: NDArray[np.int64]
    part: NDArray[np.int64]
    half_mm: tuple[float, float]

    def outline_mm(self, margin_mm: float = 0.0) -> Floats:
        """Corners (4, 2) of the enclosing rectangle."""
        x, y = (half + margin_mm for half in self.half_mm)
        return np.array([[-x, -y], [x, -y], [x, y], [-x, y]])


def template_of(manifest: Manifest) -> Template:
    """Draw the coupon's edges."""
    rows: list[tuple[float, float, float, float, int, int]] = []
    for part, tooth in enumerate(manifest.teeth):
        sign = 1.0 if tooth.y_end_mm > 0 else -1.0
        left, right = tooth.x_mm - tooth.width_mm / 2, tooth.x_mm + tooth.width_mm / 2
        low, high = abs(tooth.y_root_mm), abs(tooth.y_end_mm)
        rows += [(x, tooth.y_end_mm, 0.0, sign, TIP, part) for x in _steps(left, right)]
        for y in _steps(low, high):
            rows.append((left, sign * y, -1.0, 0.0, FLANK, part))
            rows.append((right, sign * y, 1.0, 0.0, FLANK, part))
    rows += _roots(manifest)
    rows += _ends(manifest)
    for part, strip in enumerate(manifest.strips):
        for low, high in _windows(manifest, strip):
            rows += _rectangle(strip, low, high, part)
    for part, hole in enumerate(manifest.holes):
        count = round(np.pi * hole.diameter_mm / STEP_MM)
        for phi in 2 * np.pi * np.arange(count) / count:
            c, s, r = np.cos(phi), np.sin(phi), hole.diameter_mm / 2
            rows.append((hole.x_mm + r * c, hole.y_mm + r * s, c, s, HOLE, part))
    table = np.array(rows)
    return Template(
        points_mm=table[:, :2],
        normals=table[:, 2:4],
        kind=table[:, 4].astype(np.int64),
        part=table[:, 5].astype(np.int64),
        half_mm=(manifest.size_mm[0] / 2, manifest.size_mm[1] / 2),
    )


def edge_map(template: Template, px_per_mm: float, margin_mm: float) -> Floats:
    """Draw the edges as soft lines, zero mean, unit norm.

    Returns
    -------
    (rows, columns) array; its middle is the coupon's, x right, y down.
    """
    half = np.asarray(template.half_mm) + margin_mm
    width, height = (round(2 * mm * px_per_mm) for mm in half)
    drawn = np.zeros((height, width), dtype=np.float32)
    at = np.rint((template.points_mm + half) * px_per_mm - 0.5).astype(int)
    drawn[at[:, 1], at[:, 0]] = np.where(template.kind == HOLE, 1.5, 1.0)
    soft = cv2.GaussianBlur(drawn, (0, 0), 0.5 * px_per_mm)
    soft -= soft.mean()
    return np.asarray(soft / np.linalg.norm(soft), dtype=np.float64)


def _steps(low: float, high: float) -> Floats:
    count = max(2, round((high - low) / STEP_MM))
    return np.asarray(low + (high - low) * (np.arange(count) + 0.5) / count)


def _roots(
    manifest: Manifest,
) -> list[tuple[float, float, float, float, int, int]]:
    rows = []
    for side in ("a", "b"):
        teeth = sorted(
            (t for t in manifest.teeth if t.side == side), key=lambda t: t.x_mm
        )
        for part, (one, other) in enumerate(pairwise(teeth)):
            sign = 1.0 if one.y_end_mm > 0 else -1.0
            between = _steps(
                one.x_mm + one.width_mm / 2, other.x_mm - other.width_mm / 2
            )
            rows += [(x, one.y_root_mm, 0.0, sign, ROOT, part) for x in between]
    return rows


def _ends(manifest: Manifest) -> list[tuple[float, float, float, float, int, int]]:
    """Points on the short ends away from every place of the code and the middle."""
    rows = []
    half = manifest.core_half_width_mm
    for part, end in enumerate(("-x", "+x")):
        places = [n for n in manifest.notches if n.end == end]
        middle = [
            n.y_mm for n in places if abs(n.y_mm) == min(abs(m.y_mm) for m in places)
        ]
        pry = min(abs(y) for y in middle)
        for y in _steps(-half, half):
            near = any(
                abs(y - n.y_mm) < n.width_mm / 2 + _END_MARGIN_MM for n in places
            )
            if not near and (end == "-x" or abs(y) > pry):
                x = places[0].x_edge_mm
                rows.append((x, y, float(np.sign(x)), 0.0, END, part))
    return rows


def _windows(manifest: Manifest, strip: Strip) -> list[tuple[float, float]]:
    half = strip.width_mm / 2
    if strip.kind == "slot":
        return [(-half, half)]
    far = half + _window_mm(manifest, strip)
    return [(half, far), (-far, -half)]


def _window_mm(manifest: Manifest, strip: Strip) -> float:
    """Width of the bar's windows, read from the masks' rings beside the bar."""
    last = manifest.sections[-1]
    inset = strip.inset_by_layer_mm[-1]
    edge = strip.y_mm + strip.width_mm / 2 - inset
    for ring in last.rings_mm:
        xs, ys = (np.array([point[axis] for point in ring]) for axis in (0, 1))
        inside = xs.min() < strip.x_mm < xs.max() and len(ring) < 6
        if inside and abs(ys.min() - edge) < 1e-6:
            return float(ys.max() - ys.min()) - 2 * inset
    raise ValueError(f"{strip.name}: no window found in the masks")


def _rectangle(
    strip: Strip, low: float, high: float, part: int
) -> list[tuple[float, float, float, float, int, int]]:
    left, right = strip.x_mm - strip.length_mm / 2, strip.x_mm + strip.length_mm / 2
    rows = []
    for x in _steps(left, right):
        rows.append((x, strip.y_mm + low, 0.0, -1.0, STRIP, part))
        rows.append((x, strip.y_mm + high, 0.0, 1.0, STRIP, part))
    for y in _steps(low, high):
        rows.append((left, strip.y_mm + y, -1.0, 0.0, STRIP, part))
        rows.append((right, strip.y_mm + y, 1.0, 0.0, STRIP, part))
    return rows
