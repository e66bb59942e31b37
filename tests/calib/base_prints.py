"""A judge of written bases: prints them virtually and measures every layer's outline.

    python -m tests.calib.base_prints [--count N] [--seed S] [--fitted] [--squeezed]

Knows nothing of the solver: the mesh is sliced, its sections fall on pixels at a
random place of the raster, the doses are those of the virtual printer, whose blur is
two-dimensional.  A layer's departure is its film-side outline against that of the same
base printed with the body's exposure throughout, on the same raster: what a straight
wall would be.  Everything is invented data.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calib.base_flat import plan_with
from calib.flush_model import build_model
from calib.flush_opening import SMALL_MM
from calib.observations import observe
from calib.posterior import fit
from calib.stack import Resins
from calib.virtual.dose import PixelGrid, doses, grid_around, rasterise
from calib.virtual.part import Rings, offset, outline_of
from calib.virtual.printer import print_coupon
from calib.virtual.resin import InventedResin, invent_resin
from calib.wall import Draws, draw
from patterns.base import Section
from patterns.base_sections import polygons, solid
from patterns.base_stack import stand
from tests.bases import ready
from tests.calib.closed_loop import LAYER_MM, PIXEL_MM, coupon, read_directly

if TYPE_CHECKING:
    from collections.abc import Sequence

    import manifold3d

    from calib.flat_plan import FlatPlan
    from patterns.base import Base

Array = NDArray[np.float64]

SUBSAMPLE = 2  # cells a pixel and side: 0.2 um rms of an outline
MARGIN_MM = 1.5
LIGHT_DEPTHS = 6  # layers above that still matter: 1/400 of their light
EVERY_MM = 0.05
NEAR_CORNER_MM = 0.25
FINEST_MM = 0.005  # of a median along a rim on a raster
JUDGED = (
    "disc_25",
    "square_25",
    "hexagon_32_drafted",
    "rectangle_20x40",
    "hole_3_disc_30",
    "slot_1_rectangle_50x25",
    "disc_40_drafted",
    "ell_40",
    "pocket_disc_25",
    "hollow_disc_32",
)


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


def sections_of(solid: manifold3d.Manifold, layers: int, raster: Raster) -> list[Rings]:
    """Slice the lowest layers of a solid that stands on z = 0."""
    cuts = []
    for j in range(layers):
        found = solid.slice((j + raster.cut) * raster.layer_mm).to_polygons()
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a base printed three ways shows: as written, plain, and subtracted.

    ``*_share`` of the rim within the larger of 10 um and half a pixel; ``corner_mm``
    and ``mitre_mm`` the largest departure near a square corner, as written and by
    mitred insets; ``opening_mm`` how far small openings miss their design width, in
    the compensated layers, and ``openings_within`` whether the worst width of each lies
    in its interval; ``left_mm`` largest step of a layer's outline (mean along
    the rim) and ``bare_mm`` that of the plain base.
    """

    name: str
    squeeze_mm: float
    share: float
    bare_share: float
    subtracted_share: float
    corner_mm: float
    mitre_mm: float
    opening_mm: float
    left_mm: float
    bare_mm: float
    within_interval: bool
    openings_within: bool


