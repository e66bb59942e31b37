"""Tiles as JSON: the report's keys, and the records' round trip."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.result import Measurement
from analysis.rim_result import Merged
from calib.readings import is_measured, photo_report
from calib.rim_readings import (
    QUANTITIES,
    combine_tiles,
    rim_from_dict,
    rim_report,
    rim_to_dict,
)
from patterns.errors import RecordError
from tests.calib.rim_samples import a_length, a_tile


def test_the_keys_of_a_tile() -> None:
    report = rim_report(a_tile(), ("Half size.",))
    assert json.loads(json.dumps(report)) == report
    assert list(report)[:5] == ["coupon_id", "kind", "photos", "tilt_deg", "lipped"]
    assert set(report) == {
        *("coupon_id", "kind", "photos", "tilt_deg", "lipped"),
        *("part_scale", "u_part_scale", "radius_mm", "u_radius_mm"),
        *("form_mm", "u_form_mm", "sag_mm", "u_sag_mm", "cos2phi_mm", "u_cos2phi_mm"),
        *("roughness_sigma_mm", "u_roughness_sigma_mm"),
        *("edge_spread_mm", "u_edge_spread_mm"),
        *("edge_radius_mm", "edge_radius_upper_mm"),
        *("back_straightness_mm", "u_back_straightness_mm"),
        *("chips", "warnings", "reasons"),
    }
    assert report["kind"] == "rim"
    assert report["chips"] == [{"phi_deg": -12.0, "width_mm": 0.6, "depth_mm": 0.15}]
    assert report["edge_radius_mm"] is None
    assert report["edge_radius_upper_mm"] == 0.1
    assert "0.100 mm" in report["reasons"]["edge_radius_mm"]
    assert report["warnings"][-1] == "Half size."
    assert "Stubs of supports" in report["warnings"][1]


def test_every_null_has_its_reason() -> None:
    tile = a_tile(
        values={},
        upper_mm={},
        part_scale=None,
        u_part_scale=None,
        reasons={"sag_mm": "Less than 97 % of the arc can be seen."},
    )
    report = rim_report(tile)
    nulls = {name for name, value in report.items() if value is None}
    assert nulls == {f"{q}_mm" for q in QUANTITIES} | {"part_scale", "u_part_scale"}
    assert set(report["reasons"]) == nulls
    assert report["reasons"]["sag_mm"] == "Less than 97 % of the arc can be seen."


def test_a_photo_of_tiles() -> None:
    tiles = (a_tile(), Merged(coupon_id="rim-s07-t30-bare", merged_into="a.jpg"))
    photo = Measurement(photo="b.jpg", scale=None, coupons=tiles)
    report = photo_report("b.jpg", photo, None)
    assert report["status"] == "measured"
    assert report["coupons"][1] == {
        "coupon_id": "rim-s07-t30-bare",
        "merged_into": "a.jpg",
    }
    only_merged = replace(photo, coupons=tiles[1:])
    assert is_measured(only_merged)
    nothing = replace(photo, coupons=(a_tile(values={}, upper_mm={}),))
    refused = photo_report("b.jpg", nothing, None)
    assert refused["status"] == "refused"
    assert refused["refusal"]["code"] == "no_rim"


def test_the_records_lose_nothing() -> None:
    tile = a_tile()
    kept = json.loads(json.dumps(rim_to_dict(tile)))
    assert rim_from_dict(kept) == tile


@given(
    value=st.floats(-5, 5),
    u=st.floats(0, 1),
    lipped=st.booleans(),
    scale=st.one_of(st.none(), st.floats(0.97, 1.03)),
)
def test_any_tile_comes_back(
    *,
    value: float,
    u: float,
    lipped: bool,
    scale: float | None,
) -> None:
    tile = a_tile(values={"sag": a_length(value, u)}, lipped=lipped, part_scale=scale)
    assert rim_from_dict(json.loads(json.dumps(rim_to_dict(tile)))) == tile


@pytest.mark.parametrize("harm", ["chips", "values", "photos"])
def test_a_damaged_reading_is_refused(harm: str) -> None:
    kept = rim_to_dict(a_tile())
    with pytest.raises(RecordError, match="can't be read"):
        rim_from_dict(kept | {harm: [{"width": 1}]} | {"other": 1})
    del kept[harm]
    with pytest.raises(RecordError, match="can't be read"):
        rim_from_dict(kept)


def test_measurements_of_one_tile_are_joined_not_averaged() -> None:
    plan = a_tile(photos=("a.jpg",))
    profile = a_tile(
        photos=("c.jpg",),
        values={"edge_radius": a_length(0.15, 0.03), "sag": a_length(0.3, 0.1)},
        upper_mm={},
        chips=(),
        chip_limit_mm=None,
        part_scale=None,
        u_part_scale=None,
    )
    joined = combine_tiles([plan, profile])
    assert joined == combine_tiles([replace(plan), replace(profile)])
    assert joined.photos == ("a.jpg", "c.jpg")
    assert joined.values["sag"] == plan.values["sag"]
    assert joined.values["edge_radius"] == profile.values["edge_radius"]
    assert joined.upper_mm == {}
    assert joined.chips == plan.chips
    assert joined.part_scale == plan.part_scale
    with pytest.raises(ValueError, match="one tile"):
        combine_tiles([plan, a_tile(coupon_id="rim-s07-t50-bare")])
