"""From the edges of one coupon to its flare: which sides serve, and the result."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.body import body_growth
from analysis.hinge import ROUNDING_MM
from analysis.ladder import (
    FLUSH_MM,
    FLUSH_RANGE_MM,
    U_HEIGHT_MM,
    Growths,
    LadderFit,
    fit_ladders,
    flanks_serve,
    tooth_edges,
    tooth_growths,
)
from analysis.light import SHADOW_STEP
from analysis.outline import projected_outline
from analysis.reading import EdgeReadings, read_edges
from analysis.refusals import refuse
from analysis.result import CouponMeasurement, Quantity, Refusal, ToothReading
from analysis.uncertainty import budget, combined_u, with_component

if TYPE_CHECKING:
    from analysis.photo import Photo
    from analysis.pose import Pose
    from patterns.manifest import Manifest, Tooth

Floats = NDArray[np.float64]

MOST_SHADED = 5
MOST_SCATTER_MM = 0.008
MOST_MISFIT = 4.0
MOST_APART_MM = 0.08
FEWEST_REFERENCES = 4
FEWEST_TEETH = 14
LOW_CONTRAST = 0.45
"""Open table and part differ by less than this share of the brighter one."""
U_RASTER_SHARE = 0.02
"""Teeth meet the mask's raster alike; what is left of a pixel (assumed)."""
U_HINGE_MM = 0.003
"""Model doubt of the flare read from teeth that stand out (assumed)."""
U_FLUSH_MM = 0.006
BRACKET_MM = 0.02
COVER = 2.0
HIDDEN = "from this line of sight its outermost layer lies behind another"
OUTLIER = "it does not fit the other teeth: dust, damage or a shadow"


def measure_coupon(
    photo: Photo, manifest: Manifest, pose: Pose
) -> CouponMeasurement | Refusal:
    """Measure one flare coupon whose pose is known.

    Parameters
    ----------
    photo : Photo
    manifest : Manifest
    pose : Pose

    Returns
    -------
    CouponMeasurement or Refusal
        ``one_sided_light`` or ``low_contrast`` if neither long side serves.
    """
    return measure_readings(read_edges(photo, manifest, pose), manifest, pose)


def measure_readings(
    readings: EdgeReadings, manifest: Manifest, pose: Pose
) -> CouponMeasurement | Refusal:
    """As :func:`measure_coupon`, from edges that were read before."""
    faults = {side: side_fault(readings, manifest, side) for side in ("a", "b")}
    faults |= disagreement(readings, manifest, faults)
    sides = tuple(side for side, fault in faults.items() if fault is None)
    if not sides:
        return _neither_side(readings)
    fit = _fit(readings, manifest, sides)
    growths = tooth_growths(fit, readings)
    covariance = _growth_covariance(fit, growths, pose)
    flare, upper = _flare(fit, growths, covariance, readings, manifest, pose)
    flush = _flush(fit, growths, covariance, readings, manifest, pose)
    body = body_growth(readings, manifest, sides, pose.u_view_rad)
    teeth = _tooth_readings(fit, growths, covariance, readings, manifest, faults)
    names, picked = _used(teeth, growths, readings)
    warnings = list(pose.warnings)
    warnings += [f"Side {s} is left out: {f}." for s, f in faults.items() if f]
    reasons = _reasons(pose, flare, upper, body, flush)
    if flush is None:
        warnings.append(reasons["flush_inset_mm"])
    return CouponMeasurement(
        coupon_id=manifest.coupon_id,
        kind="flare",
        part_scale=pose.part_scale,
        u_part_scale=pose.u_part_scale,
        flare=flare,
        flare_upper_mm=upper,
        body_growth=body,
        flush_inset=flush,
        teeth=teeth,
        covariance_names=names,
        growth_cov_mm2=covariance[np.ix_(picked, picked)],
        warnings=tuple(warnings),
        reasons=reasons,
    )


