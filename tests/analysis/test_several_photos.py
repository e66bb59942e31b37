"""Several photos of one print: noise averages down, what is shared does not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from analysis.flare import U_HINGE_MM
from analysis.result import Component, CouponMeasurement, Quantity, ToothReading
from analysis.several_photos import combine

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOISE_MM, RULER_MM = 0.004, 0.002
SCALE_U = RULER_MM / 0.2
NAMES = tuple(f"{side}{index:02d}" for side in "ab" for index in range(8))
TRUE_MM = np.linspace(0.0, 0.2, len(NAMES))


def _photo(
    rng: np.random.Generator,
    names: tuple[str, ...] = NAMES,
    printed_mm: NDArray[np.float64] = TRUE_MM,
) -> CouponMeasurement:
    """One photo of an invented print: independent noise on every tooth."""
    truth = dict(zip(NAMES, printed_mm, strict=True))
    growth = np.array([truth[name] for name in names])
    growth = growth + rng.normal(0, NOISE_MM, len(names))
    teeth = tuple(
        ToothReading(
            name=name,
            side="a" if name[0] == "a" else "b",
            role="inset",
            inset_mm=0.0,
            start_layer=0,
            growth_mm=float(value),
            u_growth_mm=NOISE_MM,
            used=True,
            reason=None,
            px=(0.0, 0.0),
        )
        for name, value in zip(names, growth, strict=True)
    )
    scale = growth * SCALE_U
    covariance = np.eye(len(names)) * (NOISE_MM**2 + U_HINGE_MM**2 / 4)
    covariance += np.outer(scale, scale)
    return CouponMeasurement(
        coupon_id="flare-0001-0123abcd",
        kind="flare",
        part_scale=0.998,
        u_part_scale=0.001,
        flare=Quantity(
            value_mm=0.2 + float(rng.normal(0, NOISE_MM)),
            u_mm=float(np.hypot(NOISE_MM, RULER_MM)),
            method="hinge",
            budget=(
                Component(name="ruler", u_mm=RULER_MM),
                Component(name="edge noise", u_mm=NOISE_MM),
            ),
        ),
        flare_upper_mm=None,
        body_growth=None,
        flush_inset=None,
        teeth=teeth,
        covariance_names=names,
        growth_cov_mm2=covariance,
        reasons={"body_growth_mm": "Shadow.", "flush_inset_mm": "Too wide."},
    )


def _growth(coupon: CouponMeasurement) -> NDArray[np.float64]:
    return np.array([tooth.growth_mm for tooth in coupon.teeth], dtype=float)


def test_one_photo_stays_as_it_is() -> None:
    photo = _photo(np.random.default_rng(1))
    assert combine([photo]) is photo


def test_noise_averages_down_and_the_ruler_does_not() -> None:
    rng = np.random.default_rng(2)
    flare = combine([_photo(rng) for _ in range(16)]).flare
    assert flare is not None
    budget = {component.name: component.u_mm for component in flare.budget}
    assert budget["ruler"] == pytest.approx(RULER_MM)
    # 16 photos: a quarter of the noise, widened by their own scatter at most (Birge)
    assert NOISE_MM / 4 <= budget["edge noise"] * 1.0000001 < 1.6 * NOISE_MM / 4
    assert flare.u_mm > RULER_MM


def test_the_uncertainty_of_the_teeth_is_neither_too_small_nor_too_large() -> None:
    rng = np.random.default_rng(3)
    scores = []
    for _ in range(60):
        model = rng.normal(0, U_HINGE_MM / 2, len(NAMES))
        shared = TRUE_MM * (1 + rng.normal(0, SCALE_U)) + model
        both = combine([_photo(rng, printed_mm=shared) for _ in range(2)])
        u = np.sqrt(np.diag(both.growth_cov_mm2))
        scores.append((_growth(both) - TRUE_MM) / u)
    # 1 by right; chance scatter of the two photos only ever widens (Birge), about 5 %
    assert 0.85 < float(np.sqrt(np.mean(np.square(scores)))) < 1.05


def test_photos_that_disagree_are_widened_and_said() -> None:
    rng = np.random.default_rng(4)
    photos = [_photo(rng), _photo(rng)]
    agreed = combine(photos)
    off = replace(
        photos[1],
        teeth=tuple(
            replace(tooth, growth_mm=(tooth.growth_mm or 0.0) + 0.03)
            for tooth in photos[1].teeth
        ),
    )
    apart = combine([photos[0], off])
    assert np.all(np.diag(apart.growth_cov_mm2) > 4 * np.diag(agreed.growth_cov_mm2))
    assert any("disagree" in warning for warning in apart.warnings)
    assert not any("disagree" in warning for warning in agreed.warnings)


def test_teeth_read_in_one_photo_only_are_kept() -> None:
    rng = np.random.default_rng(5)
    both = combine([_photo(rng, NAMES[:10]), _photo(rng, NAMES[4:])])
    assert set(both.covariance_names) == set(NAMES)
    u = dict(zip(both.covariance_names, np.diag(both.growth_cov_mm2), strict=True))
    assert u[NAMES[5]] < u[NAMES[0]]


def test_an_upper_limit_stands_where_no_photo_gave_a_flare() -> None:
    rng = np.random.default_rng(6)
    photos = [
        replace(_photo(rng), flare=None, flare_upper_mm=limit) for limit in (0.02, 0.01)
    ]
    both = combine(photos)
    assert (both.flare, both.flare_upper_mm) == (None, 0.01)
    assert both.reasons["body_growth_mm"] == "Shadow."


def test_photos_of_different_coupons_are_a_wrong_call() -> None:
    photo = _photo(np.random.default_rng(7))
    with pytest.raises(ValueError, match="one print"):
        combine([photo, replace(photo, coupon_id="flare-0002-0123abcd")])
    with pytest.raises(ValueError, match="one print"):
        combine([])
