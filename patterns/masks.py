"""The mask of each layer of a coupon, and the runs of equal masks."""

from __future__ import annotations

from dataclasses import dataclass

from patterns.manifest import CodeNotch, Hole, Section, Strip, Tooth
from patterns.solids import Rect, outline

END_RECESS_MM = 0.3
PRY_HALF_WIDTH_MM = 1.6
PRY_DEPTH_MM = 2.5
WINDOW_MM = 3.0


@dataclass(frozen=True, slots=True)
class Raster:
    """Whole pixels along x and y."""

    x_mm: float
    y_mm: float

    def x(self, length_mm: float) -> float:
        """Nearest whole number of pixels along x, in mm."""
        return round(round(length_mm / self.x_mm) * self.x_mm, 9)

    def y(self, length_mm: float) -> float:
        """Nearest whole number of pixels along y, in mm."""
        return round(round(length_mm / self.y_mm) * self.y_mm, 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """All that a mask is made of; ``taper_mm`` is the body's (x, y) inset by layer."""

    raster: Raster
    foot_layers: int
    taper_mm: tuple[tuple[float, float], ...]
    half_length_mm: float
    half_width_mm: float
    teeth: tuple[Tooth, ...]
    holes: tuple[Hole, ...]
    strips: tuple[Strip, ...]
    notches: tuple[CodeNotch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """One layer's mask: rectangles added, rectangles and circles taken away."""

    added: tuple[Rect, ...]
    removed: tuple[Rect, ...]
    circles: tuple[tuple[float, float, float], ...]


def layer_mask(features: Features, layer: int) -> Mask:
    """Build the mask of one layer."""
    raster = features.raster
    in_foot = layer < features.foot_layers
    taper_x, taper_y = features.taper_mm[layer]
    recess_x = raster.x(END_RECESS_MM) if in_foot else taper_x
    recess_y = raster.y(END_RECESS_MM) if in_foot else taper_y
    core_x = features.half_length_mm - recess_x
    core_y = features.half_width_mm - taper_y
    removed = [
        _notch_rect(notch, recess_x, recess_y)
        for notch in features.notches
        if notch.cut
    ]
    for strip in features.strips:
        removed += _strip_voids(features, strip, layer)
    if in_foot:
        removed.append(_pry_rect(features))
    return Mask(
        added=(
            Rect(-core_x, -core_y, core_x, core_y),
            *(_tooth_rect(tooth, layer, core_y) for tooth in features.teeth),
        ),
        removed=tuple(removed),
        circles=tuple(
            (h.x_mm, h.y_mm, h.diameter_by_layer_mm[layer] / 2) for h in features.holes
        ),
    )


def _notch_rect(notch: CodeNotch, recess_x: float, recess_y: float) -> Rect:
    depth = notch.depth_mm + recess_x
    half = notch.width_mm / 2 + recess_y
    edge = notch.x_edge_mm
    left, right = (edge - depth, edge) if edge > 0 else (edge, edge + depth)
    return Rect(left, notch.y_mm - half, right, notch.y_mm + half)


def _pry_rect(features: Features) -> Rect:
    """Room under the +x end for the corner of a scraper."""
    half = features.raster.y(PRY_HALF_WIDTH_MM)
    edge = features.half_length_mm
    return Rect(edge - features.raster.x(PRY_DEPTH_MM), -half, edge, half)


def _tooth_rect(tooth: Tooth, layer: int, core_y: float) -> Rect:
    half = tooth.width_mm / 2 - tooth.flank_inset_by_layer_mm[layer]
    end = abs(tooth.y_end_mm) - tooth.inset_by_layer_mm[layer]
    low, high = (core_y, end) if tooth.y_end_mm > 0 else (-end, -core_y)
    return Rect(tooth.x_mm - half, low, tooth.x_mm + half, high)


def _strip_voids(features: Features, strip: Strip, layer: int) -> list[Rect]:
    """Cut the slot itself, or the two windows that leave the bar standing."""
    raster = features.raster
    recess_y = strip.inset_by_layer_mm[layer]
    in_foot = layer < features.foot_layers
    recess_x = raster.x(recess_y) if in_foot else features.taper_mm[layer][0]
    half_x = strip.length_mm / 2 + recess_x
    half_y = strip.width_mm / 2
    left, right = strip.x_mm - half_x, strip.x_mm + half_x
    if strip.kind == "slot":
        return [Rect(left, -half_y - recess_y, right, half_y + recess_y)]
    near, far = half_y - recess_y, half_y + raster.y(WINDOW_MM) + recess_y
    return [Rect(left, near, right, far), Rect(left, -far, right, -near)]


def sections(masks: list[Mask], layer_mm: float) -> tuple[Section, ...]:
    """Outline of each run of equal masks."""
    runs: list[Section] = []
    first = 0
    for layer in range(1, len(masks) + 1):
        if layer < len(masks) and masks[layer] == masks[first]:
            continue
        mask = masks[first]
        runs.append(
            Section(
                first_layer=first,
                last_layer=layer - 1,
                z0_mm=round(first * layer_mm, 9),
                z1_mm=round(layer * layer_mm, 9),
                rings_mm=outline(mask.added, mask.removed, mask.circles),
            )
        )
        first = layer
    return tuple(runs)
