"""One rim tile, measured in plan: from photo and pose to values with budgets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.arc_form import arc_functionals, rough_profile, straightness
from analysis.chips import find_marks
from analysis.combine import combine_quantities
from analysis.edge_spread import edge_spread
from analysis.result import Component, Quantity
from analysis.rim_edges import STEP_MM, arc_course, back_course, trace_edge
from analysis.rim_light import UNREADABLE, rim_light, why_not
from analysis.rim_result import RimArc, RimMeasurement, RimQuantity
from analysis.rim_uncertainty import (
    EDGE_PX,
    VIEW_LENGTH_MM,
    RimDoubt,
    light_mm,
    noise_of,
    rim_quantity,
)
from analysis.roughness import (
    Roughness,
    floor_of_lands,
    one_photo,
    two_photos,
)
from analysis.stitch import stitch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.photo import Photo
    from analysis.tile_pose import TilePose

Floats = NDArray[np.float64]

PLAN: tuple[RimQuantity, ...] = (
    "radius",
    "form",
    "sag",
    "cos2phi",
    "roughness_sigma",
    "edge_spread",
    "back_straightness",
)
"""What a photo in plan tells."""
NO_PROFILE = "It shows only in a photo of the tile on the edge stand."
NO_BACK = "Too little of the back edge could be read."
NO_SHARP_EDGE = "No sharp edge was found beside the rim to tell the camera's blur by."
LAND_END_MM = 0.4
LEAST_LAND_MM = 0.6
CORNER_MM = 1.2
LEAST_STRAY_MM = 0.03
PIECE_MM = 0.55
"""Straightness is judged by the mean place of pieces of back edge this long."""
LEAST_SPAN_SHARE = 0.6
LANDS_FLOOR_MM = 0.004

_METHODS = {
    "radius": "least-squares circle of the whole arc",
    "sag": "minus the mean over 30 degrees to both sides, against the rest of the arc",
    "cos2phi": "cos 2 phi of the arc beyond 30 degrees",
    "form": "peak to valley about the least-squares circle, Gaussian 2.5 mm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Lands:
    """Back edge between the notches: one (k,) of places along and outwards each."""

    along_mm: tuple[Floats, ...]
    place_mm: tuple[Floats, ...]
    blur_px: float


def measure_tile(photo: Photo, pose: TilePose) -> RimMeasurement:
    """Measure everything that a photo in plan tells about one tile.

    Parameters
    ----------
    photo : Photo
    pose : TilePose

    Returns
    -------
    RimMeasurement
        Without values, and with the reason, if its rim can't be trusted.
    """
    course = arc_course(pose)
    trace = trace_edge(photo, pose, course)
    light = rim_light(photo, pose, course, trace)
    noise = trace.noise_mm
    arc = RimArc(
        phi_rad=course.at_mm / pose.radius_mm,
        residual_mm=trace.place_mm,
        u_mm=np.hypot(noise, light_mm(light.strength)),
        strength=light.strength,
        used=trace.found & (light.strength > UNREADABLE),
        source=np.zeros(len(noise), dtype=np.intp),
    )
    bare = _nothing(photo, pose, arc)
    reason = why_not(arc, light.contrast, light.lined)
    if reason is not None:
        return refused(bare, reason)
    lands = back_lands(photo, pose)
    floor = floor_of_lands(list(lands.place_mm), STEP_MM)
    doubt = _doubt(pose, arc)
    measured = _measured(bare, arc, pose.radius_mm, doubt)
    scale = float(np.median(trace.px_per_mm))
    along = arc.phi_rad[arc.used] * pose.radius_mm
    rough = rough_profile(along, arc.residual_mm[arc.used])
    measured = _with_roughness(measured, one_photo(rough, floor))
    measured = _with_straightness(measured, lands, pose)
    if floor is None:
        return _without(measured, "edge_spread", NO_SHARP_EDGE)
    spread = edge_spread(
        along, rough, floor, trace.blur_px / scale, lands.blur_px / scale
    )
    if spread.width_mm is None or spread.u_mm is None:
        return _with_upper(measured, "edge_spread", spread.upper_mm)
    quantity = _own(
        spread.width_mm,
        spread.u_mm,
        "10-90 width along 1 mm, lateral only, camera's blur removed in quadrature",
    )
    return _with_value(measured, "edge_spread", quantity)


def merge(measurements: Sequence[RimMeasurement]) -> RimMeasurement:
    """Combine what several photos in plan say about one tile.

    Parameters
    ----------
    measurements : sequence of RimMeasurement
        Of one and the same tile, at least one; in profile, too, and refused ones: the
        arc of one in half shade counts where it is lit.

    Returns
    -------
    RimMeasurement
        Form, sag and chips from the stitched arc, roughness from the covariance of the
        photos, the rest combined.

    Raises
    ------
    ValueError
        None, or of different tiles.
    """
    if not measurements or len({m.coupon_id for m in measurements}) != 1:
        raise ValueError("measurements of one tile are needed")
    if len(measurements) == 1:
        return measurements[0]
    plan = [m for m in measurements if m.arc is not None]
    merged = measurements[0] if not plan else plan[0]
    if len(plan) > 1:
        merged = _merged_plan(plan)
    photos = tuple(dict.fromkeys(p for m in measurements for p in m.photos))
    warnings = tuple(dict.fromkeys(w for m in measurements for w in m.warnings))
    merged = replace(merged, photos=photos, warnings=warnings)
    return _combined(merged, measurements, "edge_radius", NO_PROFILE)


def _merged_plan(plan: Sequence[RimMeasurement]) -> RimMeasurement:
    """Combine what was seen in plan; a tile refused everywhere may be whole when joined."""
    best = max(plan, key=lambda m: "sag" in m.values)
    if all("sag" not in m.values and not _is_half_shade(m) for m in plan):
        return best
    usable = [m for m in plan if "sag" in m.values or _is_half_shade(m)]
    arcs = [m.arc for m in usable if m.arc is not None]
    radius = float(np.median([_radius_mm(m) for m in usable]))
    joined = stitch(arcs, radius)
    reasons = {k: why for k, why in best.reasons.items() if k == "part_scale"}
    bare = replace(best, values={}, upper_mm={}, reasons=reasons, arc=joined)
    reason = why_not(joined, 1.0, 0.0)
    if reason is not None:
        return refused(bare, reason)
    merged = _measured(bare, joined, radius, _merged_doubt(usable, joined, radius))
    if len(arcs) > 1:
        merged = _with_roughness(merged, _roughness_of(arcs, radius))
    else:
        merged = _combined(merged, usable, "roughness_sigma", NO_BACK)
    merged = _combined(merged, usable, "edge_spread", NO_SHARP_EDGE)
    return _combined(merged, usable, "back_straightness", NO_BACK)


def _is_half_shade(measured: RimMeasurement) -> bool:
    """Whether shade alone stood in the way: such an arc is good where it is lit."""
    return "half shade" in measured.reasons.get("sag_mm", "")


def refused(bare: RimMeasurement, reason: str) -> RimMeasurement:
    """Give a measurement without values, every one of them with the reason."""
    reasons = {f"{name}_mm": reason for name in PLAN}
    reasons["edge_radius_mm"] = NO_PROFILE
    return replace(bare, values={}, upper_mm={}, reasons=reasons)


def _nothing(photo: Photo, pose: TilePose, arc: RimArc) -> RimMeasurement:
    reasons = {"edge_radius_mm": NO_PROFILE}
    if pose.part_scale is None:
        reasons["part_scale"] = "It is not known to 0.5 %."
    return RimMeasurement(
        coupon_id=pose.tile.coupon_id,
        kind="rim",
        photos=(photo.path,),
        tilt_deg=pose.tile.tilt_deg,
        lipped=pose.tile.lipped,
        part_scale=pose.part_scale,
        u_part_scale=pose.u_part_scale,
        values={},
        upper_mm={},
        chips=(),
        stubs=(),
        chip_limit_mm=None,
        reasons=reasons,
        arc=arc,
    )


def _doubt(pose: TilePose, arc: RimArc) -> RimDoubt:
    rough = rough_profile(
        arc.phi_rad[arc.used] * pose.radius_mm, arc.residual_mm[arc.used]
    )
    return RimDoubt(
        u_view_rad=pose.u_view_rad,
        u_scale_ratio=pose.u_scale_ratio,
        edge_mm=EDGE_PX / pose.px_per_mm,
        roughness_mm=rough.sigma_mm,
        radius_mm=pose.radius_mm,
    )


def _measured(
    bare: RimMeasurement, arc: RimArc, radius_mm: float, doubt: RimDoubt
) -> RimMeasurement:
    """Circle, sag, form and chips of an arc; stubs are no part of the rim."""
    along = arc.phi_rad * radius_mm
    used = arc.used
    marks = find_marks(
        along[used],
        arc.residual_mm[used],
        noise_of(arc.u_mm, arc.strength)[used],
        arc.strength[used],
        radius_mm,
    )
    kept = used.copy()
    for stub in marks.stubs:
        aside = np.abs(np.rad2deg(arc.phi_rad) - stub.phi_deg)
        kept &= np.deg2rad(aside) * radius_mm > stub.width_mm
    form = arc_functionals(arc.phi_rad[kept], arc.residual_mm[kept], radius_mm)
    values: dict[RimQuantity, Quantity] = {}
    for name in ("radius", "form", "sag", "cos2phi"):
        values[name] = rim_quantity(  # type: ignore[index]
            name,
            getattr(form, f"{name}_mm"),
            getattr(form, f"{name}_gain"),
            along[kept],
            arc.u_mm[kept],
            arc.strength[kept],
            doubt,
            _METHODS[name],
        )
    return replace(
        bare,
        values=values,
        chips=marks.chips,
        stubs=marks.stubs,
        chip_limit_mm=marks.limit_mm,
        arc=arc,
    )


def land_spans(pose: TilePose) -> list[tuple[float, float]]:
    """Back edge between the notches, printed mm along y, clear of their corners."""
    tile = pose.tile
    cuts = [(n.y0_mm, n.y1_mm) for n in tile.notches if n.cut]
    ends = [-tile.radius_mm, *(y for cut in sorted(cuts) for y in cut), tile.radius_mm]
    spans = zip(ends[::2], ends[1::2], strict=True)
    clear = [(low + LAND_END_MM, high - LAND_END_MM) for low, high in spans]
    return [
        (float(pose.printed(np.array(low))), float(pose.printed(np.array(high))))
        for low, high in clear
        if high - low >= LEAST_LAND_MM
    ]


def back_lands(photo: Photo, pose: TilePose) -> Lands:
    """Read the back edge between the notches."""
    radius = pose.radius_mm
    course = back_course(-radius + LAND_END_MM, radius - LAND_END_MM)
    at = course.at_mm
    spans = [(at >= low) & (at <= high) for low, high in land_spans(pose)]
    trace = trace_edge(photo, pose, course, clear=np.any(spans, axis=0))
    good = trace.found & (np.abs(at) < radius - CORNER_MM)
    good &= _near_line(at, trace.place_mm, good)
    seen = [span & good for span in spans if good[span].mean() > 0.8]
    return Lands(
        along_mm=tuple(at[span] for span in seen),
        place_mm=tuple(trace.place_mm[span] for span in seen),
        blur_px=trace.blur_px,
    )


def _near_line(
    along_mm: Floats, place_mm: Floats, good: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Samples near the median line: beside a notch its wall is easily followed."""
    near = good.copy()
    for _ in range(3):
        if near.sum() < 3:
            return good
        line = np.polyfit(along_mm[near], place_mm[near], 1)
        off = np.abs(place_mm - np.polyval(line, along_mm))
        typical = 1.4826 * float(np.median(off[near]))
        near = good & (off < max(4 * typical, LEAST_STRAY_MM))
    return near


