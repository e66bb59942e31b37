"""Insets by rule: the user's own number, in whole pixels, and called a guess."""

from __future__ import annotations

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.base_rule import plan_by_rule
from calib.wall import Setting
from calib.way_setup import Setup
from patterns.base_sections import polygons
from patterns.errors import RecordError, SpecError
from tests import bases
from tests.calib.samples import a_printer


def a_setup(raised_s: tuple[float, ...] = (30.0, 30.0, 20.0, 10.0)) -> Setup:
    setting = Setting(layer_mm=0.05, normal_s=2.5, raised_s=raised_s, bottom_layers=2)
    return Setup(printer=a_printer(), setting=setting)


@given(inset_mm=st.floats(0.03, 0.8))
@settings(max_examples=15, deadline=None)
def test_a_square_gets_smaller_by_whole_pixels_and_less_further_up(
    inset_mm: float,
) -> None:
    plan = plan_by_rule(bases.ready("square_25"), a_setup(), inset_mm)
    assert plan.guess
    assert plan.left == ()
    widths = [shapely.union_all(polygons(cut)).bounds for cut in plan.layers]
    for inset, (x0, _, x1, _) in zip(plan.insets, widths, strict=True):
        assert inset.quanta * 0.05 == pytest.approx(inset.inset_mm)
        assert abs(inset.inset_mm - inset.exact_mm) <= 0.025 + 1e-9
        # the cut is single precision's at worst: 25 mm to 2e-6
        assert x1 - x0 == pytest.approx(25.0 - 2 * inset.inset_mm, abs=1e-5)
    made = [inset.inset_mm for inset in plan.insets]
    assert made == sorted(made, reverse=True)
    assert made[0] == made[1]


def test_what_a_rule_cant_do_is_refused() -> None:
    base = bases.ready("hollow_disc_32")
    with pytest.raises(SpecError, match="thinner than two pixels"):
        plan_by_rule(base, a_setup(), 0.72)
    without = Setup(printer=a_printer(), setting=None)
    with pytest.raises(RecordError, match="needs to know"):
        plan_by_rule(base, without, 0.1)
