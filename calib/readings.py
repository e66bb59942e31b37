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
from analysis.rim_result import Merged, RimMeasurement
from calib.rim_readings import is_read, merged_report, rim_report, rim_to_dict
from patterns.errors import RecordError

if TYPE_CHECKING:
    from analysis.result import Measurement, RulerReading, Scale

Found = CouponMeasurement | RimMeasurement | Merged

REPORT_SCHEMA = 1
_QUANTITIES = ("flare", "body_growth", "flush_inset")
_UNSAID = "It could not be measured in this photo."


def is_measured(outcome: Measurement | Refusal) -> TypeGuard[Measurement]:
    """Say whether a photo gave at least one number or upper limit: a flare, a rim."""
    return not isinstance(outcome, Refusal) and any(
        gives_number(found) or isinstance(found, Merged) for found in outcome.coupons
    )


def gives_number(found: Found) -> TypeGuard[CouponMeasurement | RimMeasurement]:
    """Say whether a coupon or tile gave a number or a limit, here."""
    if isinstance(found, Merged):
        return False
    if isinstance(found, RimMeasurement):
        return is_read(found)
    return found.flare is not None or found.flare_upper_mm is not None


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
    report["coupons"] = [_found(found, outcome.warnings) for found in outcome.coupons]
    if not measured:
        report["refusal"] = asdict(no_flare(outcome))
    return report


def no_flare(measurement: Measurement) -> Refusal:
    """Say why a photo whose coupon or tiles were found still gives no number."""
    because = [_why(found) for found in measurement.coupons]
    code = "no_rim" if any(map(_is_tile, measurement.coupons)) else "no_flare"
    return refuse(code, why=because[0].rstrip(".") if because else "no coupon")


def _is_tile(found: Found) -> bool:
    return isinstance(found, RimMeasurement)


def _why(found: Found) -> str:
    if isinstance(found, Merged):
        return _UNSAID
    name = "form_mm" if isinstance(found, RimMeasurement) else "flare_mm"
    return found.reasons.get(name, _UNSAID)


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


def reading_to_dict(found: CouponMeasurement | RimMeasurement) -> dict[str, Any]:
    """Write a measured coupon or tile as the records keep it."""
    if isinstance(found, RimMeasurement):
        return rim_to_dict(found)
    return coupon_to_dict(found)


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


def _found(found: Found, photo_warnings: tuple[str, ...]) -> dict[str, Any]:
    if isinstance(found, Merged):
        return merged_report(found)
    if isinstance(found, RimMeasurement):
        return rim_report(found, photo_warnings)
    return _coupon(found, photo_warnings)


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
