"""From an arc to a tile's values: what one photo and several have in common."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.arc_form import arc_functionals
from analysis.chips import find_marks
from analysis.result import Component, Quantity
from analysis.rim_uncertainty import SKEWED, RimDoubt, noise_of, rim_quantity

if TYPE_CHECKING:
    from analysis.edge_spread import EdgeSpread
    from analysis.rim_result import RimArc, RimMeasurement, RimQuantity
    from analysis.roughness import Roughness

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
MOST_SKEW_MM = 0.015
"""Form and cos 2 phi that the view leaves open by more than this (1 u) aren't given."""
TOO_ASIDE = (
    "It lies too far from the middle of the picture for so few tiles to show how it "
    "is seen: lay the tiles in a ring about the middle."
)
NO_BACK = "Too little of the back edge could be read."
NO_WINDOW = "Nowhere is a millimetre of the rim free of dents."

_METHODS: dict[RimQuantity, str] = {
    "radius": "least-squares circle of the whole arc",
    "form": "peak to valley about the least-squares circle, Gaussian 2.5 mm",
    "sag": "minus the mean over 30 degrees to both sides, against the rest of the arc",
    "cos2phi": "cos 2 phi of the arc beyond 30 degrees",
}


def refused(bare: RimMeasurement, reason: str) -> RimMeasurement:
    """Give a measurement without values, every one of them with the reason."""
    reasons = {f"{name}_mm": reason for name in PLAN}
    reasons["edge_radius_mm"] = NO_PROFILE
    return replace(bare, values={}, upper_mm={}, reasons=reasons)


def measured_arc(bare: RimMeasurement, arc: RimArc, doubt: RimDoubt) -> RimMeasurement:
    """Circle, sag, form and chips of an arc; stubs are no part of the rim."""
    radius_mm = arc.radius_mm
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
    reasons = dict(bare.reasons)
    for name, method in _METHODS.items():
        if name in SKEWED and doubt.skew_mm > MOST_SKEW_MM:
            reasons[f"{name}_mm"] = TOO_ASIDE
            continue
        values[name] = rim_quantity(
            name,
            getattr(form, f"{name}_mm"),
            getattr(form, f"{name}_gain"),
            along[kept],
            arc.u_mm[kept],
            arc.strength[kept],
            doubt,
            method,
        )
    return replace(
        bare,
        values=values,
        reasons=reasons,
        chips=marks.chips,
        stubs=marks.stubs,
        chip_limit_mm=marks.limit_mm,
        arc=arc,
    )


def noise_only(value_mm: float, u_mm: float, method: str) -> Quantity:
    """Give a length whose u is all edge noise."""
    return Quantity(
        value_mm=value_mm,
        u_mm=u_mm,
        method=method,
        budget=(Component(name="edge noise", u_mm=u_mm),),
    )


def with_value(
    measured: RimMeasurement, name: RimQuantity, quantity: Quantity
) -> RimMeasurement:
    """Add a value."""
    return replace(measured, values={**measured.values, name: quantity})


def with_upper(
    measured: RimMeasurement, name: RimQuantity, upper_mm: float
) -> RimMeasurement:
    """Add an upper limit."""
    return replace(measured, upper_mm={**measured.upper_mm, name: upper_mm})


def without(measured: RimMeasurement, name: str, why: str) -> RimMeasurement:
    """Say why there is no number."""
    return replace(measured, reasons={**measured.reasons, f"{name}_mm": why})


def with_roughness(measured: RimMeasurement, rough: Roughness) -> RimMeasurement:
    """Add the roughness, or its upper limit."""
    if rough.sigma_mm is None or rough.u_mm is None:
        return with_upper(measured, "roughness_sigma", rough.upper_mm)
    quantity = noise_only(rough.sigma_mm, rough.u_mm, rough.method)
    return with_value(measured, "roughness_sigma", quantity)


def with_spread(measured: RimMeasurement, spread: EdgeSpread) -> RimMeasurement:
    """Add the edge's width, or its upper limit."""
    if not np.isfinite(spread.upper_mm):
        return without(measured, "edge_spread", NO_WINDOW)
    if spread.width_mm is None or spread.u_mm is None:
        return with_upper(measured, "edge_spread", spread.upper_mm)
    method = "10-90 width along 1 mm, lateral only, blur of its slices removed"
    quantity = noise_only(spread.width_mm, spread.u_mm, method)
    return with_value(measured, "edge_spread", quantity)
