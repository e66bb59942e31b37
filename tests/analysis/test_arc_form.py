"""Form of a partial arc, against published circles, filters and its own definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from analysis.arc_form import (
    FORM_CUTOFF_MM,
    arc_functionals,
    fit_circle,
    lowpass,
    lowpass_rows,
    rough_profile,
    split_bands,
    straightness,
)

PHI = np.deg2rad(np.arange(-88.0, 88.01, 0.4))
RADIUS_MM = 12.5


def _ring(
    residual_mm: np.ndarray, phi: np.ndarray, centre: tuple[float, float] = (0.0, 0.0)
) -> np.ndarray:
    ring = np.column_stack([np.cos(phi), np.sin(phi)]) * (
        RADIUS_MM + residual_mm[:, None]
    )
    return np.asarray(ring + np.array(centre))


def test_a_dent_at_the_lowest_point_is_its_sag() -> None:
    dent = np.where(np.abs(PHI) <= np.deg2rad(30.1), -0.04, 0.0)
    form = arc_functionals(PHI, dent, RADIUS_MM)
    assert form.sag_mm == pytest.approx(0.04, abs=1e-12)
    assert form.cos2phi_mm == pytest.approx(0.0, abs=1e-12)
    assert np.abs(form.valley_rad) < np.deg2rad(31.0)


@settings(deadline=None, max_examples=20, phases=[Phase.generate])
@given(
    offset=st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
    oval=st.floats(-0.05, 0.05),
    sag=st.floats(-0.1, 0.1),
    shift=st.floats(-0.1, 0.1),
)
def test_sag_and_form_ignore_place_size_and_uneven_shrinkage(
    offset: tuple[float, float], oval: float, sag: float, shift: float
) -> None:
    own = -sag * np.exp(-0.5 * (PHI / 0.35) ** 2) + 0.01 * np.cos(5 * PHI + 0.3)
    plain = arc_functionals(PHI, own, RADIUS_MM)
    moved = own + oval * np.cos(2 * PHI) + shift
    moved = moved + offset[0] * np.cos(PHI) + offset[1] * np.sin(PHI)
    form = arc_functionals(PHI, moved, RADIUS_MM)
    assert form.sag_mm == pytest.approx(plain.sag_mm, abs=1e-12)
    assert form.cos2phi_mm == pytest.approx(plain.cos2phi_mm + oval, abs=1e-12)
    assert form.form_mm == pytest.approx(plain.form_mm, abs=1e-12)


@settings(deadline=None, max_examples=20, phases=[Phase.generate])
@given(scale=st.floats(0.5, 2.0), seed=st.integers(0, 1000))
def test_lengths_grow_with_the_part(scale: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    residual = 0.01 * rng.standard_normal(len(PHI))
    here = arc_functionals(PHI, residual, RADIUS_MM)
    there = arc_functionals(PHI, residual * scale, RADIUS_MM * scale)
    assert there.sag_mm == pytest.approx(scale * here.sag_mm, abs=1e-9)
    assert there.radius_mm == pytest.approx(scale * here.radius_mm)


def test_gains_are_the_derivatives() -> None:
    rng = np.random.default_rng(3)
    residual = 0.02 * np.exp(-0.5 * ((PHI - 0.9) / 0.2) ** 2)
    residual -= 0.03 * np.exp(-0.5 * ((PHI + 0.2) / 0.3) ** 2)
    change = 1e-6 * rng.standard_normal(len(PHI))
    form = arc_functionals(PHI, residual, RADIUS_MM)
    after = arc_functionals(PHI, residual + change, RADIUS_MM)
    for name in ("sag", "cos2phi", "form", "radius"):
        told = getattr(form, f"{name}_gain") @ change
        seen = getattr(after, f"{name}_mm") - getattr(form, f"{name}_mm")
        # second order: the centre moves by 0.05 mm, a change of direction of 0.004
        assert seen == pytest.approx(told, abs=2e-8)


def test_too_little_arc_is_refused() -> None:
    with pytest.raises(ValueError, match="too little"):
        arc_functionals(PHI[:20], np.zeros(20), RADIUS_MM)


def test_published_circle() -> None:
    # Gander, Golub, Strebel 1994, BIT 34:558
    points = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
    circle = fit_circle(points)
    np.testing.assert_allclose(circle.centre_mm, (4.739782, 2.983533), atol=1e-6)
    assert circle.radius_mm == pytest.approx(4.714226, abs=1e-6)
    assert np.sum(circle.residual_mm**2) == pytest.approx(1.227599, abs=1e-6)
    assert circle.peak_to_valley_mm == pytest.approx(1.413003, abs=1e-6)


def test_lobed_and_elliptical_rings() -> None:
    # roundness of closed figures whose least-squares circle is known (RONt)
    phi = np.arange(360) * np.pi / 180
    lobes = 0.02 * np.cos(2 * phi) + 0.01 * np.cos(3 * phi)
    circle = fit_circle(_ring(lobes, phi, (0.3, -0.2)))
    np.testing.assert_allclose(circle.centre_mm, (0.3, -0.2), atol=1e-7)
    assert circle.radius_mm == pytest.approx(12.5, abs=1e-7)
    assert circle.peak_to_valley_mm == pytest.approx(0.0543924, abs=1e-7)
    ellipse = np.column_stack([12.5 * np.cos(phi), 12.45 * np.sin(phi)])
    circle = fit_circle(ellipse)
    assert circle.radius_mm == pytest.approx(12.475013, abs=1e-6)
    assert circle.peak_to_valley_mm == pytest.approx(0.05, abs=1e-6)


def test_circle_agrees_with_scikit_image() -> None:
    from skimage.measure import CircleModel

    rng = np.random.default_rng(7)
    points = _ring(0.02 * rng.standard_normal(len(PHI)), PHI, (3.0, -1.0))
    circle = fit_circle(points)
    other = CircleModel.from_estimate(points)  # type: ignore[no-untyped-call]
    # theirs is the algebraic circle: apart by about sigma^2 / R and the arc's gain
    np.testing.assert_allclose(circle.centre_mm, other.center, atol=1e-3)
    assert circle.radius_mm == pytest.approx(other.radius, abs=1e-3)


@pytest.mark.parametrize("bad", [np.zeros((2, 2)), np.outer(np.arange(5.0), (1, 2))])
def test_no_circle_through_a_line(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"three points|one line"):
        fit_circle(bad)


def test_straightness_reference_values() -> None:
    line = straightness(np.arange(5.0), np.array([0.0, 2.0, 1.0, 3.0, 0.0]))
    assert line.slope == pytest.approx(0.1)
    np.testing.assert_allclose(line.residual_mm, [-1.0, 0.9, -0.2, 1.7, -1.4])
    assert line.peak_to_valley_mm == pytest.approx(3.1)
    assert np.std(line.residual_mm) == pytest.approx(1.157584)
    x = np.linspace(0.0, 25.0, 101)
    bow = straightness(x, 0.05 * (1 - (x / 12.5 - 1) ** 2))
    assert bow.peak_to_valley_mm == pytest.approx(0.05, abs=1e-6)
    # least-squares line through a parabola: a third above, two thirds below, but for
    # the sampling
    assert bow.residual_mm.max() == pytest.approx(0.0170, abs=5e-5)


@pytest.mark.parametrize("wavelength_mm", [1.0, 2.0, 2.5, 4.0, 8.0, 20.0])
def test_filter_has_the_standards_transmission(wavelength_mm: float) -> None:
    # ISO 16610-21: amplitude exp(-pi (alpha cutoff / wavelength)^2)
    x = np.arange(0.0, 60.0, 0.05)
    wave = np.cos(2 * np.pi * (x - 30.0) / wavelength_mm)
    passed = lowpass(x, wave, 2.5)[len(x) // 2]
    alpha2 = np.log(2) / np.pi
    expected = np.exp(-np.pi * alpha2 * (2.5 / wavelength_mm) ** 2)
    assert passed == pytest.approx(expected, abs=1e-6)


def test_filter_is_the_standards_weighting_function() -> None:
    # ISO 16610-21: s(x) = exp(-pi (x / alpha lc)^2) / (alpha lc), alpha = 0.4697...
    x = np.arange(0.0, 20.0, 0.1)
    row = lowpass_rows(x, 2.5, np.array([100]))[0] / 0.1
    alpha = 0.46971863934982566
    expected = np.exp(-np.pi * ((x - 10.0) / (alpha * 2.5)) ** 2) / (alpha * 2.5)
    np.testing.assert_allclose(row, expected, atol=1e-9)


def test_uneven_sampling_and_gaps_leave_a_slow_profile_alone() -> None:
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0.0, 40.0, 500))
    x = x[(x < 20.0) | (x > 21.0)]
    slow = np.sin(2 * np.pi * x / 40.0)
    inner = (x > 2.5) & (x < 37.5)
    # the true filter takes exp(-ln 2 (2.5 / 40)^2) = 0.3 % of it; the gap adds slope
    # times its lopsided weight
    np.testing.assert_allclose(lowpass(x, slow, 2.5)[inner], slow[inner], atol=0.06)


def test_bands_add_up_and_hold_what_they_should() -> None:
    x = np.arange(0.0, 39.0, 0.1)
    rough = 0.01 * np.sin(2 * np.pi * x / 0.5)
    form = 0.05 * np.sin(2 * np.pi * x / 39.0)
    bands = split_bands(x, rough + form)
    total = bands.form_mm + bands.waviness_mm + bands.roughness_mm
    np.testing.assert_allclose(total, rough + form, atol=1e-15)
    inner = (x > FORM_CUTOFF_MM) & (x < 39.0 - FORM_CUTOFF_MM)
    np.testing.assert_allclose(bands.roughness_mm[inner], rough[inner], atol=2e-4)
    assert np.abs(bands.waviness_mm[inner]).max() < 0.003


@settings(deadline=None, max_examples=20, phases=[Phase.generate])
@given(seed=st.integers(0, 10_000), sigma_um=st.floats(3.0, 25.0))
def test_chips_and_longer_waves_are_not_roughness(seed: int, sigma_um: float) -> None:
    rng = np.random.default_rng(seed)
    arc = np.deg2rad(np.arange(-90.0, 90.0, 0.4)) * RADIUS_MM
    rough = 1e-3 * sigma_um * rng.standard_normal(len(arc))
    sag = -0.06 * np.exp(-0.5 * (arc / 5.0) ** 2)
    chip = -0.25 * np.sqrt(np.clip(1 - ((arc - 4.0) / 0.5) ** 2, 0, None))
    found = rough_profile(arc, rough + sag + chip)
    assert not found.kept[np.abs(arc - 4.0) < 0.45].any()
    assert found.kept.mean() > 0.75
    # white noise loses sqrt(2) alpha... of its variance to the filter: under 5 %; the
    # sag's own share above the cut-off is under 1 um
    assert found.sigma_mm == pytest.approx(1e-3 * sigma_um, rel=0.15, abs=1e-3)


def test_the_line_runs_straight_over_a_gap_wider_than_its_filter() -> None:
    """A dent of 8 mm, left out whole, must not draw the line to zero inside it."""
    arc = np.arange(-18.0, 18.0, 0.1)
    level = 0.150
    ripple = 0.001 * np.sin(2 * np.pi * arc / 0.9)
    dent = np.where(np.abs(arc) < 4.0, 0.040 + 0.040 * (np.round(arc / 0.1) % 2), 0.0)
    found = rough_profile(arc, level + ripple - dent)
    deepest = -found.profile_mm[np.abs(arc) < 1.0].min()
    assert deepest == pytest.approx(0.080, abs=0.004)  # ripple, and the line's own