def _own(value_mm: float, u_mm: float, method: str) -> Quantity:
    return Quantity(
        value_mm=value_mm,
        u_mm=u_mm,
        method=method,
        budget=(Component(name="edge noise", u_mm=u_mm),),
    )


def _with_value(
    measured: RimMeasurement, name: RimQuantity, quantity: Quantity
) -> RimMeasurement:
    return replace(measured, values={**measured.values, name: quantity})


def _with_upper(
    measured: RimMeasurement, name: RimQuantity, upper_mm: float
) -> RimMeasurement:
    return replace(measured, upper_mm={**measured.upper_mm, name: upper_mm})


def _without(measured: RimMeasurement, name: str, why: str) -> RimMeasurement:
    return replace(measured, reasons={**measured.reasons, f"{name}_mm": why})


def _with_roughness(measured: RimMeasurement, rough: Roughness) -> RimMeasurement:
    if rough.sigma_mm is None or rough.u_mm is None:
        return _with_upper(measured, "roughness_sigma", rough.upper_mm)
    quantity = _own(rough.sigma_mm, rough.u_mm, rough.method)
    return _with_value(measured, "roughness_sigma", quantity)


def _with_straightness(
    measured: RimMeasurement, lands: Lands, pose: TilePose
) -> RimMeasurement:
    along, place, noise = _pieces(lands)
    span = LEAST_SPAN_SHARE * 2 * pose.radius_mm
    if len(along) < 5 or float(np.ptp(along)) < span:
        return _without(measured, "back_straightness", NO_BACK)
    line = straightness(along, place)
    u = float(np.sqrt(2) * np.hypot(noise, LANDS_FLOOR_MM))
    quantity = _own(
        line.peak_to_valley_mm,
        u,
        "peak to valley of the back's outline about its least-squares line",
    )
    return _with_value(measured, "back_straightness", quantity)


