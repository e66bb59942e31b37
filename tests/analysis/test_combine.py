"""Several photos of one print: what they share is not averaged down."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.combine import combine_quantities
from analysis.result import Component, Quantity


def reading(value_mm: float, *, noise_mm: float, model_mm: float) -> Quantity:
    return Quantity(
        value_mm=value_mm,
        u_mm=float(np.hypot(noise_mm, model_mm)),
        method="hinge",
        budget=(
            Component(name="edge noise", u_mm=noise_mm),
            Component(name="model", u_mm=model_mm),
        ),
    )


def test_own_noise_shrinks_and_the_shared_part_stays() -> None:
    photos = [reading(0.2, noise_mm=0.004, model_mm=0.003) for _ in range(4)]
    together = combine_quantities(photos)
    assert together.value_mm == pytest.approx(0.2)
    assert together.u_mm == pytest.approx(np.hypot(0.004 / 2, 0.003))


def test_the_surer_photo_weighs_more() -> None:
    together = combine_quantities(
        [
            reading(0.200, noise_mm=0.002, model_mm=0.003),
            reading(0.206, noise_mm=0.006, model_mm=0.003),
        ]
    )
    assert 0.200 < together.value_mm < 0.203
    assert together.u_mm < np.hypot(0.002, 0.003)


def test_photos_that_disagree_widen_the_result() -> None:
    together = combine_quantities(
        [
            reading(0.18, noise_mm=0.002, model_mm=0.003),
            reading(0.22, noise_mm=0.002, model_mm=0.003),
        ]
    )
    assert together.value_mm == pytest.approx(0.20)
    assert together.u_mm > 0.015


def test_one_photo_stays_as_it_is_and_none_is_refused() -> None:
    alone = reading(0.2, noise_mm=0.004, model_mm=0.003)
    assert combine_quantities([alone]) is alone
    with pytest.raises(ValueError, match="nothing"):
        combine_quantities([])
