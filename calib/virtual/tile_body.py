"""A printed tile as the virtual camera sees it: bottom up on its feet."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.virtual.part import Body, PrintedLayer

if TYPE_CHECKING:
    from calib.virtual.tilted import PrintedTile

Array = NDArray[np.float64]

DRAFT_MM = 1.0  # height over which back edge and notches lean, as the arc does
# heights of slabs over the thickness: fine where walls lean, to keep their stairs small
SLABS = (0.0, 0.04, 0.1, 0.18, 0.27, 0.36, 0.5, 0.67, 0.84, 1.0)


def tile_body(printed: PrintedTile) -> Body:
    """Slabs of a tile in the tile's frame, printed mm, from the bottom face down."""
    tile, scale = printed.tile, printed.part_scale
    heights = (np.array(SLABS) * tile.thickness_mm * scale).tolist()
    layers = tuple(
        PrintedLayer(z0_mm=low, z1_mm=high, rings_mm=(outline(printed, low),))
        for low, high in pairwise(heights)
    )
    feet = max((foot.height_mm for foot in tile.feet), default=0.0)
    return Body(layers=layers, feet_mm=feet * scale)


def outline(printed: PrintedTile, z_mm: float) -> Array:
    """(n, 2) closed outline at a height above the bottom face, printed mm.

    The arc runs from phi = -90 to 90 degrees, which is from +y to -y; the back edge
    with its notches leads back.
    """
    tile, scale = printed.tile, printed.part_scale
    lean = float(np.tan(np.radians(tile.taper_deg)))
    radius = scale * tile.radius_mm + printed.rim_mm - z_mm * lean
    inset = min(z_mm, DRAFT_MM * scale) * lean
    arc = np.column_stack(
        (radius * np.cos(printed.phi_rad), -radius * np.sin(printed.phi_rad))
    )
    arc = arc[arc[:, 0] > inset]
    back = _back_edge(printed, inset, float(arc[-1, 1]), float(arc[0, 1]))
    return np.vstack((arc, back))


def cut_spans_mm(printed: PrintedTile) -> list[tuple[float, float]]:
    """Spans of the back edge's notches on the bottom face, neighbours merged."""
    spans: list[tuple[float, float]] = []
    for notch in sorted(printed.tile.notches, key=lambda notch: notch.y0_mm):
        if not notch.cut:
            continue
        low, high = notch.y0_mm * printed.part_scale, notch.y1_mm * printed.part_scale
        if spans and low - spans[-1][1] < 1e-6:
            spans[-1] = (spans[-1][0], high)
        else:
            spans.append((low, high))
    return spans


def _back_edge(
    printed: PrintedTile, inset_mm: float, y0_mm: float, y1_mm: float
) -> Array:
    """From y0 up to y1, standing out by the tile's own deviation, notches cut in."""
    depth = printed.tile.notch_depth_mm * printed.part_scale + inset_mm
    y, out = printed.back_y_mm, printed.back_mm
    pieces = []
    start = y0_mm
    for low, high in cut_spans_mm(printed):
        pieces.append(_along(y, out, inset_mm, start, low - inset_mm))
        corners = [(depth, low - inset_mm), (depth, high + inset_mm)]
        pieces.append(np.array(corners))
        start = high + inset_mm
    pieces.append(_along(y, out, inset_mm, start, y1_mm))
    return np.vstack(pieces)


def _along(y: Array, out: Array, inset_mm: float, low: float, high: float) -> Array:
    """Back edge between two places, both included."""
    inner = y[(y > low) & (y < high)]
    ends = np.concatenate(([low], inner, [high]))
    return np.column_stack((inset_mm - np.interp(ends, y, out), ends))
