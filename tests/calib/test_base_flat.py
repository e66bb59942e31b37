"""A base planned flat: outlines, refusals, and what is told about them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.base_flat import plan_with
from calib.flush_model import build_model
from calib.flush_press import compensated
from calib.flush_region import areas, is_sound, regions_of
from calib.virtual.resin import InventedResin
from calib.virtual.stack import print_stack
from calib.wall import Draws
from patterns.base import Section
from patterns.base_reading import understand
from patterns.errors import SpecError
from tests import bases
from tests.calib.flat_samples import LAYER_MM, PIXEL_MM, SETTING, model, resins

MODEL = model()
SQUEEZED = model(squeeze_mm=0.08)


@pytest.mark.parametrize(
    "name", ["square_25", "hexagon_32_drafted", "ell_40", "hollow_disc_32", "wavy_50"]
)
def test_outlines_are_sound_and_inside_the_design(name: str) -> None:
    base = bases.ready(name)
    plan = plan_with(base, MODEL)
    assert len(plan.layers) == len(SETTING.raised_s)
    design = shapely.Polygon(base.rim.outline)
    for layer in plan.layers:
        assert is_sound(layer)
        assert len(layer.outer) == 1
        # an outer tip may stand out a little, where light is short
        assert shapely.Polygon(layer.outer[0]).within(design.buffer(0.3))
    assert plan.layers[0].z_mm == pytest.approx(LAYER_MM / 2)


def test_long_sides_are_drawn_in_by_whole_pixels() -> None:
    plan = plan_with(bases.ready("square_25"), MODEL)
    for layer, inset in zip(plan.layers, plan.insets, strict=True):
        middle = shapely.LineString([(-20.0, 0.0), (20.0, 0.0)])
        west, _, east, _ = middle.intersection(areas(layer)[0]).bounds
        assert east - west == pytest.approx(25.0 - 2 * inset.inset_mm, abs=1e-6)
        assert inset.inset_mm / PIXEL_MM == pytest.approx(inset.quanta)


def test_the_virtual_printer_prints_the_planned_wall_straight() -> None:
    plan = plan_with(bases.ready("square_25"), MODEL)
    resin = InventedResin(
        name="invented", depth_mm=0.1, gel_s=1.0, core_mm=0.04, halo=((0.15, 0.2),)
    )
    body = 30
    exposures = [*SETTING.raised_s, *[SETTING.normal_s] * body]
    quanta = [inset.quanta for inset in plan.insets]
    grown = [
        print_stack(
            exposures, [*insets, *[0] * body], resin, layer_mm=0.05, pixel_mm=0.05
        )
        for insets in (quanta, [0] * len(quanta))
    ]
    straight, bare = (out[:8] - out[12] for out in grown)
    assert np.abs(straight).max() < 0.01
    assert bare.max() > 0.2  # science.md 2l: 217 um
    predicted = [step.value_mm for step in plan.bare]
    assert bare == pytest.approx(predicted, abs=0.002)


def test_squeezed_out_resin_is_told_and_offered_for_sanding() -> None:
    plan = plan_with(bases.ready("disc_25"), SQUEEZED, tolerance_mm=0.01)
    assert plan.sanding_allowance_mm >= LAYER_MM
    assert any("squeezed-out" in caution for caution in plan.cautions)
    assert plan.left[0].value_mm < 0.5 * plan.bare[0].value_mm


def test_a_bottle_of_two_opinions_is_told_so_and_asked_for_a_second_coupon() -> None:
    draws = Draws(batches=(resins(3), resins(2, squeeze_mm=0.08)))
    undecided = build_model(draws, SETTING, PIXEL_MM, PIXEL_MM)
    plan = plan_with(bases.ready("square_25"), undecided)
    assert any("(0 to 0.08 mm)" in said for said in plan.cautions)
    assert any("second flare coupon" in said for said in plan.cautions)


def test_the_upright_foot_of_a_lifted_drafted_base_is_predicted() -> None:
    base = bases.ready("hexagon_32_drafted")
    plan = plan_with(base, SQUEEZED, tolerance_mm=0.01)
    lifted = round(plan.sanding_allowance_mm / LAYER_MM)
    assert lifted > 0
    # the whole stack added up: lifted layers repeat the design's lowest outline
    (resin,) = SQUEEZED.few
    count = 120
    run = SQUEEZED.wall(0.014).run_mm
    recedes = run * np.maximum(np.arange(count) - lifted, 0)
    ratio = np.full(count, SETTING.normal_s) / resin.tc_s[0]
    ratio[: len(SETTING.raised_s)] = np.array(SETTING.raised_s) / resin.tc_s[0]
    x = np.arange(-0.1, 0.6, 0.0005)

    def stands_mm(layer: int, ratio: np.ndarray, recedes: np.ndarray) -> float:
        above = np.arange(layer, count)
        place = x[:, None] + recedes[above] - recedes[layer]
        passed = resin.transmission(LAYER_MM)[0] ** (above - layer)
        dose = resin.edge(place[None])[0][0] @ (ratio[above] * passed)
        return float(np.interp(-1.0, -dose, x))

    body = stands_mm(0, np.full(count, ratio[-1]), run * np.arange(count))
    squeezed = [resin.squeeze_mm[0], resin.squeeze_second_mm[0], 0.0]
    for layer, squeeze in enumerate(squeezed):
        wanted = stands_mm(layer, ratio, recedes) + squeeze - body
        assert plan.bare[layer].value_mm == pytest.approx(wanted, abs=0.001)


def test_a_wall_too_thin_is_refused_with_its_place() -> None:
    thin = bases.build(bases.Made("disc", 32, 32, 4, shell_mm=0.5))
    base = understand(*thin, name="thin", source="thin")
    with pytest.raises(SpecError, match=r"pixels|pieces") as refusal:
        plan_with(base, MODEL)
    assert "bottom exposure" in str(refusal.value)


def test_small_openings_bring_a_few_normal_layers_along() -> None:
    plan = plan_with(bases.ready("hole_3_disc_30"), MODEL)
    assert len(plan.layers) > len(SETTING.raised_s)
    lowest = areas(plan.layers[0])[0].interiors[0]
    assert shapely.Polygon(lowest).area > np.pi * 1.5**2
    # above them it is the body's own light that narrows it, on both sides
    narrower = 2.0 * float(MODEL.wall(0.0).body_mm[0])
    assert any(f"{narrower:.2f} mm narrower" in said for said in plan.cautions)
    assert not any(
        "narrower" in c for c in plan_with(bases.ready("disc_25"), MODEL).cautions
    )


SQUARE = np.array([(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)])


@pytest.mark.parametrize(("wide_mm", "stays"), [(0.03, True), (0.4, False)])
def test_crumbs_fall_away_and_pieces_are_named_with_their_place(
    wide_mm: float, *, stays: bool
) -> None:
    """Left between letters engraved below: as thin as no wall is refused for."""
    design = Section(z_mm=0.025, outer=(SQUARE,), openings=())
    high = 1.0 + wide_mm
    piece = np.array([(8.0, 1.0), (8.4, 1.0), (8.4, high), (8.0, high)])
    if stays:
        (left,) = regions_of((design,), [[SQUARE, piece]])
        assert len(left.outer) == 1
        assert np.ptp(left.outer[0], axis=0) == pytest.approx([10.0, 10.0])
    else:
        with pytest.raises(SpecError, match=r"2 pieces.*x 8.2, y 1.2"):
            regions_of((design,), [[SQUARE, piece]])


@given(
    radii=st.lists(st.floats(4.0, 14.0), min_size=5, max_size=12),
    turn_deg=st.floats(0.0, 90.0),
)
@settings(max_examples=8, deadline=None)
def test_any_outline_stays_one_sound_body_or_is_refused(
    radii: list[float], turn_deg: float
) -> None:
    angle = np.linspace(0.0, 2 * np.pi, len(radii), endpoint=False)
    angle += np.radians(turn_deg)
    ring = np.array(radii)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    cut = Section(z_mm=0.025, outer=(ring,), openings=())
    try:
        layers = compensated((cut, cut), MODEL)
    except SpecError:
        return
    assert is_sound(layers[0])
    assert len(layers[0].outer) == 1


def test_realisable_and_scallop_are_told() -> None:
    plan = plan_with(bases.ready("oval_60x35"), MODEL)
    assert 0.9 < plan.realisable <= 1.0
    # Binv((1-q)/a) - Binv((1-q)/(a q)) of the body's own wall
    assert 0.01 < plan.scallop_mm.value_mm < 0.03
