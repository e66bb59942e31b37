"""From the edges of one coupon to its flare: which sides serve, and the result."""

from __future__ import annotations

from dataclasses import dataclass
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
from analysis.pose import Pose
from analysis.reading import EdgeReadings, read_edges
from analysis.result import CouponMeasurement, Quantity, Refusal, ToothReading
from analysis.sides import disagreement, neither_side, side_fault
from analysis.uncertainty import budget, combined_u, with_component
from patterns.manifest import Manifest, Tooth

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.photo import Photo
    from analysis.result import Component

Floats = NDArray[np.float64]

U_RASTER_SHARE = 0.02
"""Teeth meet the mask's raster alike; what is left of a pixel (assumed)."""
U_HINGE_MM = 0.003
"""Model doubt of the flare read from teeth that stand out (assumed)."""
U_FLUSH_MM = 0.006
BRACKET_MM = 0.02
FEWEST_INSETS = 4
U_PLAIN_MM = 0.015
"""Where the flare itself is known worse, a tooth or two decide: no flush inset."""
ROUNDS, SETTLED_MM = 10, 1e-6
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
        return neither_side(readings)
    fit = _fit(readings, manifest, sides)
    growths = tooth_growths(fit, readings)
    case = _Case(
        fit=fit,
        growths=growths,
        covariance=_growth_covariance(fit, growths, pose),
        teeth=tuple(_owners(growths, readings, manifest)),
        manifest=manifest,
        pose=pose,
    )
    flare, upper = _flare(case)
    flush = _flush(case)
    body = body_growth(readings, manifest, sides, pose.u_view_rad)
    teeth = _tooth_readings(case, readings, faults)
    used = {tooth.name for tooth in teeth if tooth.used}
    picked = [k for k, tooth in enumerate(case.teeth) if tooth.name in used]
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
        covariance_names=tuple(case.teeth[k].name for k in picked),
        growth_cov_mm2=case.covariance[np.ix_(picked, picked)],
        warnings=tuple(warnings),
        reasons=reasons,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One coupon's fit; ``teeth`` and ``covariance`` in the order of ``growths``."""

    fit: LadderFit
    growths: Growths
    covariance: Floats
    teeth: tuple[Tooth, ...]
    manifest: Manifest
    pose: Pose

    @property
    def u_flare_mm(self) -> float:
        """Standard uncertainty of the plate layer's flare from the ladders' fit."""
        first = self.fit.layout.flare.start
        value = float(self.fit.value[first])
        return combined_u(self.parts(self.fit.solution.gain[first], value, U_HINGE_MM))

    def rows(self, serves: Callable[[Tooth], bool]) -> NDArray[np.intp]:
        """Teeth that serve and fit the others."""
        outlier = self.fit.outlier[self.growths.place]
        return np.array(
            [k for k, t in enumerate(self.teeth) if serves(t) and not outlier[k]],
            dtype=np.intp,
        )

    def parts(
        self, sensitivity: Floats, value_mm: float, u_model_mm: float
    ) -> tuple[Component, ...]:
        """Budget of a linear result, with what does not come from the fit."""
        parts = budget(sensitivity, self.fit.variance)
        parts = with_component(parts, "ruler", value_mm * self.pose.u_scale_ratio)
        raster = U_RASTER_SHARE * self.manifest.pixel_y_mm
        parts = with_component(parts, "pixel raster", raster)
        return with_component(parts, "model", u_model_mm)


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


def _owners(
    growths: Growths, readings: EdgeReadings, manifest: Manifest
) -> list[Tooth]:
    by_name = {t.name: t for t in manifest.teeth}
    return [by_name[readings.edges[i].owner] for i in growths.row]


def _stands_full(tooth: Tooth) -> bool:
    plain = tooth.role == "reference"
    return not plain and tooth.inset_mm == 0 and tooth.start_layer == 0