def judge(
    base: Base,
    plan: FlatPlan,
    resin: InventedResin,
    raster: Raster,
) -> Verdict:
    """Print a written base on a raster, and the same base plain and subtracted."""
    setting = plan.setting
    raised = len(setting.raised_s)
    body = solid(stand(base, plan.layers, plan.layer_mm, plan.sanding_allowance_mm))
    above = light_layers(resin, raster.layer_mm)
    count = min(
        max(raised, len(plan.layers)) + above,
        int(body.bounding_box()[5] / raster.layer_mm),
    )
    normal = [setting.normal_s] * (count - raised)
    exposures = [*setting.raised_s, *normal]
    design = _design(base, count, raster, plan.sanding_allowance_mm)
    (outer,) = polygons(_section(design[0]))
    dry = replace(resin, squeeze_mm=())
    aim = print_sections(design, [setting.normal_s] * count, dry, raster, raised)
    written = print_sections(
        sections_of(body, count, raster), exposures, resin, raster, raised
    )
    bare = print_sections(design, exposures, resin, raster, raised)
    steps = _steps_mm(written, aim, outer)
    bare_steps = _steps_mm(bare, aim, outer)
    corners = [(c.x_mm, c.y_mm) for c in base.rim.corners if abs(c.inside_deg - 90) < 1]
    drawn = {
        name: print_sections(
            [*lower, *design[raised:]], exposures, resin, raster, raised
        )
        for name, lower in (
            ("subtracted", _inset(design, [max(bare_steps[0], 0.0)] * raised)),
            ("mitred", _inset(design, [i.exact_mm for i in plan.insets])),
        )
    }
    pitch = max(raster.pixel_mm)
    straight = {
        name: straightness(made, aim, outer, corners, pitch)
        for name, made in (("written", written), ("bare", bare), *drawn.items())
    }
    worst = int(np.argmax(np.abs(steps)))
    interval = plan.left[worst]
    return Verdict(
        name=base.name,
        squeeze_mm=resin.squeeze_mm[0] if resin.squeeze_mm else 0.0,
        share=straight["written"].share,
        bare_share=straight["bare"].share,
        subtracted_share=straight["subtracted"].share,
        corner_mm=straight["written"].corner_mm,
        mitre_mm=straight["mitred"].corner_mm,
        opening_mm=_openings_mm(base, written),
        left_mm=float(np.abs(steps).max()),
        bare_mm=float(np.abs(bare_steps).max()),
        within_interval=bool(
            interval.low_mm - FINEST_MM <= steps[worst] <= interval.high_mm + FINEST_MM
        ),
        openings_within=_openings_within(plan, written),
    )


def _design(base: Base, count: int, raster: Raster, lift_mm: float) -> list[Rings]:
    """Sections of the design, raised by what will be sanded off."""
    body = solid(base)
    heights = (np.arange(count) + raster.cut) * raster.layer_mm - lift_mm
    heights = np.maximum(heights, raster.cut * raster.layer_mm)
    cuts = []
    for z_mm in heights:
        found = body.slice(float(z_mm)).to_polygons()
        cuts.append(tuple(np.asarray(ring, float) for ring in found))
    return cuts


def _section(rings: Rings) -> Section:
    return Section(
        z_mm=0.0,
        outer=tuple(r for r in rings if shapely.LinearRing(r).is_ccw),
        openings=tuple(r for r in rings if not shapely.LinearRing(r).is_ccw),
    )


def _inset(design: Sequence[Rings], insets_mm: Sequence[float]) -> list[Rings]:
    return [
        offset(rings, -inset, mitred=True)
        for rings, inset in zip(design, insets_mm, strict=False)
    ]


