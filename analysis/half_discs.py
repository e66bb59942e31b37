"""Guess where half discs may lie in a picture, whole or in part.

Regions (thresholds of lightness and colour, calm areas, flooding) whose hull is a half
disc give whole ones.  Once their radius is known, edges that agree on the centre of a
circle of that radius give those that no threshold cuts out, and pieces of others.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.candidates import edge_strength, grown_regions, masks

if TYPE_CHECKING:
    from collections.abc import Iterator

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_MOST_SHARE = 0.45
_SPREAD_RATIO = (2.3, 5.2)
"""Variance along the chord over that across; 3.58 for a half disc."""

_COMPACT = (0.0560, 0.0625)
"""Area over squared perimeter; 0.0594 for a half disc."""

_LEAST_CORNERS = 12
_HULL_SAMPLES = 80
_MISFIT = 0.05
_SAME = 0.35
_SECTORS = 72
_RADII = np.array([0.94, 0.97, 1.0, 1.03, 1.06])
_STEEP = 1.2
_NEAR = 0.06
_CELL_PX = 2.0
_LEAST_SECTORS = 11
_FULL_CIRCLE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfDisc:
    """A guess: centre (2,) of the arc and its radius in px, ``turn_rad`` of its middle.

    ``misfit`` is relative to the radius, ``coverage`` the share of the half circle that
    shows as an edge.
    """

    centre_px: Floats
    radius_px: float
    turn_rad: float
    misfit: float
    coverage: float = 1.0

    def homography(self, radius_mm: float) -> Floats:
        """Similarity (3, 3) from the tile's mm to px."""
        scale = self.radius_px / radius_mm
        c, s = scale * np.cos(self.turn_rad), scale * np.sin(self.turn_rad)
        x, y = self.centre_px
        return np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]])


def whole_discs(picture: Bytes, least_radius_px: float) -> list[HalfDisc]:
    """Half discs among the regions of a small picture, best first, each place once."""
    tried: set[tuple[int, ...]] = set()
    found = [
        disc
        for contour in _contours(picture, least_radius_px**2)
        if (disc := _half_disc(contour, tried)) is not None
        and disc.radius_px > least_radius_px
    ]
    return distinct(sorted(found, key=lambda disc: disc.misfit))


def distinct(discs: list[HalfDisc]) -> list[HalfDisc]:
    """Leave out those at the place of an earlier one."""
    kept: list[HalfDisc] = []
    for disc in discs:
        if not any(
            np.linalg.norm(disc.centre_px - other.centre_px) < _SAME * other.radius_px
            and np.cos(disc.turn_rad - other.turn_rad) > 0
            for other in kept
        ):
            kept.append(disc)
    return kept


def _contours(picture: Bytes, least_area: float) -> Iterator[NDArray[np.int32]]:
    most = _MOST_SHARE * picture.shape[0] * picture.shape[1]
    # a hole's rim counts as well, so every other mask, an inverse, tells nothing new
    places = [(mask, 0, 0) for mask in islice(masks(picture), 0, None, 2)]
    places += list(grown_regions(picture, least_area))
    for mask, left, top in places:
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for contour in contours:
            if len(contour) < _LEAST_CORNERS:
                continue
            _, _, w, h = cv2.boundingRect(contour)
            if least_area < w * h < most and 0.4 < w / h < 2.5:
                yield np.asarray(contour + np.array([left, top]), dtype=np.int32)


def _half_disc(
    contour: NDArray[np.int32], tried: set[tuple[int, ...]]
) -> HalfDisc | None:
    """Fit one region, unless one like it was ``tried``."""
    hull = cv2.convexHull(contour)
    moments = cv2.moments(hull)
    area = moments["m00"]
    if area <= 0 or cv2.contourArea(contour) < 0.6 * area:
        return None
    low, high = _COMPACT
    if not low < area / cv2.arcLength(hull, closed=True) ** 2 < high:
        return None
    middle = np.array([moments["m10"], moments["m01"]]) / area
    cell = 0.05 * float(np.sqrt(area))
    key = (*(round(v / cell) for v in middle), round(float(np.log(area)) / 0.05))
    if key in tried:
        return None
    tried.add(key)
    spread = np.array(
        [[moments["mu20"], moments["mu11"]], [moments["mu11"], moments["mu02"]]]
    )
    (across, along), axes = np.linalg.eigh(spread / area)
    low, high = _SPREAD_RATIO
    if not low < along / max(across, 1e-9) < high:
        return None
    rim = _samples(hull[:, 0, :].astype(np.float64))
    axis = axes[:, 0]
    reach = (rim - middle) @ axis
    if reach.max() < -reach.min():  # the arc lies farther from the middle of area
        axis = -axis
    radius = float(np.sqrt(2 * area / np.pi))
    return _fitted(rim, middle - 4 / (3 * np.pi) * radius * axis, radius, axis)