def _flare(case: _Case) -> tuple[Quantity | None, float | None]:
    """Flare of the plate layer, or an upper limit where nothing stands out."""
    first = case.fit.layout.flare.start
    value = float(case.fit.value[first])
    parts = case.parts(case.fit.solution.gain[first], value, U_HINGE_MM)
    full = case.rows(_stands_full)
    full = full[~case.fit.hidden[case.growths.place[full]]]
    if len(full):
        level = float(np.mean(case.growths.growth_mm[full]))
        u_level = float(np.sqrt(case.covariance[np.ix_(full, full)].mean()))
        u_level = float(np.hypot(u_level, U_HINGE_MM))
    else:
        level, u_level = value, combined_u(parts)
    if level < COVER * u_level:
        return None, max(level, 0.0) + COVER * u_level
    ends = [name for name in case.fit.teeth.groups if name.startswith("end")]
    quantity = Quantity(
        value_mm=value,
        u_mm=combined_u(parts),
        method="hinge through both ladders of " + " and ".join(ends),
        budget=parts,
    )
    return quantity, None


def _flush(case: _Case) -> Quantity | None:
    """Inset at which foot and body are level, by the inset ladder alone."""
    mine = case.rows(lambda tooth: tooth.role == "inset")
    if len(mine) < FEWEST_INSETS or case.u_flare_mm > U_PLAIN_MM:
        return None
    inset = case.pose.printed(np.array([case.teeth[k].inset_mm for k in mine]))
    growth = case.growths.growth_mm[mine]
    covariance = case.covariance[np.ix_(mine, mine)]
    # where the foot hides the body it is seen whatever its inset
    behind = case.fit.hidden[case.growths.place[mine]]
    level = float(case.fit.value[case.fit.layout.flare.start])
    weights, u_fit = np.zeros(len(mine)), 0.0
    for _ in range(ROUNDS):
        half = 0.5 * (level - inset)
        rounded = np.hypot(half, ROUNDING_MM)
        shown = half + np.where(behind, half, rounded)
        share = np.where(behind, 1.0, 0.5 * (1 + half / rounded))
        doubt = FLUSH_MM * np.exp(-np.abs(2 * half) / FLUSH_RANGE_MM)
        doubt = np.where(behind, U_FLUSH_MM, doubt)
        solved = np.linalg.solve(covariance + np.diag(doubt**2), share)
        information = float(share @ solved)
        if information <= 0:
            return None
        weights = np.asarray(solved / information)
        u_fit = information**-0.5
        step = float(weights @ (growth - shown))
        level += float(np.clip(step, -0.1, 0.1))
        if abs(step) < SETTLED_MM:
            break
    if not max(COVER * u_fit, BRACKET_MM) <= level <= inset.max() - BRACKET_MM:
        return None
    parts = case.parts(weights @ case.growths.sensitivity[mine], level, U_FLUSH_MM)
    return Quantity(
        value_mm=level / case.pose.design_scale,
        u_mm=max(combined_u(parts), u_fit),
        method="hinge through the inset ladder",
        budget=parts,
    )


def _tooth_readings(
    case: _Case, readings: EdgeReadings, faults: dict[str, str | None]
) -> tuple[ToothReading, ...]:
    fit, growths, covariance = case.fit, case.growths, case.covariance
    seen = {readings.edges[i].owner: k for k, i in enumerate(growths.row)}
    ends = {e.owner: i for i, e in enumerate(readings.edges) if e.kind == "end"}
    px = readings.edge_px()
    out = []
    for tooth in case.manifest.teeth:
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


def _reasons(
    pose: Pose,
    flare: Quantity | None,
    upper: float | None,
    body: Quantity | None,
    flush: Quantity | None,
) -> dict[str, str]:
    reasons: dict[str, str] = {}
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
            "level, or too few of its teeth could be read."
        )
        reasons |= {"flush_inset_mm": said, "u_flush_inset_mm": said}
    return reasons