def side_fault(readings: EdgeReadings, manifest: Manifest, side: str) -> str | None:
    """Say why a long side can't be used, or None."""
    rows = readings.chosen(f"end {side}")
    good = readings.good[rows]
    shaded = int((readings.ratio[rows] < SHADOW_STEP).sum())
    if shaded > MOST_SHADED:
        return f"{shaded} of its {len(rows)} teeth lie in shadow or lack contrast"
    if good.sum() < FEWEST_TEETH:
        return f"only {good.sum()} of its {len(rows)} teeth can be read"
    scatter = _reference_scatter_mm(readings, manifest, side)
    if scatter is None:
        return "too few of its reference teeth can be read"
    if scatter > MOST_SCATTER_MM:
        return f"its reference teeth scatter by {1e3 * scatter:.0f} um"
    if np.median(readings.misfit[rows][good]) > MOST_MISFIT:
        return "its edges do not look like edges in even light"
    return None


def disagreement(
    readings: EdgeReadings, manifest: Manifest, faults: dict[str, str | None]
) -> dict[str, str | None]:
    """Fault of the weaker side where both would serve but don't agree on the body.

    A shaded side can look clean and be 100 um out; the pose tells opposite sides' body
    edges to within a few hundredths of a millimetre.
    """
    if any(faults.values()):
        return {}
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    level, strength = {}, {}
    for side in faults:
        rows = np.array(
            [
                i
                for i in readings.chosen(f"end {side}")
                if readings.good[i] and readings.edges[i].owner in plain
            ]
        )
        level[side] = float(np.median(_body_place(readings, manifest, rows)))
        strength[side] = float(np.median(readings.ratio[rows]))
    apart = abs(level["a"] - level["b"])
    if apart < MOST_APART_MM:
        return {}
    weaker = min(strength, key=lambda side: strength[side])
    return {weaker: f"its body edges lie {1e3 * apart:.0f} um off the other side's"}


def _body_place(
    readings: EdgeReadings, manifest: Manifest, rows: NDArray[np.intp]
) -> Floats:
    """Places of body edges outside the printed design, parallax removed."""
    flat = projected_outline(
        readings.inset_mm[rows],
        np.zeros(manifest.layers),
        readings.z_mm,
        readings.seen.slope[rows],
    )
    return np.asarray(readings.place_mm[rows] - flat.place_mm)


def _reference_scatter_mm(
    readings: EdgeReadings, manifest: Manifest, side: str
) -> float | None:
    """Scatter of the references about their quadratic, one outlier allowed."""
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    rows = [
        i
        for i in readings.chosen(f"end {side}")
        if readings.good[i] and readings.edges[i].owner in plain
    ]
    if len(rows) < FEWEST_REFERENCES:
        return None
    x = np.array([readings.edges[i].point_mm[0] for i in rows])
    y = _body_place(readings, manifest, np.array(rows))
    left = y - np.polyval(np.polyfit(x / 50.0, y, 2), x / 50.0)
    return float(np.sqrt(np.sum(left**2) / max(len(rows) - 3, 1)))


def _neither_side(readings: EdgeReadings) -> Refusal:
    rows = readings.chosen("end a", "end b")
    if np.median(readings.open_contrast[rows]) < LOW_CONTRAST:
        return refuse("low_contrast")
    return refuse("one_sided_light")


def _fit(
    readings: EdgeReadings, manifest: Manifest, sides: tuple[str, ...]
) -> LadderFit:
    groups = [f"end {side}" for side in sides]
    plain = {t.name for t in manifest.teeth if t.role == "reference"}
    # a side that lies in shadow may have flanks in the light
    flanks = [f"flank {side}{way}" for side in "ab" for way in "+-"]
    groups += [name for name in flanks if flanks_serve(readings, name, plain)]
    teeth = tooth_edges(readings, tuple(groups), manifest.core_half_length_mm)
    return fit_ladders(readings, teeth, manifest.foot_layers, U_HEIGHT_MM)


