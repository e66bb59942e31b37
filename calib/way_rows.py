"""One row of the comparison: what a way gives and takes, for one base."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from calib.prediction import Interval
from calib.rim_merit import SANDING_MM, U_SANDING_MM
from calib.rim_profile import departure_of_step
from calib.roof import free_roof
from calib.suction import Level, Liquid, find_suction
from calib.wall import build_wall, draw, steps_mm
from calib.way_risks import flat_risks, on_plate_mm2, tilted_risks
from calib.ways import (
    FLAT_ENOUGH_MM,
    Resin,
    Sanding,
    Told,
    WallProfile,
    Way,
    WayName,
)
from patterns.base_sections import polygons, sections
from patterns.errors import RimgaugeError

if TYPE_CHECKING:
    import manifold3d
    from numpy.typing import NDArray

    from calib.advised import FlatAdvice, TiltedAdvice
    from calib.flat_plan import FlatPlan
    from calib.wall import Wall
    from calib.way_setup import Setup
    from patterns.base import Base
    from patterns.tilted_spec import TiltedBase

_LEVELS = 100
_PROFILE_DRAWS = 60
_VENT_MM = 2.0  # a vent's length where no wall is known
_EDGE_UNSEEN = "how sharp its edge is was not measured flat."
_NOTHING = Interval(value_mm=0.0, u_mm=0.0, low_mm=0.0, high_mm=0.0)


def flat_row(
    base: Base,
    body: manifold3d.Manifold,
    plan: FlatPlan | RimgaugeError | None,
    advice: FlatAdvice | None,
    setup: Setup,
) -> Way:
    """Describe the base flat on the plate.

    Parameters
    ----------
    base : Base
    body : Manifold
        The base's, in its own frame.
    plan : FlatPlan, error or None
        Its insets; why there are none; None: not solved.
    advice : FlatAdvice or None
        What the flare coupons advise.
    setup : Setup
    """
    levels = _levels(body)
    outline = _outer(shapely.union_all([level.material for level in levels]))
    fits = setup.fits(outline)
    refused = _against(base) or ("" if fits else setup.no_room(outline))
    if not refused and isinstance(plan, RimgaugeError):
        refused = str(plan)
    solved = None if isinstance(plan, RimgaugeError) else plan
    first, worst = _left(solved, advice)
    allowance = 0.0 if solved is None else solved.sanding_allowance_mm
    suction = find_suction(
        levels, on_plate=True, wall_mm=_wall_mm(base), liquid=setup.liquid
    )
    height = base.height_mm + allowance
    return Way(
        name="flat",
        refused=refused,
        tilt_deg=0.0,
        tilt_measured=True,
        departure=worst,
        flare=first,
        profile=_profile(solved, advice),
        sanding=_flat_sanding(solved, worst, setup.tolerance_mm),
        height_mm=height,
        layers=setup.layers(height),
        time=setup.time(height),
        resin=Resin(
            base_ml=base.volume_mm3 / 1000.0,
            extra_ml=allowance * on_plate_mm2(base) / 1000.0,
        ),
        fits=fits,
        suction=suction,
        risks=flat_risks(base, suction, advice),
    )


def tilted_row(
    name: WayName,
    base: Base,
    body: manifold3d.Manifold,
    made: TiltedBase | RimgaugeError,
    advice: TiltedAdvice | None,
    setup: Setup,
) -> Way:
    """Describe the base tilted, bare or with the lip; arguments as :func:`flat_row`."""
    if isinstance(made, RimgaugeError):
        return _refused_row(name, str(made))
    departure = _tilted_departure(made, advice)
    fits = setup.fits(made.footprint)
    posed = body.transform(np.asarray(made.pose, dtype=np.float64))
    suction = find_suction(
        _levels(posed), on_plate=False, wall_mm=_wall_mm(base), liquid=setup.liquid
    )
    return Way(
        name=name,
        refused="" if fits else setup.no_room(made.footprint),
        tilt_deg=made.spec.tilt_deg,
        tilt_measured=departure.interval is not None,
        departure=departure,
        flare=Told(
            interval=_NOTHING,
            words="Only the raft lies on the plate, so no flare reaches the base.",
        ),
        profile=None,
        sanding=_tilted_sanding(made),
        height_mm=made.height_mm,
        layers=setup.layers(made.height_mm),
        time=setup.time(made.height_mm),
        resin=Resin(
            base_ml=base.volume_mm3 / 1000.0,
            extra_ml=(made.resin_mm3 - base.volume_mm3) / 1000.0,
        ),
        fits=fits,
        suction=suction,
        risks=tilted_risks(base, made, suction, advice),
    )


def _refused_row(name: WayName, why: str) -> Way:
    unknown = Told(interval=None, words=why)
    return Way(
        name=name,
        refused=why,
        tilt_deg=math.nan,
        tilt_measured=False,
        departure=unknown,
        flare=unknown,
        profile=None,
        sanding=Sanding(depth_mm=None, words=why),
        height_mm=math.nan,
        layers=None,
        time=None,
        resin=Resin(base_ml=math.nan, extra_ml=math.nan),
        fits=0,
        suction=find_suction([], on_plate=False, wall_mm=_VENT_MM, liquid=Liquid()),
        risks=(),
    )


def _against(base: Base) -> str:
    """Say why a base's form forbids flat; empty: it doesn't."""
    roof = free_roof(base.recesses)
    if roof is not None:
        return roof.words
    if base.flatness_mm <= FLAT_ENOUGH_MM:
        return ""
    return (
        f"Its underside is bent by {base.flatness_mm:.2f} mm, so part of it would hang "
        "above the plate: make it flat in a mesh editor."
    )


def _levels(body: manifold3d.Manifold) -> list[Level]:
    """Cut a body evenly; heights from its lowest point."""
    box = body.bounding_box()
    low, high = float(box[2]), float(box[5])
    middles = low + (np.arange(_LEVELS) + 0.5) / _LEVELS * (high - low)
    return [
        Level(z_mm=cut.z_mm - low, material=shapely.union_all(polygons(cut)))
        for cut in sections(body, middles.tolist())
    ]


def _wall_mm(base: Base) -> float:
    wall = base.rim.thinnest_wall_mm
    return wall if math.isfinite(wall) else _VENT_MM


def _outer(shape: shapely.Geometry) -> shapely.Polygon:
    """Outline of the largest part, without openings."""
    largest = max(shapely.get_parts(shape).tolist(), key=lambda part: part.area)
    return shapely.Polygon(largest.exterior)


def _tilted_departure(made: TiltedBase, advice: TiltedAdvice | None) -> Told:
    """Tell what the tiles say of the tilt that a base is written at."""
    spec = made.spec
    lipped = made.lip is not None
    told = () if advice is None else advice.advice.suggestion.treatments
    treatment = next((t for t in told if t.lipped == lipped), None)
    if advice is None or treatment is None:
        which = "with the lip" if lipped else "without the lip"
        return Told(
            interval=None,
            words=(
                f"Not measured: no rim tile {which} of this bottle "
                "(`rimgauge coupon rims`)."
            ),
        )
    interval = advice.advice.departure_at(spec.tilt_deg, lipped=lipped)
    if interval is None:
        low, high = advice.advice.suggestion.tested_deg
        return Told(
            interval=None,
            words=f"Not measured: the rim tiles stood at {low:g} to {high:g} degrees.",
        )
    at = f"{spec.tilt_deg:.0f} degrees"
    if treatment.at_end and math.isclose(spec.tilt_deg, treatment.tilt_deg):
        at += ", an end of those tested"
    sanded = ", sanding counted" if lipped else ""
    return Told(
        interval=interval,
        words=(
            f"As on the rim tiles of 25 mm at {at}{sanded}; "
            "a base of another size may differ."
        ),
    )


def _left(plan: FlatPlan | None, advice: FlatAdvice | None) -> tuple[Told, Told]:
    """Step of the plate layer, and departure of the finished wall, flat."""
    if plan is not None and plan.guess:
        empty = Told(
            interval=None, words="Not measured: the insets are a guess by rule."
        )
        return empty, empty
    if advice is None:
        empty = Told(
            interval=None,
            words="Not measured: no flare coupon of it (`rimgauge coupon flare`).",
        )
        return empty, empty
    found = advice.suggestion
    bare = found.present.first_layer.value_mm
    without = f"{bare:.2f} mm without insets at {found.present.bottom_exposure_s:g} s"
    if plan is None:
        first, worst = found.suggested.first_layer, found.suggested.worst
        words = f"Largest step of the wall with its insets; {_EDGE_UNSEEN}"
    else:
        first, worst, words = plan.left[0], *_finished(plan)
    return (
        Told(interval=first, words=f"With the insets as written; {without}."),
        Told(interval=departure_of_step(worst), words=words),
    )


def _finished(plan: FlatPlan) -> tuple[Interval, str]:
    """Largest step that sanding leaves, and what it is."""
    gone = math.floor(plan.sanding_allowance_mm / plan.layer_mm + 1e-6)
    worst = max(plan.left[gone:], key=lambda i: abs(i.value_mm), default=_NOTHING)
    if not plan.sanding_allowance_mm:
        return worst, f"Largest step of the wall with its insets; {_EDGE_UNSEEN}"
    value, u = abs(worst.value_mm) + SANDING_MM, math.hypot(worst.u_mm, U_SANDING_MM)
    sanded = Interval(
        value_mm=value, u_mm=u, low_mm=value - 1.96 * u, high_mm=value + 1.96 * u
    )
    return sanded, f"Largest step that sanding leaves, sanding counted; {_EDGE_UNSEEN}"


def _profile(plan: FlatPlan | None, advice: FlatAdvice | None) -> WallProfile | None:
    """Give the wall's typical steps, without insets and with them."""
    if advice is None or (plan is not None and plan.guess):
        return None
    if plan is not None:
        return WallProfile(
            layer_mm=plan.layer_mm,
            plain_mm=tuple(step.value_mm for step in plan.bare),
            written_mm=tuple(step.value_mm for step in plan.left),
        )
    found, present = advice.suggestion, advice.profile.present
    draws = draw(advice.fit, _PROFILE_DRAWS)
    insets = np.array([layer.inset_px for layer in found.layers])
    setting = present.with_bottom(found.bottom_exposure_s)
    plain = build_wall(draws, present, advice.profile.pixel_mm)
    written = build_wall(draws, setting, advice.profile.pixel_mm)
    return WallProfile(
        layer_mm=present.layer_mm,
        plain_mm=_median_steps(plain, np.zeros_like(insets)),
        written_mm=_median_steps(written, insets),
    )


