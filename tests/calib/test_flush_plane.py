"""Corners, round rims and small openings, solved in the plane."""

from __future__ import annotations

import numpy as np
import pytest

from calib.flush_model import build_model
from calib.flush_opening import (
    MOST_OPENED_MM,
    is_small,
    layers_above,
    opening_insets_mm,
)
from calib.flush_outline import drawn_in, shape_of
from calib.flush_plane import (
    ALONG_MM,
    circle_dose,
    circle_inset_mm,
    circle_insets_mm,
    ring_dose,
)
from calib.flush_sides import Sides
from calib.wall import Draws
from tests.calib.flat_samples import PIXEL_MM, SETTING, model, resins

SQUARE = np.array([(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)])


def circle(radius_mm: float, sides: int = 96) -> np.ndarray:
    turn = -np.linspace(0.0, 2.0 * np.pi, sides, endpoint=False)
    return radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])


def test_a_wide_disc_is_a_straight_wall() -> None:
    plane = model().plane
    found = circle_insets_mm(plane, 1000.0)
    straight = plane.place_mm(plane.levels) - plane.far_mm(plane.body_level)
    assert found == pytest.approx(straight, abs=1e-4)


@pytest.mark.parametrize("run_mm", [0.0, 0.01])
def test_quanta_of_a_curve_are_its_own(run_mm: float) -> None:
    wide = resins(halo="lorentzian", halo_mm=0.06)
    flat = build_model(Draws(batches=(wide,)), SETTING, PIXEL_MM, PIXEL_MM)
    sides = Sides.of(shape_of(circle(8.0)[::-1]), run_mm, flat)
    assert len(set(sides.held_mm.tolist())) > 1
    assert sides.curve_mm[0].max() < -0.01  # a disc has less light than a long wall
    _, kinds = sides.kinds()
    steps = [np.abs(flat.wall(run_mm).steps_mm(insets)).max() for insets in kinds]
    assert max(steps) < 0.3 * PIXEL_MM  # as of any whole quanta


def test_openings_need_more_and_discs_less_than_a_straight_wall() -> None:
    plane = model().plane
    opening, disc = circle_insets_mm(plane, -2.0), circle_insets_mm(plane, 2.0)
    straight = plane.place_mm(plane.levels) - plane.far_mm(plane.body_level)
    assert np.all(opening > straight)
    assert np.all(disc < straight)


def test_a_solved_corner_holds_the_dose_that_a_mitre_does_not() -> None:
    flat = model()
    plane, level = flat.plane, float(flat.plane.levels[0])
    far = plane.far_mm(level) - plane.far_mm(plane.body_level)
    shape = shape_of(SQUARE)
    # along the diagonal the body's outline of a square corner is found by its dose
    out = np.linspace(-0.1, 0.1, 2001)
    diagonal = SQUARE[2] + np.column_stack([out, out]) / np.sqrt(2.0)
    dose = ring_dose(plane, diagonal, [SQUARE])
    tip = diagonal[np.argmin(np.abs(dose - plane.body_level))][None]
    left = []
    for profile in (flat.corner_mm(90.0, 0.0)[0], np.zeros(len(ALONG_MM))):
        ring = drawn_in(shape, np.full(4, far), np.tile(profile, (4, 1)))
        dose = ring_dose(plane, tip, [ring])
        left.append(float(abs(plane.place_mm(dose)[0] - plane.far_mm(level))))
    solved, mitre = left
    assert solved < 0.01
    assert mitre > 0.09  # science.md: an outer tip is 92-196 um short


def test_corners_of_a_drafted_wall_are_solved_with_what_recedes_above_them() -> None:
    flat = model()
    plane, run, body = flat.plane, 0.014, 60
    exact = flat.wall(run).exact_mm[0]
    raised = len(exact)
    designs = [SQUARE * (1.0 - run * k / 5.0) for k in range(raised + body)]
    exposures = np.full(len(designs), flat.opening.normal_ratio)
    exposures[:raised] = flat.opening.dose_ratio[:raised]
    out = np.linspace(-0.15, 0.15, 61)
    diagonal = SQUARE[2] + np.column_stack([out, out]) / np.sqrt(2.0)

    def tip_mm(rings: list[np.ndarray], exposures: np.ndarray) -> float:
        passed = flat.opening.passed ** np.arange(len(rings))
        doses = [ring_dose(plane, diagonal, [ring]) for ring in rings]
        return float(np.interp(-1.0, -(exposures * passed) @ np.array(doses), out))

    wanted = tip_mm(designs, np.full(len(designs), exposures[-1]))
    left = []
    for draft in (run, 0.0):
        profiles = flat.corner_mm(90.0, draft)
        lower = [
            drawn_in(shape_of(ring), np.full(4, inset), np.tile(profile, (4, 1)))
            for ring, inset, profile in zip(designs, exact, profiles, strict=False)
        ]
        made = tip_mm([*lower, *designs[raised:]], exposures)
        left.append(abs(made - wanted))
    solved, as_if_upright = left
    assert solved < 0.015  # its knots leave that much at the very tip
    assert as_if_upright > 2.0 * solved


def test_an_opening_is_brought_to_its_design_width_layer_by_layer() -> None:
    stack = model().opening
    insets = opening_insets_mm(stack, circle(1.5), np.full(96, 0.05))[:, 0]
    normal = stack.normal_ratio / (1.0 - stack.passed)
    dose = normal * circle_dose(stack.plane, -1.5, 0.0, 0.0)
    doses = []
    for ratio, inset in zip(stack.dose_ratio[::-1], insets[::-1], strict=True):
        own = ratio * circle_dose(stack.plane, -1.5, inset, 0.0)
        dose = own + stack.passed * dose
        doses.append(dose)
    raised = doses[-8:]
    assert raised == pytest.approx([1.0] * 8, rel=0.02)
    assert insets.max() <= MOST_OPENED_MM
    assert 1 <= layers_above(stack) <= 6


def test_a_slot_is_opened_alike_on_both_sides() -> None:
    slot = np.array([(-10.0, -0.5), (-10.0, 0.5), (10.0, 0.5), (10.0, -0.5)])
    insets = opening_insets_mm(model().opening, slot, np.full(4, 0.001))
    # to a quantum, in which they are rounded a half apart
    assert insets[:, 1] == pytest.approx(insets[:, 3], abs=0.001 + 1e-9)
    assert 0.2 < insets[0, 1] < 0.3


def test_what_counts_as_small() -> None:
    slot = np.array([(-10.0, -0.5), (-10.0, 0.5), (10.0, 0.5), (10.0, -0.5)])
    assert is_small(slot)
    assert is_small(circle(1.5))
    assert not is_small(circle(2.6))


def test_a_disc_smaller_than_its_inset_is_not_turned_inside_out() -> None:
    plane = model().plane
    found = circle_inset_mm(plane, 0.2, 0.05, float(plane.levels[0]))
    assert found < 0.2
