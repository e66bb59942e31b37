"""Print time against sums made by hand, layer by layer."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.print_time import Motion, layer_count, print_time
from calib.wall import Setting
from patterns.errors import RecordError

SETTING = Setting(
    layer_mm=0.05,
    normal_s=2.5,
    raised_s=(30.0, 30.0, 30.0, 30.0, 30.0, 24.5, 19.0, 13.5, 8.0),
    bottom_layers=5,
)


def test_a_printer_with_one_lift_for_all_layers() -> None:
    """80 layers: 9 raised, 71 normal; each lifts 7 s and rests 1.5 s."""
    motion = Motion(lift_s=7.0, wait_s=1.5)
    found = print_time(4.0, SETTING, motion)
    by_hand = 0.0
    for layer in range(80):
        if layer < 5:
            by_hand += 30.0
        elif layer < 9:
            by_hand += (24.5, 19.0, 13.5, 8.0)[layer - 5]
        else:
            by_hand += 2.5
        by_hand += 7.0 + 1.5
    assert by_hand == 1072.5  # 150 + 65 + 177.5 of light, 680 of the rest
    assert found.layers == 80
    assert found.light_s == pytest.approx(392.5)
    assert found.unknown == ()
    assert found.counted_s == pytest.approx(by_hand, abs=1e-9)


def test_a_printer_that_lifts_raised_layers_slowly() -> None:
    """Raised 8 mm at 0.5, back at 2 mm/s; normal 3 at 1, 4 at 4, 7 back at 3.5."""
    setting = Setting(
        layer_mm=0.03, normal_s=1.8, raised_s=(25.0,) * 4, bottom_layers=4
    )
    motion = Motion(
        lift_s=3.0 / 1.0 + 4.0 / 4.0 + 7.0 / 3.5,
        raised_lift_s=8.0 / 0.5 + 8.0 / 2.0,
        wait_s=0.5,
        raised_wait_s=20.0,
    )
    found = print_time(3.0, setting, motion)
    by_hand = sum(25.0 + 20.0 + 20.0 for _ in range(4))
    by_hand += sum(1.8 + 6.0 + 0.5 for _ in range(4, 100))
    assert found.layers == 100
    assert found.counted_s == pytest.approx(by_hand, abs=1e-9)


def test_a_printer_that_tips_its_vat_and_never_waits() -> None:
    """2.02 mm at 0.1 mm are 21 layers, the last one of 0.02 mm."""
    setting = Setting(
        layer_mm=0.1, normal_s=4.0, raised_s=(40.0, 22.0), bottom_layers=1
    )
    found = print_time(2.02, setting, Motion(lift_s=4.0, wait_s=0.0))
    assert found.layers == 21
    assert found.counted_s == pytest.approx(40.0 + 22.0 + 19 * 4.0 + 21 * 4.0)


def test_what_is_not_given_is_named_and_not_guessed() -> None:
    found = print_time(4.0, SETTING, Motion())
    assert found.unknown == ("lift", "wait")
    assert found.counted_s == found.light_s == pytest.approx(392.5)
    assert print_time(4.0, SETTING, Motion(lift_s=7.0)).unknown == ("wait",)


def test_a_part_lower_than_the_raised_layers_gets_their_light_only() -> None:
    found = print_time(0.3, SETTING, Motion(lift_s=1.0, wait_s=0.0))
    assert found.layers == 6
    assert found.light_s == pytest.approx(5 * 30.0 + 24.5)


@given(layers=st.integers(1, 4000), layer_mm=st.sampled_from([0.01, 0.03, 0.05, 0.1]))
def test_whole_layers_are_counted_whole(layers: int, layer_mm: float) -> None:
    """Rounding of the product must not add a layer."""
    assert layer_count(layers * layer_mm, layer_mm) == layers
    assert layer_count((layers + 0.4) * layer_mm, layer_mm) == layers + 1


@pytest.mark.parametrize("seconds", [-1.0, math.nan, math.inf, 4000.0])
def test_times_that_make_no_sense_are_refused(seconds: float) -> None:
    with pytest.raises(RecordError, match="lift_s"):
        Motion(lift_s=seconds)
    with pytest.raises(RecordError, match="raised_wait_s"):
        Motion(raised_wait_s=seconds)
