"""The report that outside programs read: its keys are fixed (schema 1)."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from analysis.result import Measurement, Refusal, RulerReading, Scale
from calib.readings import is_measured, photo_report, scale_report
from tests.calib.samples import a_reading

SCALE = Scale(px_per_mm=20.5, u_px_per_mm=0.01, graduation_mm=1.0, source="ruler")
REFUSED = Refusal(code="blurred", message="The photo is blurred.", remedy="Again.")


def _measurement() -> Measurement:
    return Measurement(
        photo="a.jpg", scale=SCALE, coupons=(a_reading(),), warnings=("Half size.",)
    )


def test_the_keys_of_a_measured_photo() -> None:
    report = photo_report("a.jpg", _measurement(), "pictures/a-measured.png")
    assert json.loads(json.dumps(report)) == report
    assert list(report) == [
        *("schema", "photo", "picture", "status", "refusal", "scale", "coupons")
    ]
    assert (report["schema"], report["status"], report["refusal"]) == (
        *(1, "measured", None),
    )
    assert report["scale"] == {
        "px_per_mm": 20.5,
        "u_px_per_mm": 0.01,
        "graduation_mm": 1.0,
        "source": "ruler",
    }
    (coupon,) = report["coupons"]
    assert list(coupon) == [
        *("coupon_id", "kind", "part_scale", "u_part_scale"),
        *("flare_mm", "u_flare_mm", "flare_upper_mm"),
        *("body_growth_mm", "u_body_growth_mm", "flush_inset_mm", "u_flush_inset_mm"),
        *("inset_ladder", "start_ladder", "warnings", "reasons"),
    ]
    assert coupon["inset_ladder"][0] == {
        "side": "a",
        "inset_mm": 0.0,
        "growth_mm": 0.21,
        "u_growth_mm": 0.004,
        "used": True,
        "reason": None,
    }
    assert coupon["warnings"] == ["One tooth only.", "Half size."]


def test_the_keys_of_the_start_ladder() -> None:
    tooth = replace(a_reading().teeth[0], role="start", start_layer=3)
    measurement = replace(
        _measurement(), coupons=(replace(a_reading(), teeth=(tooth,)),)
    )
    (coupon,) = photo_report("a.jpg", measurement, None)["coupons"]
    assert coupon["inset_ladder"] == []
    assert list(coupon["start_ladder"][0]) == [
        *("side", "start_layer", "growth_mm", "u_growth_mm", "used", "reason")
    ]
    assert coupon["start_ladder"][0]["start_layer"] == 3


def test_every_null_of_a_coupon_has_a_sentence() -> None:
    (coupon,) = photo_report("a.jpg", _measurement(), None)["coupons"]
    nulls = {name for name, value in coupon.items() if value is None}
    assert nulls == set(coupon["reasons"])
    assert coupon["reasons"]["body_growth_mm"] == "Bar and slot lie in shadow."
    assert coupon["reasons"]["u_body_growth_mm"] == "Bar and slot lie in shadow."
    assert all(len(sentence) > 10 for sentence in coupon["reasons"].values())


def test_a_refused_photo() -> None:
    report = photo_report("b.jpg", REFUSED, None)
    assert report == {
        "schema": 1,
        "photo": "b.jpg",
        "picture": None,
        "status": "refused",
        "refusal": {
            "code": "blurred",
            "message": "The photo is blurred.",
            "remedy": "Again.",
        },
        "scale": None,
        "coupons": [],
    }


def test_an_upper_limit_counts_as_measured() -> None:
    limit = replace(a_reading(), flare=None, flare_upper_mm=0.02)
    measurement = replace(_measurement(), coupons=(limit,))
    assert is_measured(measurement)
    (coupon,) = photo_report("a.jpg", measurement, None)["coupons"]
    assert (coupon["flare_mm"], coupon["flare_upper_mm"]) == (None, 0.02)
    assert "flare_mm" in coupon["reasons"]


def test_a_coupon_without_any_flare_is_refused_but_shown() -> None:
    nothing = replace(a_reading(), flare=None, reasons={"flare_mm": "Both in shadow."})
    report = photo_report("a.jpg", replace(_measurement(), coupons=(nothing,)), None)
    assert report["status"] == "refused"
    assert report["refusal"]["code"] == "no_flare"
    assert "Both in shadow" in report["refusal"]["message"]
    assert len(report["coupons"]) == 1


def test_a_scale_gives_the_kept_marks_only() -> None:
    reading = RulerReading(
        graduation_mm=1.0,
        marks_mm=np.array([0.0, 1.0, 2.0]),
        marks_px=np.array([[0.0, 5.0], [20.0, 5.0], [47.0, 5.0]]),
        kept=np.array([True, True, False]),
        px_per_mm=20.0,
        u_px_per_mm=0.1,
        u_class_ratio=1e-3,
        residual_px=0.1,
    )
    report = scale_report(reading)
    assert json.loads(json.dumps(report)) == {
        "px_per_mm": 20.0,
        "u_px_per_mm": 0.1,
        "graduation_mm": 1.0,
        "marks": [
            {"mm": 0.0, "x_px": 0.0, "y_px": 5.0},
            {"mm": 1.0, "x_px": 20.0, "y_px": 5.0},
        ],
    }
    assert scale_report(REFUSED) == {
        "refusal": {
            "code": "blurred",
            "message": "The photo is blurred.",
            "remedy": "Again.",
        }
    }