def _pieces(lands: Lands) -> tuple[Floats, Floats, float]:
    """Mean places of short pieces, and the scatter of such a mean."""
    count = round(PIECE_MM / STEP_MM)
    along, place, scatter = [], [], []
    for x, y in zip(lands.along_mm, lands.place_mm, strict=True):
        for i in range(0, len(x) - count + 1, count):
            along.append(x[i : i + count].mean())
            place.append(np.median(y[i : i + count]))
            scatter.append(np.std(y[i : i + count], ddof=1))
    noise = float(np.median(scatter)) / np.sqrt(count) if scatter else 0.0
    return np.array(along), np.array(place), noise


def _radius_mm(measured: RimMeasurement) -> float:
    """Radius that lengths along the arc are told by."""
    quantity = measured.values.get("radius")
    return 12.5 if quantity is None else quantity.value_mm


def _merged_doubt(
    measurements: Sequence[RimMeasurement], arc: RimArc, radius_mm: float
) -> RimDoubt:
    """View and scale of the photo that gave most of the arc."""
    rough = rough_profile(arc.phi_rad[arc.used] * radius_mm, arc.residual_mm[arc.used])
    known = [m.values["radius"] for m in measurements if "radius" in m.values]

    def largest(name: str, otherwise: float) -> float:
        parts = [c.u_mm for q in known for c in q.budget if c.name == name]
        return max(parts, default=otherwise)

    return RimDoubt(
        u_view_rad=largest("pose", 0.002) / VIEW_LENGTH_MM["radius"],
        u_scale_ratio=largest("ruler", 0.05) / radius_mm,
        edge_mm=largest("light", 0.008),
        roughness_mm=rough.sigma_mm,
        radius_mm=radius_mm,
    )


