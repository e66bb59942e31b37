"""Three written bases printed virtually; all: ``python -m tests.calib.base_prints``."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.calib.base_prints import Verdict, try_base

SEED = 21


@cache
def verdict(name: str, *, squeezed: bool = False) -> Verdict:
    rng = np.random.default_rng([SEED, 0])
    return try_base(name, rng, fitted=False, squeezed=squeezed)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["square_25", "hole_3_disc_30"])
def test_a_written_base_prints_straight_where_a_plain_one_does_not(name: str) -> None:
    found = verdict(name)
    assert found.share >= 0.95
    assert found.bare_share <= 0.05
    assert found.left_mm < 0.5 * found.bare_mm
    assert found.within_interval


@pytest.mark.slow
def test_square_corners_are_kept() -> None:
    found = verdict("square_25")
    assert found.corner_mm <= 0.070
    assert found.corner_mm < found.mitre_mm


@pytest.mark.slow
def test_a_small_hole_gets_its_design_width() -> None:
    (hole,) = verdict("hole_3_disc_30").openings
    assert hole.design_mm == pytest.approx(3.0, abs=0.005)  # a circle of many sides
    assert hole.off_mm <= 0.030
    assert hole.as_predicted


@pytest.mark.slow
def test_of_squeezed_out_resin_half_is_left_and_as_much_as_predicted() -> None:
    found = verdict("hole_3_disc_30", squeezed=True)
    assert found.squeeze_mm >= 0.03
    assert found.left_mm <= 0.5 * found.bare_mm
    assert found.within_interval
    (hole,) = found.openings
    assert hole.as_predicted
    assert 2.0 * found.squeeze_mm > hole.off_mm