def _steps_mm(
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


def _openings_mm(base: Base, outlines: Sequence[Rings]) -> float:
    """Largest miss of the design width of the small openings, all layers judged."""
    worst = 0.0
    for recess in base.recesses:
        ring = shapely.Polygon(recess.ring)
        circle = shapely.maximum_inscribed_circle(ring, tolerance=1e-3)
        width = 2 * float(circle.length)
        if width < SMALL_MM:
            centre = shapely.get_coordinates(circle)[0]
            at = (float(centre[0]), float(centre[1]))
            for made in outlines:
                worst = max(worst, abs(opening_width_mm(made, at) - width))
    return worst


def _openings_within(plan: FlatPlan, outlines: Sequence[Rings]) -> bool:
    """Whether the small openings are as wide as predicted, where they miss by most."""
    for opening in plan.openings:
        widths = [opening_width_mm(made, opening.at_mm) for made in outlines]
        worst = max(widths, key=lambda width: abs(width - opening.design_mm))
        expected = opening.width
        if not expected.low_mm - FINEST_MM <= worst <= expected.high_mm + FINEST_MM:
            return False
    return True


def known(resin: InventedResin) -> Draws:
    """The model that an invented resin without beam spread follows."""
    share, wide = resin.halo[0] if resin.halo else (0.0, 0.1)
    first, second = (*resin.squeeze_mm, 0.0, 0.0)[:2]
    values = {
        "tc_s": resin.gel_s,
        "depth_mm": resin.depth_mm,
        "core_mm": resin.core_mm,
        "halo_share": share,
        "halo_mm": wide,
        "squeeze_mm": first,
        "squeeze_second_mm": second,
    }
    arrays = {name: np.array([value]) for name, value in values.items()}
    return Draws(batches=(Resins(halo="gaussian", **arrays),))


def try_base(
    name: str, rng: np.random.Generator, *, fitted: bool, squeezed: bool
) -> Verdict:
    """Invent a resin, plan a base, write it and print it.

    ``fitted``: the plan knows the resin from a virtual coupon's readings only.
    """
    transitions = bool(rng.integers(2))
    manifest, setting = coupon(transitions=transitions)
    resin = invent_resin(rng, heavy=fitted and bool(rng.integers(2)), squeezed=squeezed)
    fit_of = None
    if fitted:
        exposures = manifest.exposure_by_layer_s
        part = print_coupon(manifest, exposures, resin)
        read = read_directly(manifest, part, rng)
        fit_of = fit((observe(manifest, read, exposures, manifest.layer_mm),))
        draws = draw(fit_of, 40)
    else:
        resin = replace(resin, spread=0.0)
        draws = known(resin)
    base = ready(name)
    model = build_model(draws, setting, PIXEL_MM, PIXEL_MM)
    plan = plan_with(base, model, fit=fit_of, sanded=squeezed)
    shift = tuple(float(v) for v in rng.uniform(0.0, PIXEL_MM, 2))
    raster = Raster(
        pixel_mm=(PIXEL_MM, PIXEL_MM),
        layer_mm=LAYER_MM,
        shift_mm=(shift[0], shift[1]),
        cut=float(rng.choice([0.3, 0.5, 0.7])),
    )
    return judge(base, plan, replace(resin, part_scale=1.0), raster)


def main() -> None:
    """Judge some bases and print a table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--count", type=int, default=len(JUDGED))
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--fitted", action="store_true")
    ask.add_argument("--squeezed", action="store_true")
    wish = ask.parse_args()
    found = []
    for k in range(wish.count):
        name = JUDGED[k % len(JUDGED)]
        rng = np.random.default_rng([wish.seed, k])  # each can be tried again alone
        verdict = try_base(name, rng, fitted=wish.fitted, squeezed=wish.squeezed)
        found.append(verdict)
        print(
            f"{verdict.name:24} straight {verdict.share:5.1%} (plain "
            f"{verdict.bare_share:4.0%}, subtracted {verdict.subtracted_share:4.0%})  "
            f"corner {1e3 * verdict.corner_mm:4.0f} um (mitred "
            f"{1e3 * verdict.mitre_mm:4.0f})  opening {1e3 * verdict.opening_mm:4.0f} "
            f"um  left {1e3 * verdict.left_mm:4.0f} of {1e3 * verdict.bare_mm:4.0f} um"
            f"{'' if verdict.within_interval else '  OUT OF ITS INTERVAL'}"
            f"{'' if verdict.openings_within else '  OPENING NOT AS PREDICTED'}",
            flush=True,
        )
    shares = np.array([v.share for v in found])
    print(
        f"{len(found)} bases: straight along {shares.mean():.1%} of the rim on the "
        f"mean, {shares.min():.1%} at least; corner "
        f"{1e3 * max(v.corner_mm for v in found):.0f} um, opening "
        f"{1e3 * max(v.opening_mm for v in found):.0f} um at most; "
        f"{sum(v.within_interval for v in found)} leftovers within their interval, "
        f"{sum(v.openings_within for v in found)} with their openings as predicted"
    )


if __name__ == "__main__":
    main()