def _roughness_of(arcs: Sequence[RimArc], radius_mm: float) -> Roughness:
    """Roughness from the two arcs that show most."""
    best = sorted(arcs, key=lambda arc: float(np.mean(arc.used * arc.strength)))[-2:]
    both = best[0].used & best[1].used
    along = best[0].phi_rad[both] * radius_mm
    first, second = (rough_profile(along, arc.residual_mm[both]) for arc in best)
    return two_photos(first, second)


def _combined(
    merged: RimMeasurement,
    photos: Sequence[RimMeasurement],
    name: RimQuantity,
    otherwise: str,
) -> RimMeasurement:
    """Mean of what the photos say; the least upper limit where none gives a value."""
    given = [m.values[name] for m in photos if name in m.values]
    limits = [m.upper_mm[name] for m in photos if name in m.upper_mm]
    key = f"{name}_mm"
    reasons = {k: why for k, why in merged.reasons.items() if k != key}
    merged = replace(
        merged,
        values={k: q for k, q in merged.values.items() if k != name},
        upper_mm={k: limit for k, limit in merged.upper_mm.items() if k != name},
        reasons=reasons,
    )
    if given:
        return _with_value(merged, name, combine_quantities(given))
    if limits:
        return _with_upper(merged, name, min(limits))
    said = [m.reasons[key] for m in photos if key in m.reasons]
    return _without(merged, name, said[0] if said else otherwise)