def _growth_covariance(fit: LadderFit, growths: Growths, pose: Pose) -> Floats:
    inputs = sum(fit.variance.values(), np.zeros(growths.sensitivity.shape[1]))
    spread = growths.sensitivity * inputs
    scale = growths.growth_mm * pose.u_scale_ratio
    own = np.full(len(growths.row), U_HINGE_MM**2 / 4)
    return np.asarray(
        spread @ growths.sensitivity.T + np.outer(scale, scale) + np.diag(own)
    )


def _by_role(
    growths: Growths, readings: EdgeReadings, manifest: Manifest
) -> list[Tooth]:
    by_name = {t.name: t for t in manifest.teeth}
    return [by_name[readings.edges[i].owner] for i in growths.row]


def _flare(
    fit: LadderFit,
    growths: Growths,
    covariance: Floats,
    readings: EdgeReadings,
    manifest: Manifest,
    pose: Pose,
) -> tuple[Quantity | None, float | None]:
    """Flare of the plate layer, or an upper limit where nothing stands out."""
    teeth = _by_role(growths, readings, manifest)
    standing = [
        i
        for i, t in enumerate(teeth)
        if t.role != "reference"
        and t.inset_mm == 0
        and t.start_layer == 0
        and not fit.outlier[growths.place[i]]
    ]
    first = fit.layout.flare.start
    row = fit.solution.gain[first]
    parts = budget(row, fit.variance)
    parts = with_component(parts, "ruler", abs(fit.value[first]) * pose.u_scale_ratio)
    parts = with_component(parts, "pixel raster", U_RASTER_SHARE * manifest.pixel_y_mm)
    parts = with_component(parts, "model", U_HINGE_MM)
    u = combined_u(parts)
    if standing:
        mean = float(np.mean(growths.growth_mm[standing]))
        u_mean = float(np.sqrt(covariance[np.ix_(standing, standing)].mean()))
        u_mean = float(np.hypot(u_mean, U_HINGE_MM))
        if mean < COVER * u_mean:
            return None, max(mean, 0.0) + COVER * u_mean
    quantity = Quantity(
        value_mm=float(fit.value[first]),
        u_mm=u,
        method="hinge through both ladders of "
        + " and ".join(name for name in fit.teeth.groups if name.startswith("end")),
        budget=parts,
    )
    return quantity, None


def _flush(
    fit: LadderFit,
    growths: Growths,
    covariance: Floats,
    readings: EdgeReadings,
    manifest: Manifest,
    pose: Pose,
) -> Quantity | None:
    """Inset at which foot and body are level, by the inset ladder alone."""
    teeth = _by_role(growths, readings, manifest)
    mine = np.array(
        [
            i
            for i, t in enumerate(teeth)
            if t.role == "inset" and not fit.outlier[growths.place[i]]
        ],
        dtype=np.intp,
    )
    if len(mine) < 4:
        return None
    inset = pose.printed(np.array([teeth[i].inset_mm for i in mine]))
    growth = growths.growth_mm[mine]
    behind = fit.hidden[growths.place[mine]]  # their foot is seen, whatever its inset
    level = float(fit.value[fit.layout.flare.start])
    cov = covariance[np.ix_(mine, mine)]
    for _ in range(10):
        half = 0.5 * (level - inset)
        round_ = np.where(behind, half, np.hypot(half, ROUNDING_MM))
        share = np.where(behind, 1.0, 0.5 * (1 + half / np.hypot(half, ROUNDING_MM)))
        doubt = FLUSH_MM * np.exp(-np.abs(level - inset) / FLUSH_RANGE_MM)
        weight = np.linalg.inv(cov + np.diag(np.where(behind, U_FLUSH_MM, doubt) ** 2))
        information = float(share @ weight @ share)
        if information <= 0:
            return None
        step = float(share @ weight @ (growth - half - round_)) / information
        level += float(np.clip(step, -0.1, 0.1))
        if abs(step) < 1e-6:
            break
    u_fit = information**-0.5
    if level < max(COVER * u_fit, BRACKET_MM) or level > inset.max() - BRACKET_MM:
        return None
    parts = tuple(fit_budget(fit, growths, mine, share @ weight / information))
    parts = with_component(parts, "ruler", level * pose.u_scale_ratio)
    parts = with_component(parts, "model", U_FLUSH_MM)
    parts = with_component(parts, "pixel raster", U_RASTER_SHARE * manifest.pixel_y_mm)
    return Quantity(
        value_mm=level / pose.design_scale,
        u_mm=max(combined_u(parts), u_fit),
        method="hinge through the inset ladder",
        budget=parts,
    )


