"""The recommendation from rows whose answer is plain.  All data here is invented."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from calib.prediction import Interval
from calib.recommend import recommend
from calib.suction import Suction, Vent
from calib.ways import Recommendation, Resin, Sanding, Told, Way, WayName

NOT_SUCKED = Suction(
    area_mm2=0.0,
    recesses=0,
    force_cap_n=0.0,
    from_mm=0.0,
    to_mm=0.0,
    vent=None,
    words="Nothing closes against the film.",
)


VENT = Vent(diameter_mm=2.5, length_mm=2.0, rest_n=0.8, assumed=())


def about(value_mm: float, u_mm: float = 0.005) -> Interval:
    return Interval(
        value_mm=value_mm,
        u_mm=u_mm,
        low_mm=value_mm - 1.96 * u_mm,
        high_mm=value_mm + 1.96 * u_mm,
    )


def row(
    name: WayName,
    departure: Interval | None,
    *,
    refused: str = "",
    force_n: float = 0.0,
    deep_mm: float = 3.0,
    flare: Interval | None = None,
) -> Way:
    return Way(
        name=name,
        refused=refused,
        tilt_deg=0.0 if name == "flat" else 46.0,
        tilt_measured=departure is not None,
        departure=Told(interval=departure, words="invented"),
        flare=Told(interval=flare, words="invented"),
        profile=None,
        sanding=Sanding(depth_mm=0.0, words="invented"),
        height_mm=4.0,
        layers=80,
        time=None,
        resin=Resin(base_ml=1.0, extra_ml=0.0),
        fits=1,
        suction=replace(
            NOT_SUCKED,
            force_cap_n=force_n,
            area_mm2=force_n / 0.101325,
            to_mm=deep_mm,
            vent=VENT,
        ),
        risks=(),
    )


def advice(
    bare: Interval | None,
    lipped: Interval | None,
    flat: Interval | None,
    *,
    flat_refused: str = "",
    force_n: float = 0.0,
    second_print_s: float | None = None,
) -> Recommendation:
    ways = (
        row("tilted", bare),
        row("lipped", lipped),
        row("flat", flat, refused=flat_refused, force_n=force_n),
    )
    return recommend(
        ways, bottle="invented", tolerance_mm=0.05, second_print_s=second_print_s
    )


def test_flat_when_it_is_as_good_as_any() -> None:
    found = advice(about(0.10), about(0.05), about(0.012))
    assert found.way == "flat"
    assert "0.012 mm" in found.reason
    assert found.measure_next is None


def test_flat_when_tilting_gains_less_than_its_work() -> None:
    found = advice(about(0.03), about(0.06), about(0.035))
    assert found.way == "flat"
    assert "not worth the work" in found.reason


def test_the_lip_when_it_beats_flat_and_bare() -> None:
    found = advice(about(0.14), about(0.05), about(0.30))
    assert found.way == "lipped"
    assert "0.300 mm" in found.reason
    assert "without the lip by 0.140 mm" in found.reason
    assert found.measure_next is None


def test_a_flare_that_insets_leave_counts_though_sanding_would_take_it() -> None:
    ways = (
        row("tilted", about(0.14)),
        row("lipped", about(0.05)),
        row("flat", about(0.02), flare=about(1.0)),
    )
    found = recommend(ways, bottle="invented", tolerance_mm=0.05)
    assert found.way == "lipped"
    assert "a flare of 1.000 mm" in found.reason
    assert "no inset takes away, and how it sands off is not measured" in found.reason


def test_bare_when_the_lip_gains_nothing() -> None:
    found = advice(about(0.03), about(0.05), about(0.30))
    assert found.way == "tilted"
    assert "too little to be sanded off" in found.reason


def test_a_lip_that_gains_less_than_its_sanding_is_left_out() -> None:
    found = advice(about(0.05), about(0.047), about(0.30))
    assert found.way == "tilted"
    assert "too little to be sanded off" in found.reason


def test_what_is_refused_by_name_keeps_its_name() -> None:
    refused = "Tombs has a wall of one pixel."
    found = advice(about(0.05), None, None, flat_refused=refused)
    assert "flat is not offered: Tombs has a wall" in found.reason


def test_within_doubt_flat_is_taken_and_the_doubt_named() -> None:
    found = advice(about(0.02, 0.02), None, about(0.045, 0.02))
    assert found.way == "flat"
    assert "no difference is seen beyond doubt" in found.reason
    assert found.measure_next is not None


def test_out_of_tolerance_flat_is_left_even_in_doubt() -> None:
    found = advice(about(0.06, 0.03), about(0.07, 0.03), about(0.09, 0.03))
    assert found.way == "tilted"
    assert "not beyond doubt" in found.reason


def test_nothing_measured_names_both_coupons() -> None:
    found = advice(None, None, None)
    assert found.way is None
    assert "Nothing is measured from bottle invented" in found.reason
    assert found.measure_next is not None
    assert "rimgauge coupon flare" in found.measure_next
    assert "rimgauge coupon rims" in found.measure_next


@pytest.mark.parametrize("flat", [None, about(0.01)])
def test_a_large_hollow_is_not_printed_flat(flat: Interval | None) -> None:
    found = advice(
        about(0.14),
        about(0.05),
        flat,
        flat_refused="Its roof would hang free over 46 mm.",
        force_n=170.0,
    )
    assert found.way == "lipped"
    assert "up to 170 N" in found.reason
    assert "is not offered: its roof would hang free over 46 mm." in found.reason


def test_suction_alone_asks_for_the_vent_first() -> None:
    found = advice(about(0.14), about(0.05), about(0.01), force_n=80.0)
    assert found.way == "lipped"
    assert "vent it first, with a hole of 2.5 mm." in found.reason


def test_what_is_too_shallow_for_a_vent_is_to_be_filled() -> None:
    ways = (
        row("tilted", about(0.14)),
        row("lipped", about(0.05)),
        row("flat", about(0.01), force_n=80.0, deep_mm=0.6),
    )
    found = recommend(ways, bottle="invented", tolerance_mm=0.05)
    assert found.way == "lipped"
    assert "fill it first." in found.reason


def test_a_hollow_base_without_tiles_is_told_to_measure_them() -> None:
    found = advice(
        None,
        None,
        about(0.01),
        flat_refused="The base would fall apart.",
        force_n=170.0,
    )
    assert found.way == "lipped"
    assert "not measured" in found.reason
    assert found.measure_next is not None
    assert "rimgauge coupon rims" in found.measure_next


def test_flat_alone_known_and_good_enough_is_enough() -> None:
    found = advice(None, None, about(0.02))
    assert found.way == "flat"
    assert found.measure_next is None


def test_flat_alone_known_and_too_wide_leads_to_the_lip_and_its_tiles() -> None:
    found = advice(None, None, about(0.2))
    assert found.way == "lipped"
    assert "0.200 mm" in found.reason
    assert found.measure_next is not None
    assert "rimgauge coupon rims" in found.measure_next


def test_tiles_alone_known_name_the_flare_coupon() -> None:
    found = advice(about(0.10), about(0.05), None)
    assert found.way == "lipped"
    assert found.measure_next is not None
    assert "rimgauge coupon flare" in found.measure_next


def test_one_kind_of_tile_names_the_other() -> None:
    found = advice(about(0.06), None, about(0.3))
    assert found.way == "tilted"
    assert found.measure_next is not None
    assert "No lipped tile was measured" in found.measure_next


def test_a_second_print_is_asked_for_where_flat_hangs_on_one() -> None:
    found = advice(about(0.10), about(0.05), about(0.012), second_print_s=42.0)
    assert found.measure_next is not None
    assert "bottom layers of 42 s" in found.measure_next


@pytest.mark.parametrize("bare", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("lipped", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("flat", [0.01, 0.05, 0.2])
def test_what_is_taken_is_never_much_worse_than_the_best(
    bare: float, lipped: float, flat: float
) -> None:
    found = advice(about(bare), about(lipped), about(flat))
    value = {"tilted": bare, "lipped": lipped, "flat": flat}[found.way or ""]
    best = min(bare, lipped, flat)
    assert value <= best + 0.01 + 0.005 + 1e-9  # what work is worth, twice
    assert not math.isnan(value)
