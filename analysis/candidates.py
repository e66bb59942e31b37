"""Guess where in a picture a coupon may lie: regions of about its shape.

Several routes see different pictures: thresholds of lightness and of colour, and what
is enclosed by edges.  Each region's rectangle is judged by how well the picture's edges
inside agree with the coupon's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.template import Template, edge_map

if TYPE_CHECKING:
    from collections.abc import Iterator

Floats = NDArray[np.float64]

REGION_LONGEST_PX = 640
_PATCH_PX_PER_MM = 2.0
_PATCH_MARGIN_MM = 1.5
_SEARCH_MM = 5.0
_ASPECT = (2.7, 5.4)
_FILL = 0.78
_SCALES = (0.94, 0.97, 1.0, 1.03)
_REFINED = 5
_CERTAIN = 0.55
"""Score at which no other guess is looked at: nothing else came near 0.4."""
_CUT_FILL = 0.6
_OPENING_PX = 7
_TEETH_MM = 3.0
_SHORTEST = 0.12
"""Least length of a coupon that is looked for, in picture diagonals."""
_SEED_SPACING = 0.02
_TOLERANCES = (8, 14, 24)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """A rough homography (3, 3), template mm to px of the searched picture.

    ``score`` is a correlation of edges: about 0.5 for a coupon, below 0.25 else.
    """

    homography: Floats
    score: float


def guesses(picture: NDArray[np.uint8], template: Template) -> list[Guess]:
    """Rank the places of ``picture`` that may show the coupon whole, best first."""
    return _ranked(picture, _rectangles(_regions(picture)), template)


def opened_guesses(picture: NDArray[np.uint8], template: Template) -> list[Guess]:
    """Rank as :func:`guesses` does, regions cut loose where they hang by a thread."""
    return _ranked(picture, _rectangles(_regions(picture, _OPENING_PX)), template)


def partial_guesses(picture: NDArray[np.uint8], template: Template) -> list[Guess]:
    """Rank the places where the picture's border may cut the coupon, best first."""
    return _ranked(picture, _cut_rectangles(picture, template), template)


def _ranked(
    picture: NDArray[np.uint8], boxes: Iterator[Box], template: Template
) -> list[Guess]:
    edges = edge_strength(picture)
    drawn = _drawn(template)
    rough = sorted(
        ((_quick(edges, box, template, drawn), box) for box in _distinct(boxes)),
        key=lambda scored: -scored[0],
    )
    refined = []
    for _, box in rough[:_REFINED]:
        refined.append(_searched(edges, box, template, drawn))
        if refined[-1].score > _CERTAIN:
            break
    return sorted(refined, key=lambda guess: -guess.score)


