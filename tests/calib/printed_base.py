"""A solid printed virtually on a raster of pixels, and how straight its wall came out.

Knows nothing of the solver: the mesh is sliced, its sections fall on pixels wherever
the part lies on the raster, the doses are those of the virtual printer, whose blur is
two-dimensional.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calib.virtual.dose import PixelGrid, doses, grid_around, rasterise
from calib.virtual.part import Rings, offset, outline_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    import manifold3d

    from calib.virtual.resin import InventedResin

Array = NDArray[np.float64]

SUBSAMPLE = 2  # cells a pixel and side: 0.2 um rms of an outline
MARGIN_MM = 1.5
LIGHT_DEPTHS = 6  # layers above that still matter: 1/400 of their light
EVERY_MM = 0.05
NEAR_CORNER_MM = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Raster:
    """A printer's pixels, how the part lies on them, and where layers are cut.

    ``shift_mm`` moves the part on the raster; ``cut`` is the share of a layer's height
    at which a slice is taken.
    """

    pixel_mm: tuple[float, float]
    layer_mm: float
    shift_mm: tuple[float, float] = (0.0, 0.0)
    cut: float = 0.5


def sections_of(
    body: manifold3d.Manifold, layers: int, raster: Raster, lift_mm: float = 0.0
) -> list[Rings]:
    """Slice the lowest layers of a body that stands ``lift_mm`` above the plate.

    What lies under it is as its lowest layer.
    """
    heights = (np.arange(layers) + raster.cut) * raster.layer_mm - lift_mm
    heights = np.maximum(heights, raster.cut * raster.layer_mm)
    cuts = []
    for z_mm in heights:
        found = body.slice(float(z_mm)).to_polygons()
        cuts.append(tuple(np.asarray(ring, float) for ring in found))
    return cuts


def print_sections(
    sections: Sequence[Rings],
    exposures_s: Sequence[float],
    resin: InventedResin,
    raster: Raster,
    judged: int,
) -> list[Rings]:
    """Outlines on the film side of the lowest ``judged`` layers, in the part's frame.

    Parameters
    ----------
    sections : sequence of rings
        One a layer, plate layer first; as many as carry light down to the judged ones.
    exposures_s : sequence of float
        One a layer.
    resin : InventedResin
        Its ``squeeze_mm`` is added outside; ``part_scale`` is left out.
    raster : Raster
    judged : int
    """
    shift = np.array(raster.shift_mm)
    moved = [tuple(ring + shift for ring in rings) for rings in sections]
    grid = grid_around(
        [ring for rings in moved for ring in rings], *raster.pixel_mm, MARGIN_MM
    )
    fine = _fine(grid)
    masks: list[NDArray[np.uint8]] = []
    mask_of_layer = []
    for rings in moved:
        mask = rasterise(rings, grid)
        same = [k for k, known in enumerate(masks) if np.array_equal(mask, known)]
        mask_of_layer.append(same[0] if same else len(masks))
        if not same:
            masks.append(mask)
    dose = doses(
        [m.repeat(SUBSAMPLE, axis=0).repeat(SUBSAMPLE, axis=1) for m in masks],
        mask_of_layer,
        exposures_s,
        resin,
        layer_mm=raster.layer_mm,
        pixel_mm=(fine.pixel_x_mm, fine.pixel_y_mm),
        where=[(j, 0.0) for j in range(judged)],
    )
    squeeze = (*resin.squeeze_mm, *[0.0] * judged)
    outlines = []
    for plane, out_mm in zip(dose, squeeze, strict=False):
        rings = offset(outline_of(plane, fine), out_mm)
        outlines.append(tuple(ring - shift for ring in rings))
    return outlines


def light_layers(resin: InventedResin, layer_mm: float) -> int:
    """How many layers above still carry light down."""
    return int(np.ceil(LIGHT_DEPTHS * resin.depth_mm / layer_mm))


def _fine(grid: PixelGrid) -> PixelGrid:
    """The same pixels cut into cells."""
    pitch = np.array([grid.pixel_x_mm, grid.pixel_y_mm]) / SUBSAMPLE
    shift = (SUBSAMPLE - 1) / 2 * pitch
    return PixelGrid(
        x0_mm=grid.x0_mm - float(shift[0]),
        y0_mm=grid.y0_mm - float(shift[1]),
        pixel_x_mm=float(pitch[0]),
        pixel_y_mm=float(pitch[1]),
        shape=(grid.shape[0] * SUBSAMPLE, grid.shape[1] * SUBSAMPLE),
    )


def rim_points(design: shapely.Polygon) -> Array:
    """Places along the outer rim, every 0.05 mm, (n, 2)."""
    rim = design.exterior
    along = np.arange(0.0, rim.length, EVERY_MM)
    return np.asarray(
        shapely.get_coordinates(shapely.line_interpolate_point(rim, along))
    )


def departure_mm(outline: Rings, wanted: Rings, near: Array) -> Array:
    """How far an outline stands outside a wanted one, at the places nearest to points.

    Parameters
    ----------
    outline, wanted : rings
        Film-side outlines of one layer.
    near : (n, 2) array
        Places on the design's rim.

    Returns
    -------
    (n,) array
        Positive outwards.
    """
    at, _ = _nearest(wanted, near)
    there, inwards = _nearest(outline, at)
    away = there - at
    size = np.hypot(away[:, 0], away[:, 1])
    return np.asarray(np.copysign(size, -np.sum(away * inwards, axis=1)))


def _nearest(rings: Rings, points: Array) -> tuple[Array, Array]:
    """Nearest places (n, 2) on some rings, and where their material is, (n, 2).

    Cut so fine that the nearest point ends the nearest side.
    """
    fine = [_cut_fine(ring) for ring in rings]
    starts = np.concatenate(fine)
    ends = np.concatenate([np.roll(ring, -1, axis=0) for ring in fine])
    count = np.arange(len(starts))
    sizes = [len(ring) for ring in fine]
    before = np.concatenate(
        [np.roll(c, 1) for c in np.split(count, np.cumsum(sizes)[:-1])]
    )
    _, vertex = cKDTree(starts).query(points)
    best = np.full(len(points), np.inf)
    place, inwards = np.zeros_like(points), np.zeros_like(points)
    for side in (vertex, before[vertex]):
        along = ends[side] - starts[side]
        length2 = np.maximum(np.sum(along**2, axis=1), 1e-18)
        share = np.sum((points - starts[side]) * along, axis=1) / length2
        found = starts[side] + np.clip(share, 0.0, 1.0)[:, None] * along
        away = np.hypot(*(points - found).T)
        ours = away < best
        best[ours], place[ours] = away[ours], found[ours]
        inwards[ours] = np.column_stack([-along[:, 1], along[:, 0]])[ours]
    return place, inwards


def _cut_fine(ring: Array) -> Array:
    fine = shapely.segmentize(shapely.LinearRing(ring), EVERY_MM)
    return np.asarray(shapely.get_coordinates(fine)[:-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Straightness:
    """How straight a printed wall is: departures of its raised layers.

    ``share`` of the rim at whose places every layer keeps within ``tolerance_mm``;
    ``corner_mm`` the largest departure within 0.25 mm of a corner (0 without one).
    """

    tolerance_mm: float
    share: float
    worst_mm: float
    corner_mm: float


def straightness(
    outlines: Sequence[Rings],
    wanted: Sequence[Rings],
    design: shapely.Polygon,
    corners_mm: Sequence[tuple[float, float]],
    pixel_mm: float,
) -> Straightness:
    """Judge the outer wall of some layers against what they should be."""
    near = rim_points(design)
    departures = np.array(
        [
            np.abs(departure_mm(outline, aim, near))
            for outline, aim in zip(outlines, wanted, strict=True)
        ]
    ).max(axis=0)
    tolerance = max(0.010, pixel_mm / 2)
    corner = 0.0
    for place in corners_mm:
        close = np.hypot(*(near - np.array(place)).T) < NEAR_CORNER_MM
        corner = max(corner, float(departures[close].max(initial=0.0)))
    return Straightness(
        tolerance_mm=tolerance,
        share=float(np.mean(departures <= tolerance)),
        worst_mm=float(departures.max()),
        corner_mm=corner,
    )


def opening_width_mm(outline: Rings, at_mm: tuple[float, float]) -> float:
    """Width of the opening round a place: twice the radius of its largest circle.

    0 where it has closed.
    """
    for ring in outline:
        hole = shapely.Polygon(ring)
        if not hole.exterior.is_ccw and hole.contains(shapely.Point(at_mm)):
            circle = shapely.maximum_inscribed_circle(hole, tolerance=1e-3)
            return 2 * float(circle.length)
    return 0.0


def steps_mm(
    outlines: Sequence[Rings], aim: Sequence[Rings], outer: shapely.Polygon
) -> Array:
    """Median departure of each layer along the rim."""
    near = rim_points(outer)
    return np.array(
        [
            np.median(departure_mm(made, wanted, near))
            for made, wanted in zip(outlines, aim, strict=True)
        ]
    )