def _median_steps(wall: Wall, inset_px: NDArray[np.intp]) -> tuple[float, ...]:
    return tuple(np.median(steps_mm(wall, inset_px), axis=0).tolist())


def _flat_sanding(plan: FlatPlan | None, worst: Told, tolerance_mm: float) -> Sanding:
    if worst.interval is None:
        return Sanding(
            depth_mm=None,
            words=(
                "How much is to be sanded off isn't known, since the flare isn't: look "
                "at the wall near the plate, and sand what stands out."
            ),
        )
    depth_mm = 0.0 if plan is None else plan.sanding_allowance_mm
    needed = None if plan is None else _needed(plan, tolerance_mm)
    if depth_mm:
        return Sanding(
            depth_mm=depth_mm,
            interval=needed,
            words=(
                f"Sand the underside down by {depth_mm:.2f} mm, which is added to the "
                "height: what insets leave of the flare goes with it."
            ),
        )
    if worst.interval.value_mm > tolerance_mm:
        return Sanding(
            depth_mm=None,
            words=(
                f"Sand the wall: it stands out by {worst.interval.value_mm:.2f} mm "
                "near the plate."
            ),
        )
    return Sanding(
        depth_mm=0.0,
        interval=needed,
        words="Nothing: the underside stays as it comes off the plate.",
    )


def _needed(plan: FlatPlan, tolerance_mm: float) -> Interval:
    """How much must go for the rest to be straight, by the steps' own intervals."""
    low, high = (
        plan.layer_mm
        * max((j + 1 for j, x in enumerate(ends) if x > tolerance_mm), default=0)
        for ends in (
            [step.low_mm for step in plan.left],
            [step.high_mm for step in plan.left],
        )
    )
    return Interval(
        value_mm=plan.sanding_allowance_mm,
        u_mm=(high - low) / (2.0 * 1.96),
        low_mm=low,
        high_mm=high,
    )


def _tilted_sanding(made: TiltedBase) -> Sanding:
    stubs = "the stubs of the contacts level with the underside"
    if made.lip is None:
        return Sanding(depth_mm=made.spec.allowance_mm, words=f"Sand {stubs}.")
    depth = made.lip.depth_mm
    return Sanding(
        depth_mm=depth,
        words=f"Sand the lip of {depth:.2f} mm off, and {stubs}, to the design height.",
    )
