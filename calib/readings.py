"""Measurements as JSON: the fixed report for outside, the whole one for the records.

`measure --json` prints :func:`photo_report`, whose keys are fixed (schema 1).  The
records keep :func:`coupon_to_dict`, which loses nothing: budgets and covariance too.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeGuard

import numpy as np

from analysis.refusals import refuse
from analysis.result import (
    Component,
    CouponMeasurement,
    Quantity,
    Refusal,
    ToothReading,
)
from patterns.errors import RecordError

if TYPE_CHECKING:
    from analysis.result import Measurement, RulerReading, Scale

REPORT_SCHEMA = 1
_QUANTITIES = ("flare", "body_growth", "flush_inset")
_UNSAID = "It could not be measured in this photo."


def is_measured(outcome: Measurement | Refusal) -> TypeGuard[Measurement]:
    """Say whether a photo gave at least one flare: a number or an upper limit."""
    return not isinstance(outcome, Refusal) and any(
        coupon.flare is not None or coupon.flare_upper_mm is not None
        for coupon in outcome.coupons
    )


def photo_report(
    photo: str, outcome: Measurement | Refusal, picture: str | None
) -> dict[str, Any]:
    """Give the object that `measure --json` prints for one photo.

    Parameters
    ----------
    photo : str
        Path as the user gave it.
    outcome : Measurement or Refusal
    picture : str or None
        Path of the annotated picture.
    """
    measured = is_measured(outcome)
    report: dict[str, Any] = {
        "schema": REPORT_SCHEMA,
        "photo": photo,
        "picture": picture,
        "status": "measured" if measured else "refused",
        "refusal": None,
        "scale": None,
        "coupons": [],
    }
    if isinstance(outcome, Refusal):
        report["refusal"] = asdict(outcome)
        return report
    report["scale"] = _scale(outcome.scale)
    report["coupons"] = [
        _coupon(coupon, outcome.warnings) for coupon in outcome.coupons
    ]
    if not measured:
        report["refusal"] = asdict(no_flare(outcome))
    return report


def no_flare(measurement: Measurement) -> Refusal:
    """Say why a photo whose coupon was found still gives no flare."""
    because = [c.reasons.get("flare_mm", _UNSAID) for c in measurement.coupons]
    return refuse("no_flare", why=because[0].rstrip(".") if because else "no coupon")


def scale_report(reading: RulerReading | Refusal) -> dict[str, Any]:
    """Give the object that `scale --json` prints."""
    if isinstance(reading, Refusal):
        return {"refusal": asdict(reading)}
    marks = zip(
        reading.marks_mm[reading.kept].tolist(),
        reading.marks_px[reading.kept].tolist(),
        strict=True,
    )
    return {
        "px_per_mm": float(reading.px_per_mm),
        "u_px_per_mm": float(reading.u_px_per_mm),
        "graduation_mm": float(reading.graduation_mm),
        "marks": [{"mm": mm, "x_px": x, "y_px": y} for mm, (x, y) in marks],
    }


def coupon_to_dict(coupon: CouponMeasurement) -> dict[str, Any]:
    """Write a measured coupon, whole, as plain JSON values."""
    return asdict(coupon) | {"growth_cov_mm2": coupon.growth_cov_mm2.tolist()}


def coupon_from_dict(data: dict[str, Any]) -> CouponMeasurement:
    """Read back what :func:`coupon_to_dict` wrote.

    Raises
    ------
    RecordError
        Keys are missing or unknown.
    """
    try:
        return CouponMeasurement(
            **data
            | {name: _quantity(data[name]) for name in _QUANTITIES}
            | {
                "teeth": tuple(
                    ToothReading(**tooth | {"px": tuple(tooth["px"])})
                    for tooth in data["teeth"]
                ),
                "covariance_names": tuple(data["covariance_names"]),
                "growth_cov_mm2": np.asarray(data["growth_cov_mm2"], dtype=np.float64),
                "warnings": tuple(data["warnings"]),
            }
        )
    except (KeyError, TypeError, ValueError) as err:
        raise RecordError(
            "A measurement in the records can't be read.",
            "Measure the photo again with this version.",
        ) from err


def _quantity(data: dict[str, Any] | None) -> Quantity | None:
    if data is None:
        return None
    budget = tuple(Component(**component) for component in data["budget"])
    return Quantity(**data | {"budget": budget})


def _scale(scale: Scale | None) -> dict[str, Any] | None:
    return None if scale is None else asdict(scale)


def _coupon(
    coupon: CouponMeasurement, photo_warnings: tuple[str, ...]
) -> dict[str, Any]:
    values: dict[str, Any] = {
        "part_scale": coupon.part_scale,
        "u_part_scale": coupon.u_part_scale,
    }
    for name in _QUANTITIES:
        quantity: Quantity | None = getattr(coupon, name)
        values[f"{name}_mm"] = quantity and quantity.value_mm
        values[f"u_{name}_mm"] = quantity and quantity.u_mm
        if name == "flare":
            values["flare_upper_mm"] = coupon.flare_upper_mm
    return {
        "coupon_id": coupon.coupon_id,
        "kind": coupon.kind,
        **values,
        "inset_ladder": _ladder(coupon, "inset", "inset_mm"),
        "start_ladder": _ladder(coupon, "start", "start_layer"),
        "warnings": [*coupon.warnings, *photo_warnings],
        "reasons": _reasons(coupon, values),
    }


def _ladder(coupon: CouponMeasurement, role: str, step: str) -> list[dict[str, Any]]:
    return [
        {
            "side": tooth.side,
            step: getattr(tooth, step),
            "growth_mm": tooth.growth_mm,
            "u_growth_mm": tooth.u_growth_mm,
            "used": tooth.used,
            "reason": tooth.reason,
        }
        for tooth in coupon.teeth
        if tooth.role == role
    ]


def _reasons(coupon: CouponMeasurement, values: dict[str, Any]) -> dict[str, str]:
    """Give a sentence for each null field, the u's sharing their value's."""
    reasons = {}
    for name, value in values.items():
        if value is None:
            twin = name.removeprefix("u_")
            said = coupon.reasons.get(name) or coupon.reasons.get(twin)
            if name == "flare_upper_mm" and values["flare_mm"] is not None:
                said = said or "flare_mm is a number, so no upper limit is needed."
            reasons[name] = said or _UNSAID
    return reasons