def edge_strength(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Gradient, largest channel, over its local mean: weak outlines count too."""
    soft = cv2.GaussianBlur(picture, (0, 0), 1.0)
    across, down = (
        _largest(np.abs(cv2.Sobel(soft, cv2.CV_16S, dx, 1 - dx))) for dx in (1, 0)
    )
    steep = cv2.magnitude(across, down)
    reach = max(picture.shape) // 50 * 2 + 1
    around = cv2.blur(cv2.blur(steep, (reach, reach)), (reach, reach))
    return np.asarray(np.minimum(steep / (around + 2.0), 6.0), dtype=np.float32)


def _largest(planes: NDArray[np.int16]) -> NDArray[np.float32]:
    first, second, third = cv2.split(planes)
    return np.asarray(cv2.max(cv2.max(first, second), third), dtype=np.float32)


def shrunk(picture: NDArray[np.uint8], factor: float) -> NDArray[np.uint8]:
    """Average pixels to a smaller picture."""
    small = cv2.resize(
        picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA
    )
    return np.asarray(small, dtype=np.uint8)


Box = tuple[float, float, float, float]
"""Centre x, y (px), direction of the long side (rad), its length (px)."""


def _rectangles(regions: Iterator[_Region]) -> Iterator[Box]:
    for (x, y), (long, short), turn, fill, _ in regions:
        if _ASPECT[0] < long / short < _ASPECT[1] and fill > _FILL:
            yield x, y, turn, long


def _cut_rectangles(picture: NDArray[np.uint8], template: Template) -> Iterator[Box]:
    """Whole coupons of which a region at the border may be a part.

    Seen is the full width and a part of the length, or the other way round; the region
    may or may not include the teeth.
    """
    half_length, half_width = template.half_mm
    for (x, y), (long, short), turn, fill, at_border in _regions(picture):
        if not at_border or fill < _CUT_FILL or long / short > 2 * _ASPECT[1]:
            continue
        axis = np.array([np.cos(turn), np.sin(turn)])
        for width_mm in (2 * half_width, 2 * half_width - 2 * _TEETH_MM):
            length = short / width_mm * 2 * half_length
            for sign in (-1, 1) if length > long else ():
                aside = sign * (length - long) / 2 * axis
                yield x + aside[0], y + aside[1], turn, length
        width = long / half_length * half_width
        for sign in (-1, 1) if width > short else ():
            aside = sign * (width - short) / 2 * np.array([-axis[1], axis[0]])
            yield x + aside[0], y + aside[1], turn, long


_Region = tuple[tuple[float, float], tuple[float, float], float, float, bool]
"""Middle (px), long and short side (px), direction of the long one (rad), share of the
rectangle that is filled, whether it touches the picture's border."""


def _regions(picture: NDArray[np.uint8], opening_px: int = 1) -> Iterator[_Region]:
    factor = min(1.0, REGION_LONGEST_PX / max(picture.shape[:2]))
    small = shrunk(picture, factor)
    height, width = small.shape[:2]
    least = _SHORTEST * float(np.hypot(width, height))
    contours = [
        contour for mask in masks(small) for contour in _outlines(mask, opening_px)
    ]
    contours += [
        contour + np.array([left, top])
        for mask, left, top in grown_regions(small, least**2 / 8)
        for contour in _outlines(mask, opening_px)
    ]
    for contour in contours:
        if len(contour) < 4:
            continue
        left, top, w, h = cv2.boundingRect(contour)
        if max(w, h) < 0.7 * least:
            continue
        (x, y), (w_px, h_px), angle = cv2.minAreaRect(contour)
        long, short = max(w_px, h_px), min(w_px, h_px)
        if long < least or short < least / 8:
            continue
        yield (
            ((x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5),
            (long / factor, short / factor),
            float(np.deg2rad(angle if w_px >= h_px else angle + 90)),
            cv2.contourArea(contour) / (long * short),
            min(left, top) <= 1 or left + w >= width - 1 or top + h >= height - 1,
        )


def _outlines(mask: NDArray[np.uint8], opening_px: int) -> list[NDArray[np.int32]]:
    if opening_px > 1:
        kernel = np.ones((opening_px, opening_px), np.uint8)
        padded = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
        mask = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_OPEN, kernel)[1:-1, 1:-1])
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return [np.asarray(contour, dtype=np.int32) for contour in contours]