def _samples(polygon: Floats) -> Floats:
    """Points (n, 2) evenly along a closed polygon."""
    closed = np.vstack([polygon, polygon[:1]])
    along = np.concatenate(
        [[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    )
    at = np.linspace(0, along[-1], _HULL_SAMPLES, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])


def _fitted(
    rim: Floats, centre: Floats, radius: float, axis: Floats
) -> HalfDisc | None:
    """Fit circle and chord to the hull's points, by turns."""
    arc = chord = np.zeros(len(rim), dtype=bool)
    line = rim
    for _ in range(3):
        x = (rim - centre) @ axis / radius
        y = (rim - centre) @ np.array([-axis[1], axis[0]]) / radius
        arc, chord = x > 0.2, (x < 0.12) & (np.abs(y) < 0.9)
        if arc.sum() < 15 or chord.sum() < 8:
            return None
        centre, radius = circle_through(rim[arc])
        line = rim[chord] - rim[chord].mean(axis=0)
        normal = np.linalg.svd(line, full_matrices=False)[2][1]
        axis = normal * np.sign(normal @ axis)
    offset = (rim[chord].mean(axis=0) - centre) @ axis / radius
    round_ = np.linalg.norm(rim[arc] - centre, axis=1) / radius - 1
    straight = line @ axis / radius
    misfit = float(np.sqrt(np.mean(np.concatenate([round_, straight]) ** 2)))
    if misfit > _MISFIT or abs(offset) > 3 * _MISFIT:
        return None
    return HalfDisc(
        centre_px=centre,
        radius_px=radius,
        turn_rad=float(np.arctan2(axis[1], axis[0])),
        misfit=misfit + 0.3 * abs(float(offset)),
    )


def circle_through(points: Floats) -> tuple[Floats, float]:
    """Circle of least algebraic misfit (Kasa 1976, from memory): centre and radius."""
    middle = points.mean(axis=0)
    x, y = (points - middle).T
    design = np.column_stack([2 * x, 2 * y, np.ones(len(x))])
    a, b, c = np.linalg.lstsq(design, x**2 + y**2, rcond=None)[0]
    return middle + np.array([a, b]), float(np.sqrt(max(c + a**2 + b**2, 1e-9)))


def arcs_of_radius(
    picture: Bytes, radius_px: float, known_px: list[Floats], share: float = 0.25
) -> list[HalfDisc]:
    """Pieces of rims of about a known radius, the longest first.

    Every steep place votes for the two points a radius away along its gradient, but
    for those within or near one of the polygons ``known_px``.  A piece has to be at
    least about ``share`` of half a circle long.
    """
    soft = cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), (0, 0), 1.0)
    gx, gy = (cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
    fresh = np.ones(picture.shape[:2], np.uint8)
    for polygon in known_px:
        ring = [np.rint(polygon).astype(np.int32)]
        cv2.fillPoly(fresh, ring, 0)
        cv2.polylines(fresh, ring, True, 0, 2 * int(_NEAR * radius_px) + 1)  # noqa: FBT003 - cv2's
    v, u = np.nonzero((edge_strength(picture) > _STEEP) & (fresh > 0))
    steep = np.hypot(gx[v, u], gy[v, u]) + 1e-6
    normal = np.column_stack([gx[v, u] / steep, gy[v, u] / steep])
    at = np.column_stack([u, v]).astype(np.float64)
    margin = 1.2 * radius_px
    rows, columns = picture.shape[:2]
    shape = (
        int((rows + 2 * margin) / _CELL_PX) + 1,
        int((columns + 2 * margin) / _CELL_PX) + 1,
    )
    found = []
    for radius in radius_px * _RADII:
        for sign in (1.0, -1.0):
            votes = _votes((at + sign * radius * normal + margin) / _CELL_PX, shape)
            blur = max(1.0, 0.03 * radius / _CELL_PX)
            votes = cv2.GaussianBlur(votes, (0, 0), blur) * (2 * np.pi * blur**2)
            least = share * np.pi * radius
            for y, x in _peaks(votes, radius / _CELL_PX, least):
                centre = _CELL_PX * np.array([x, y], dtype=np.float64) - margin
                disc = _arc_about(centre, radius, at, -sign * normal)
                if disc is not None:
                    found.append(disc)
    return distinct(sorted(found, key=lambda disc: -disc.coverage))


def _votes(at: Floats, shape: tuple[int, int]) -> NDArray[np.float32]:
    col, row = np.rint(at).astype(np.intp).T
    inside = (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
    flat = np.bincount(
        row[inside] * shape[1] + col[inside], minlength=shape[0] * shape[1]
    )
    return flat.reshape(shape).astype(np.float32)


def _peaks(
    votes: NDArray[np.float32], radius: float, least: float
) -> list[tuple[int, int]]:
    reach = 2 * int(0.2 * radius) + 1
    top = cv2.dilate(votes, np.ones((reach, reach), np.uint8))
    rows, cols = np.nonzero((votes >= top) & (votes > least))
    order = np.argsort(-votes[rows, cols])[:60]
    return [(int(rows[i]), int(cols[i])) for i in order]


def _arc_about(
    centre: Floats, radius: float, at: Floats, outward: Floats
) -> HalfDisc | None:
    """Half circle about ``centre`` that holds most of the edges on the circle."""
    ray = at - centre
    distance = np.linalg.norm(ray, axis=1)
    on = (np.abs(distance / radius - 1) < 0.06) & (
        np.sum(ray * outward, axis=1) > 0.92 * distance
    )
    sector = ((np.arctan2(ray[on, 1], ray[on, 0]) / (2 * np.pi)) % 1 * _SECTORS).astype(
        int
    )
    lit = np.bincount(sector, minlength=_SECTORS)[:_SECTORS] > 0
    if lit.mean() > _FULL_CIRCLE:
        return None
    half = _SECTORS // 2
    twice = np.concatenate([lit, lit]).astype(float)
    total = np.convolve(twice, np.ones(half), "valid")[:_SECTORS]
    if total.max() < _LEAST_SECTORS:
        return None
    best = np.flatnonzero(total == total.max())
    first = int(best[len(best) // 2])
    return HalfDisc(
        centre_px=centre,
        radius_px=radius,
        turn_rad=(first + half / 2) / _SECTORS * 2 * np.pi,
        misfit=0.0,
        coverage=float(total.max()) / half,
    )
