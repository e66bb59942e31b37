"""Small openings against squeezed-out resin, and corners that hang on by a neck."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from calib.flush_closing import Closing, Sight, opened_further
from calib.flush_opening import opening_insets_mm, whole_mm
from calib.flush_outline import drawn_in, shape_of
from calib.flush_plane import ALONG_MM, NECK_MM
from calib.squeeze_insets import EXTRA_MM
from tests.calib.flat_samples import SETTING, model, resins

SQUARE = np.array([(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)])
SLOT = np.array([(-10.0, -0.5), (-10.0, 0.5), (10.0, 0.5), (10.0, -0.5)])
TURN = -np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
HOLE = 1.5 * np.column_stack([np.cos(TURN), np.sin(TURN)])
RINGS = pytest.mark.parametrize("ring", [SLOT, HOLE], ids=["slot", "hole"])


def closing(ring: np.ndarray, squeeze_mm: float) -> Closing:
    return Closing(
        sight=Sight.of(ring), resin=resins(squeeze_mm=squeeze_mm), setting=SETTING
    )


def test_a_slot_is_looked_into_across_its_width_from_both_sides() -> None:
    sight = Sight.of(SLOT)
    assert sight.radius_mm == pytest.approx(0.5, abs=0.002)
    first, second = np.split(sight.places_mm, 2)
    assert np.abs(sight.places_mm[:, 0]).max() < 0.01  # of a slot 20 mm long
    assert first == pytest.approx(-second, abs=0.005)
    hole = Sight.of(HOLE)
    assert len(hole.places_mm) == len(hole.into_mm)


@given(st.floats(-0.6, 0.6), st.sampled_from([0.019, 0.035, 0.05]))
def test_a_slot_s_width_comes_in_whole_quanta(inset: float, quantum: float) -> None:
    sides = np.full(4, inset)
    found = whole_mm(sides, np.full(4, quantum), Sight.of(SLOT).shape)
    assert found / quantum == pytest.approx(np.round(found / quantum))
    both = found[0] + found[2], found[1] + found[3]
    assert both == pytest.approx((2 * inset, 2 * inset), abs=0.5 * quantum + 1e-9)


@RINGS
def test_solved_openings_close_nowhere(ring: np.ndarray) -> None:
    insets = opening_insets_mm(model().opening, ring, np.full(len(ring), 0.001))
    grown = closing(ring, 0.0).all_grown_mm(insets)
    # a micrometre of inset, and the dose's line between places 20 um apart
    assert np.abs(grown).max() < 0.004


@RINGS
def test_squeezed_out_resin_closes_them_by_as_much(ring: np.ndarray) -> None:
    insets = np.zeros((12, len(ring)))
    dry = closing(ring, 0.0).all_grown_mm(insets)
    wet = closing(ring, 0.08).all_grown_mm(insets)
    # flat_samples: 0.3 of it on the second layer
    assert wet - dry == pytest.approx([0.08, 0.024, *[0.0] * 6])


@RINGS
@pytest.mark.parametrize("squeeze_mm", [0.04, 0.12])
def test_masks_are_opened_further_downwards_and_it_helps(
    ring: np.ndarray, squeeze_mm: float
) -> None:
    quantum = np.full(len(ring), 0.05 if ring is SLOT else 0.001)
    insets = opening_insets_mm(model().opening, ring, quantum)
    wet = closing(ring, squeeze_mm)
    opened = opened_further([wet], insets, quantum)
    extra = opened - insets
    assert np.all(np.diff(extra, axis=0) < 1e-12)
    assert extra.min() > -1e-12
    assert extra.max() < EXTRA_MM + 1e-9
    assert extra[3:] == pytest.approx(0.0)
    left, before = (np.abs(wet.all_grown_mm(each)).max() for each in (opened, insets))
    assert left < 0.8 * before


def test_the_model_opens_masks_further_only_where_resin_is_squeezed_out() -> None:
    dry, wet = model().opening_mm(SLOT), model(squeeze_mm=0.08).opening_mm(SLOT)
    assert (wet - dry)[0].min() >= 0.05
    assert (wet - dry)[3:] == pytest.approx(0.0)


def test_openings_that_are_alike_are_solved_once() -> None:
    flat = model()
    assert flat.opening_mm(SLOT) is flat.opening_mm(SLOT + np.array([7.0, -3.0]))


@pytest.mark.parametrize("inset_mm", [0.1, 0.3, 0.45])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_an_outer_tip_hangs_on_by_a_neck(inset_mm: float, turn_deg: float) -> None:
    turn = np.radians(turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    shape = shape_of(SQUARE @ np.array([[c, s], [-s, c]]))
    # a tip left out at the design's own while its arms go in
    tip = -inset_mm * np.maximum(1.0 - ALONG_MM / 0.3, 0.0)
    ring = drawn_in(shape, np.full(4, inset_mm), np.tile(tip, (4, 1)))
    region = shapely.Polygon(ring)
    assert region.is_valid
    core = region.buffer(-0.5 * NECK_MM, join_style="mitre")
    assert isinstance(core, shapely.Polygon)
    reach = np.hypot(*shapely.get_coordinates(core).T).max()
    assert reach > 5.0 * np.sqrt(2.0) - 0.1


def test_round_holes_are_opened_for_what_pixels_stairs_take() -> None:
    narrower, u = model().stairs_in_holes_mm
    # of two pairs of stairs the narrower, each at most half a pixel off on either side
    assert 0.0 < narrower < 0.05
    assert narrower < u < 0.05
    finer, _ = model(pixel_mm=0.0125).stairs_in_holes_mm
    assert finer < 0.5 * narrower
    # the light of the body above, whose hole is as designed, takes some back at the top
    wider = -2.0 * closing(HOLE, 0.0).all_grown_mm(model().opening_mm(HOLE))[:5]
    assert wider == pytest.approx(np.full(5, narrower), abs=0.003)
