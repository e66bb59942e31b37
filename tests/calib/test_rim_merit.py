"""The largest departure of a rim: what it adds up, and what doubt it owns up to."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.rim_result import Chip
from calib.rim_merit import SANDING_MM, departure
from tests.calib.rim_samples import a_length, a_tile

CORNER = 1 / math.sin(math.radians(37.5)) - 1  # a wall that leans in by 15 degrees


def test_the_parts_by_hand() -> None:
    """Form 0.11, chip 0.15 over 3 x 0.009, edge radius half of at most 0.1."""
    found = departure(a_tile())
    assert found is not None
    assert found.shape_mm == 0.11
    assert found.ragged_mm == 0.15
    assert found.edge_mm == pytest.approx(0.05 * CORNER)
    assert found.sanding_mm == 0.0
    assert found.value_mm == pytest.approx(0.26 + 0.05 * CORNER)
    assert found.u_mm == pytest.approx(math.hypot(0.007, 0.01))
    assert found.u_open_mm == pytest.approx(0.1 * CORNER / math.sqrt(12))
    assert found.open == ("edge_radius",)
    u = math.hypot(found.u_mm, found.u_open_mm)
    assert found.upper_mm == pytest.approx(found.value_mm + 1.645 * u)


def test_the_corner_is_the_gap_under_a_ball() -> None:
    """Rounding takes from a right corner r (sqrt 2 - 1), geometry."""
    rounded = a_tile(values=a_tile().values | {"edge_radius": a_length(0.2)})
    found = departure(rounded, taper_deg=0.0)
    assert found is not None
    assert found.edge_mm == pytest.approx(0.2 * (math.sqrt(2) - 1))


def test_without_chips_the_rougher_of_roughness_and_spread_counts() -> None:
    found = departure(a_tile(chips=()))
    assert found is not None
    assert found.ragged_mm == pytest.approx(3 * 0.009)  # 0.02 x 3 / 2.563 is less
    wide = a_tile(chips=(), values=a_tile().values | {"edge_spread": a_length(0.05)})
    found = departure(wide)
    assert found is not None
    assert found.ragged_mm == pytest.approx(0.05 * 3 / 2.563)


def test_a_lip_counts_its_sanding() -> None:
    bare, lipped = departure(a_tile()), departure(a_tile(lipped=True))
    assert bare is not None
    assert lipped is not None
    assert lipped.value_mm - bare.value_mm == pytest.approx(SANDING_MM)
    assert lipped.u_open_mm > bare.u_open_mm


def test_a_sag_without_form_is_doubtful_and_nothing_is_nothing() -> None:
    values = a_tile().values
    only_sag = a_tile(values={"sag": values["sag"]})
    found = departure(only_sag)
    whole = departure(a_tile())
    assert found is not None
    assert whole is not None
    assert found.shape_mm == pytest.approx(1.5 * 0.08)
    assert found.u_open_mm > whole.u_open_mm
    assert found.open == ("form", "edge_radius")
    assert departure(a_tile(values={}, upper_mm={})) is None


def test_chips_that_nobody_could_look_for_are_doubt() -> None:
    looked = departure(a_tile(chips=()))
    blind = departure(a_tile(chips=(), chip_limit_mm=None))
    assert looked is not None
    assert blind is not None
    assert blind.value_mm == looked.value_mm
    assert blind.u_open_mm > looked.u_open_mm
    assert "chips" in blind.open


@given(
    form=st.floats(0.0, 1.0),
    sag=st.floats(-1.0, 1.0),
    depth=st.floats(0.0, 1.0),
    more=st.floats(0.0, 0.5),
)
def test_a_worse_rim_never_has_the_smaller_departure(
    form: float, sag: float, depth: float, more: float
) -> None:
    def of(form_mm: float, sag_mm: float, depth_mm: float) -> float:
        chip = Chip(phi_deg=0.0, width_mm=0.5, depth_mm=depth_mm, u_depth_mm=0.01)
        values = a_tile().values | {"form": a_length(form_mm), "sag": a_length(sag_mm)}
        found = departure(replace(a_tile(), values=values, chips=(chip,)))
        assert found is not None
        return found.value_mm

    base = of(form, sag, depth)
    assert base >= max(form, abs(sag), depth)
    assert of(form + more, sag, depth) >= base
    assert of(form, math.copysign(abs(sag) + more, sag), depth) >= base
    assert of(form, sag, depth + more) >= base
