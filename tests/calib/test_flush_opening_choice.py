"""Small openings of a bottle that is known by draws: none comes out wide open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.flush_closing import Closing, Sight
from calib.flush_model import FlatModel, build_model
from calib.flush_opening import SHORT_MM, most_opened_mm, opening_insets_mm
from calib.wall import Draws
from tests.calib.flat_samples import PIXEL_MM, SETTING, resins
from tests.calib.test_flush_closing import HOLE, RINGS

DEEP, SHALLOW = 0.35, 0.15
DEPTHS = (DEEP, SHALLOW)
"""Depths (mm) that one print of one coupon did not tell apart in a trial."""


def known_by(*depths_mm: float) -> FlatModel:
    """A bottle whose draws differ in how deep light goes; each as likely."""
    one = resins(halo_share=0.05)
    draws = tuple(replace(one, depth_mm=np.array([d])) for d in depths_mm)
    return build_model(Draws(batches=draws), SETTING, PIXEL_MM, PIXEL_MM)


def all_grown_mm(ring: np.ndarray, insets: np.ndarray, depth_mm: float) -> np.ndarray:
    """How far each layer of the insets closes, normal ones included."""
    resin = replace(resins(halo_share=0.05), depth_mm=np.array([depth_mm]))
    closing = Closing(sight=Sight.of(ring), resin=resin, setting=SETTING)
    dose = closing.above(insets, len(insets))
    grown = np.zeros(len(insets))
    for layer in range(len(insets) - 1, -1, -1):
        dose = closing.below(dose, insets[layer], layer)
        grown[layer] = closing.grown_mm(dose, layer)
    return grown


@RINGS
def test_whichever_draw_is_true_no_layer_comes_out_wide_open(ring: np.ndarray) -> None:
    insets = known_by(DEEP, SHALLOW).opening_mm(ring)
    for depth_mm in DEPTHS:
        # no wider than a normal layer may be, whatever the light from above
        assert all_grown_mm(ring, insets, depth_mm).min() > -SHORT_MM
    raised = len(SETTING.raised_s)
    typical = known_by(DEEP, DEEP, SHALLOW).opening
    alone = opening_insets_mm(typical, ring, np.full(len(ring), 0.001))
    worst = [
        max(np.abs(all_grown_mm(ring, tried, d))[:raised].max() for d in DEPTHS)
        for tried in (insets, alone)
    ]
    assert worst[0] < worst[1]


def test_normal_layers_stay_near_the_design_without_any_light_from_above() -> None:
    stack = known_by(DEEP).opening
    insets = opening_insets_mm(stack, HOLE, np.full(len(HOLE), 0.001))
    most = most_opened_mm(stack)
    assert np.all(insets.max(axis=1) <= most + 1e-9)
    normal = stack.dose_ratio == stack.normal_ratio
    assert normal.sum() > 3
    alone = stack.plane.far_mm(1.0 / stack.normal_ratio)
    assert most[normal] == pytest.approx(alone + SHORT_MM)


@RINGS
def test_draws_that_agree_are_opened_like_the_one_they_are(ring: np.ndarray) -> None:
    one, same = known_by(SHALLOW).opening_mm(ring), known_by(SHALLOW, SHALLOW)
    grown = [all_grown_mm(ring, i, SHALLOW) for i in (one, same.opening_mm(ring))]
    raised = len(SETTING.raised_s)
    # a pixel's half where sides go in whole ones
    assert np.abs(grown[1] - grown[0])[:raised].max() < 0.5 * PIXEL_MM
