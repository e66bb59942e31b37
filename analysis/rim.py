"""One rim tile, measured in plan: from photo and pose to values with budgets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.arc_form import rough_profile
from analysis.edge_spread import edge_spread
from analysis.rim_back import back_lands, back_straightness
from analysis.rim_edges import smear_mm, trace_edge
from analysis.rim_light import UNREADABLE, rim_light, why_not
from analysis.rim_pixels import arc_course
from analysis.rim_result import RimArc, RimMeasurement
from analysis.rim_uncertainty import (
    EDGE_PX,
    RimDoubt,
    light_mm,
    seen_noise,
    short_scatter_mm,
    skew_mm,
)
from analysis.rim_values import (
    NO_BACK,
    NO_PROFILE,
    measured_arc,
    refused,
    with_roughness,
    with_spread,
    with_upper,
    without,
)
from analysis.roughness import floor_of_scatter, one_photo

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.tile_pose import TilePose


def measure_tile(photo: Photo, pose: TilePose) -> RimMeasurement:
    """Measure everything that a photo in plan tells about one tile.

    Parameters
    ----------
    photo : Photo
    pose : TilePose
        About the rim's centre, see :func:`analysis.rim_centre.centred`.

    Returns
    -------
    RimMeasurement
        Without values, and with the reason, if its rim can't be trusted.
    """
    course = arc_course(pose)
    trace = trace_edge(photo, pose, course)
    light = rim_light(photo, pose, course, trace)
    noise = seen_noise(trace.noise_mm, trace.place_mm)
    arc = RimArc(
        radius_mm=pose.radius_mm,
        phi_rad=course.at_mm / pose.radius_mm,
        residual_mm=trace.place_mm,
        u_mm=np.hypot(noise, light_mm(light.strength)),
        strength=light.strength,
        used=trace.found & (light.strength > UNREADABLE),
        source=np.zeros(len(noise), dtype=np.intp),
        smear_mm=smear_mm(trace),
    )
    bare = _nothing(photo, pose, arc)
    reason = why_not(arc, light.contrast, light.lined)
    if reason is not None:
        return refused(bare, reason)
    measured = measured_arc(bare, arc, _doubt(pose, arc))
    along = arc.phi_rad[arc.used] * pose.radius_mm
    rough = rough_profile(along, arc.residual_mm[arc.used])
    floor = floor_of_scatter(
        float(np.median(trace.noise_mm[arc.used])), short_scatter_mm(rough.profile_mm)
    )
    measured = with_roughness(measured, one_photo(rough, floor, arc.smear_mm))
    measured = with_spread(measured, edge_spread(along, rough, floor, arc.smear_mm))
    straight = back_straightness(back_lands(photo, pose), pose.radius_mm)
    if straight is None:
        return without(measured, "back_straightness", NO_BACK)
    # The wall shows below the edge and only adds to what is seen: a limit.
    limit_mm = straight.value_mm + 2 * straight.u_mm
    return with_upper(measured, "back_straightness", limit_mm)


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
    middle = np.array([[0.4 * pose.radius_mm, 0.0, 0.0]])
    slope = float(np.linalg.norm(pose.ray_slope(middle)))
    return RimDoubt(
        u_view_rad=pose.u_view_rad,
        u_scale_ratio=pose.u_scale_ratio,
        edge_mm=EDGE_PX / pose.px_per_mm,
        roughness_mm=rough.sigma_mm,
        radius_mm=pose.radius_mm,
        skew_mm=skew_mm(pose.radius_mm, slope, pose.u_view_rad),
    )