def fit_budget(
    fit: LadderFit, growths: Growths, mine: NDArray[np.intp], weights: Floats
) -> tuple:  # type: ignore[type-arg]
    """Budget of a weighted sum of tooth growths."""
    return budget(weights @ growths.sensitivity[mine], fit.variance)


def _tooth_readings(
    fit: LadderFit,
    growths: Growths,
    covariance: Floats,
    readings: EdgeReadings,
    manifest: Manifest,
    faults: dict[str, str | None],
) -> tuple[ToothReading, ...]:
    seen = {readings.edges[i].owner: k for k, i in enumerate(growths.row)}
    ends = {e.owner: i for i, e in enumerate(readings.edges) if e.kind == "end"}
    px = readings.edge_px()
    out = []
    for tooth in manifest.teeth:
        row, k = ends[tooth.name], seen.get(tooth.name)
        fault = faults[tooth.side]
        reason = f"side {tooth.side}: {fault}" if fault else readings.reason[row]
        if k is not None and reason is None:
            reason = _fit_fault(fit, int(growths.place[k]))
            k = None if reason == HIDDEN else k
        out.append(
            ToothReading(
                name=tooth.name,
                side=tooth.side,
                role=tooth.role,
                inset_mm=tooth.inset_mm,
                start_layer=tooth.start_layer,
                growth_mm=None if k is None else float(growths.growth_mm[k]),
                u_growth_mm=None if k is None else float(covariance[k, k] ** 0.5),
                used=reason is None and k is not None,
                reason=reason,
                px=(float(px[row, 0]), float(px[row, 1])),
            )
        )
    return tuple(out)


def _fit_fault(fit: LadderFit, place: int) -> str | None:
    if fit.hidden[place]:
        return HIDDEN
    return OUTLIER if fit.outlier[place] else None


def _used(
    teeth: tuple[ToothReading, ...], growths: Growths, readings: EdgeReadings
) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    used = {t.name for t in teeth if t.used}
    owners = [readings.edges[i].owner for i in growths.row]
    picked = np.array(
        [k for k, name in enumerate(owners) if name in used], dtype=np.intp
    )
    return tuple(owners[k] for k in picked), picked


def _reasons(
    pose: Pose,
    flare: Quantity | None,
    upper: float | None,
    body: Quantity | None,
    flush: Quantity | None,
) -> dict[str, str]:
    reasons = {}
    if pose.part_scale is None:
        said = "The scale was taken from the coupon, so its size is not known."
        reasons |= {"part_scale": said, "u_part_scale": said}
    if flare is None:
        said = "The foot does not stand out beyond the body."
        reasons |= {"flare_mm": said, "u_flare_mm": said}
    if upper is None:
        reasons["flare_upper_mm"] = "The flare itself was measured."
    if body is None:
        said = "No pair of opposite body edges lies in clean light."
        reasons |= {"body_growth_mm": said, "u_body_growth_mm": said}
    if flush is None:
        said = (
            "The inset ladder does not bracket the inset at which foot and body are "
            "level."
        )
        reasons |= {"flush_inset_mm": said, "u_flush_inset_mm": said}
    return reasons