def grown_regions(
    small: NDArray[np.uint8], least_area: float
) -> Iterator[tuple[NDArray[np.uint8], int, int]]:
    """Regions near the colour of a seed, seeds all over: mask, its left and top."""
    soft = cv2.medianBlur(small, 5)
    height, width = soft.shape[:2]
    spacing = max(8, round(_SEED_SPACING * max(height, width)))
    seeds = [
        (x, y)
        for y in range(spacing // 2, height, spacing)
        for x in range(spacing // 2, width, spacing)
    ]
    flags = 4 | cv2.FLOODFILL_MASK_ONLY | cv2.FLOODFILL_FIXED_RANGE
    for tolerance in _TOLERANCES:
        grown = np.zeros((height + 2, width + 2), dtype=np.uint8)
        mark = 0
        for x, y in seeds:
            if grown[y + 1, x + 1]:
                continue
            mark = mark % 255 + 1
            near = (tolerance,) * 3
            area, _, _, (left, top, w, h) = cv2.floodFill(
                soft, grown, (x, y), (0, 0, 0), near, near, flags | mark << 8
            )
            if area >= least_area:
                inside = grown[top + 1 : top + h + 1, left + 1 : left + w + 1] == mark
                yield inside.astype(np.uint8), left, top


def masks(small: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """Masks in which the coupon may be one region."""
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 0.8), cv2.COLOR_RGB2LAB)
    for channel, levels in ((0, 14), (1, 5), (2, 5)):
        plane = np.ascontiguousarray(lab[:, :, channel])
        low, high = np.percentile(plane, (0.5, 99.5))
        if high - low < 8:
            continue
        for level in np.linspace(low, high, levels + 2)[1:-1]:
            above = (plane > level).astype(np.uint8)
            yield above
            yield np.asarray(1 - above, dtype=np.uint8)
    strength = edge_strength(small)
    kernel = np.ones((3, 3), np.uint8)
    for level in (0.8, 1.2, 1.8, 2.6):
        calm = (strength < level).astype(np.uint8)
        yield calm
        yield np.asarray(cv2.erode(calm, kernel), dtype=np.uint8)


def _distinct(boxes: Iterator[Box]) -> Iterator[Box]:
    kept: list[Box] = []
    for box in boxes:
        x, y, turn, length = box
        for other in kept:
            near = np.hypot(x - other[0], y - other[1]) < 0.02 * length
            alike = abs(np.log(length / other[3])) < 0.02
            parallel = abs(np.sin(turn - other[2])) < 0.02
            if near and alike and parallel:
                break
        else:
            kept.append(box)
            yield box


def _from_box(box: Box, template: Template) -> Floats:
    x, y, turn, length = box
    scale = length / (2 * template.half_mm[0])
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1.0]])


def _patch(
    edges: NDArray[np.float32], homography: Floats, template: Template, margin_mm: float
) -> NDArray[np.float32]:
    half = np.asarray(template.half_mm) + margin_mm
    width, height = (round(2 * mm * _PATCH_PX_PER_MM) for mm in half)
    to_mm = np.array(
        [
            [1 / _PATCH_PX_PER_MM, 0, -half[0] + 0.5 / _PATCH_PX_PER_MM],
            [0, 1 / _PATCH_PX_PER_MM, -half[1] + 0.5 / _PATCH_PX_PER_MM],
            [0, 0, 1.0],
        ]
    )
    back = homography @ to_mm
    # the picture is finer than the patch: soften it to the patch's own resolution
    warped = cv2.warpPerspective(
        edges, back, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return np.asarray(cv2.GaussianBlur(warped, (0, 0), 0.8), dtype=np.float32)


_FLIPS = ((1, 1), (-1, -1), (1, -1), (-1, 1))


_Drawn = list[tuple[tuple[int, int], NDArray[np.float32]]]


def _drawn(template: Template) -> _Drawn:
    plain = edge_map(template, _PATCH_PX_PER_MM, _PATCH_MARGIN_MM).astype(np.float32)
    return [((fx, fy), np.ascontiguousarray(plain[::fy, ::fx])) for fx, fy in _FLIPS]


def _quick(
    edges: NDArray[np.float32], box: Box, template: Template, drawn: _Drawn
) -> float:
    patch = _patch(edges, _from_box(box, template), template, _PATCH_MARGIN_MM + 3)
    return max(
        cv2.minMaxLoc(cv2.matchTemplate(patch, plain, cv2.TM_CCOEFF_NORMED))[1]
        for _, plain in drawn[:2]
    )


def _searched(
    edges: NDArray[np.float32], box: Box, template: Template, drawn: _Drawn
) -> Guess:
    best = Guess(homography=_from_box(box, template), score=-1.0)
    x, y, turn, length = box
    for stretch in _SCALES:
        base = _from_box((x, y, turn, length * stretch), template)
        patch = _patch(edges, base, template, _PATCH_MARGIN_MM + _SEARCH_MM)
        for (fx, fy), plain in drawn:
            match = cv2.matchTemplate(patch, plain, cv2.TM_CCOEFF_NORMED)
            _, score, _, place = cv2.minMaxLoc(match)
            if score > best.score:
                aside = np.array(place) / _PATCH_PX_PER_MM - _SEARCH_MM
                shift = np.array([[1, 0, aside[0]], [0, 1, aside[1]], [0, 0, 1.0]])
                best = Guess(
                    homography=base @ shift @ np.diag([fx, fy, 1.0]), score=score
                )
    return best
