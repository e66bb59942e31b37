"""The cure model's formulas against printed and derived check values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib import cure
from calib.insets import exact_insets_mm
from calib.stack import Resins, contours_mm, mask_stacks, silhouettes_mm
from calib.wall import Draws, Setting

# Values without another source are from the project's science notes, items 1 and 2:
# derived there and verified numerically on grids, independently of this code.
SIX_DIGITS = 5e-7


def resin(halo: str = "none", **changes: float) -> Resins:
    values = {
        "tc_s": 1.0,
        "depth_mm": 0.1,
        "core_mm": 0.04,
        "halo_share": 0.0,
        "halo_mm": 1.0,
        "squeeze_mm": 0.0,
        "squeeze_second_mm": 0.0,
    } | changes
    arrays = {name: np.array([value]) for name, value in values.items()}
    return Resins(halo=halo, **arrays)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seconds", "cured_mm"),
    [(2.5, 0.040547), (5, 0.109861), (10, 0.179176), (30, 0.289037), (60, 0.358352)],
)
def test_working_curve__jacobs(seconds: float, cured_mm: float) -> None:
    """Dp 0.1 mm, Ec 5 mJ/cm2, 3 mW/cm2; Gibson, Rosen, Stucker 2nd ed. eq. 4.16."""
    got = cure.cure_depth_mm(3.0 * seconds / 5.0, 0.1)
    assert got == pytest.approx(cured_mm, abs=SIX_DIGITS)


def test_working_curve_inverse__jacobs() -> None:
    assert 5.0 * cure.dose_for_depth(0.060, 0.1) == pytest.approx(9.110594, abs=5e-7)


def test_laser_line_width__gibson_rosen_stucker_ch4() -> None:
    """A thin scanned Gaussian line cures to B sqrt(Cd / (2 Dp)) (their line width).

    The line's dose is the difference of two edges a hair apart; W0 is the 1/e2 radius,
    2 sigma.
    """
    w0_mm, cured_mm, depth_mm, hair_mm = 0.085, 0.15, 0.1, 1e-5
    width_mm = 2.0 * w0_mm * np.sqrt(cured_mm / (2.0 * depth_mm))
    sigma_mm = w0_mm / 2.0

    def dose(x_mm: float) -> float:
        ends = cure.gaussian_edge(np.array([x_mm - hair_mm, x_mm + hair_mm]), sigma_mm)
        return float(ends[0] - ends[1])

    depth_at_rim = cured_mm + cure.cure_depth_mm(dose(width_mm / 2) / dose(0), depth_mm)
    assert width_mm == pytest.approx(0.147224, abs=SIX_DIGITS)
    assert depth_at_rim == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("layers", "gain"),
    [(1, 1.0), (2, 1.606531), (3, 1.974410), (5, 2.332876), (10, 2.524370)],
)
def test_later_layers_multiply_the_dose__gong_2015(layers: int, gain: float) -> None:
    q = cure.layer_transmission(0.05, 0.1)
    assert cure.stack_gain(layers, q) == pytest.approx(gain, abs=SIX_DIGITS)


@pytest.mark.parametrize(
    ("ratio", "gain"), [(0.25, 4.520812), (0.5, 2.541494), (1, 1.581977), (2, 1.156518)]
)
def test_endless_stack(ratio: float, gain: float) -> None:
    q = cure.layer_transmission(ratio, 1.0)
    assert cure.stack_gain(np.inf, q) == pytest.approx(gain, abs=SIX_DIGITS)


@pytest.mark.parametrize(
    ("layers", "through_mm"),
    [
        (1, 0.010000),
        (2, 0.057408),
        (3, 0.078027),
        (5, 0.094710),
        (10, 0.102599),
        (np.inf, 0.103275),
    ],
)
def test_print_through(layers: float, through_mm: float) -> None:
    dose = float(cure.dose_for_depth(0.060, 0.1))
    got = cure.print_through_mm(dose, layers, 0.05, 0.1)
    assert got == pytest.approx(through_mm, abs=SIX_DIGITS)


@pytest.mark.parametrize(
    ("dose", "gauss", "gauss_latitude", "lorentz", "lorentz_latitude", "exponential"),
    [
        (1.5, -0.430727, 1.833518, -0.577350, 2.792527, -0.405465),
        (2, 0.000000, 1.253314, 0.000000, 1.570796, 0.000000),
        (3, 0.430727, 0.916759, 0.577350, 1.396263, 0.405465),
        (5, 0.841621, 0.714383, 1.376382, 1.818622, 0.916291),
        (10, 1.281552, 0.569806, 3.077684, 3.289919, 1.609438),
        (20, 1.644854, 0.484798, 6.313752, 6.418817, 2.302585),
        (50, 2.053749, 0.413068, 15.894545, 15.936455, 3.218876),
        (100, 2.326348, 0.375204, 31.820516, 31.841463, 3.912023),
    ],
)
def test_edge_contours_and_latitudes(
    dose: float,
    gauss: float,
    gauss_latitude: float,
    lorentz: float,
    lorentz_latitude: float,
    exponential: float,
) -> None:
    near = pytest.approx
    assert cure.gaussian_contour_mm(dose, 1.0) == near(gauss, abs=SIX_DIGITS)
    assert cure.gaussian_latitude_mm(dose, 1.0) == near(gauss_latitude, abs=SIX_DIGITS)
    assert cure.lorentzian_contour_mm(dose, 1.0) == near(lorentz, abs=SIX_DIGITS)
    assert cure.lorentzian_latitude_mm(dose, 1.0) == near(
        lorentz_latitude, abs=SIX_DIGITS
    )
    assert cure.exponential_contour_mm(dose, 1.0) == near(exponential, abs=SIX_DIGITS)
    latitude = 1.0 if dose >= 2 else 1.0 / (dose - 1.0)
    assert cure.exponential_latitude_mm(dose, 1.0) == near(latitude, abs=SIX_DIGITS)


@pytest.mark.parametrize(
    ("share", "strong_mm", "weak_mm"),
    [
        (0.0, 0.059515, 0.019087),
        (0.05, 0.063275, 0.019356),
        (0.1, 0.068113, 0.019635),
        (0.2, 0.084548, 0.020226),
    ],
)
def test_mixed_edge(share: float, strong_mm: float, weak_mm: float) -> None:
    """Gaussian core and Lorentzian halo, both 0.030 mm, at two doses."""
    bottle = resin("lorentzian", core_mm=0.03, halo_share=share, halo_mm=0.03)
    level = 1.0 / np.array([[42.304688, 3.812241]])
    np.testing.assert_allclose(
        bottle.edge_inverse(level), [[strong_mm, weak_mm]], atol=SIX_DIGITS
    )


def test_stack_of_bottom_and_normal_layers() -> None:
    """Five layers of 18, then 1.5 gel exposures: growth of layers 0, 4, 5 and 20."""
    bottle = resin(core_mm=0.03)
    exposures = np.array([18.0] * 5 + [1.5] * 55)
    stacks = mask_stacks(np.zeros((1, 60)), exposures, 0.05, 21)
    growth = contours_mm(stacks, bottle)[0, 0, [0, 4, 5, 20]]
    np.testing.assert_allclose(
        growth, [0.059515, 0.049571, 0.019087, 0.019087], atol=SIX_DIGITS
    )


def test_steps_of_an_uncorrected_wall() -> None:
    """Item 2l: 85 % Gaussian 0.04 mm, 15 % 0.2 mm; 30 s five times, then 20, 10, 5."""
    bottle = resin("gaussian", halo_share=0.15, halo_mm=0.2)
    exposures = np.array([30.0] * 5 + [20.0, 10.0, 5.0] + [2.5] * 52)
    stacks = mask_stacks(np.zeros((1, 60)), exposures, 0.05, 10)
    growth = contours_mm(stacks, bottle)[0, 0]
    steps_um = [217.3, 213.4, 206.5, 193.8, 168.2, 101.6, 36.3, 12.1, 0.0]
    # the notes print a tenth of a micrometre
    np.testing.assert_allclose(1e3 * (growth - growth[-1])[:9], steps_um, atol=0.06)


@pytest.mark.parametrize(
    ("halo", "share", "inset_mm"),
    [
        ("none", 0.0, {30.0: 0.048701}),
        (
            "gaussian",
            0.15,
            {30.0: 0.223069, 20.0: 0.175916, 10.0: 0.081102, 5.0: 0.026853},
        ),
    ],
)
def test_closed_form_of_the_insets(
    halo: str, share: float, inset_mm: dict[float, float]
) -> None:
    bottle = resin(halo, halo_share=share, halo_mm=0.2)
    setting = Setting(
        layer_mm=0.05,
        normal_s=2.5,
        raised_s=tuple(inset_mm),
        bottom_layers=1,
    )
    got = exact_insets_mm(Draws(batches=(bottle,)), setting)
    np.testing.assert_allclose(got[0], list(inset_mm.values()), atol=SIX_DIGITS)


def test_closed_form_insets_straighten_the_full_stack() -> None:
    bottle = resin("gaussian", halo_share=0.15, halo_mm=0.2)
    raised = (30.0,) * 5 + (20.0, 10.0, 5.0)
    setting = Setting(layer_mm=0.05, normal_s=2.5, raised_s=raised, bottom_layers=5)
    insets = np.zeros((1, 60))
    insets[0, :8] = exact_insets_mm(Draws(batches=(bottle,)), setting)[0]
    stacks = mask_stacks(insets, [*raised, *[2.5] * 52], 0.05, 9)
    growth = contours_mm(stacks, bottle)[0, 0]
    np.testing.assert_allclose(growth, 0.048272, atol=1e-6)


@given(
    core_mm=st.floats(0.01, 0.08),
    share=st.floats(0.01, 0.3),
    halo_mm=st.floats(0.05, 0.3),
    exposure_s=st.floats(5.0, 60.0),
    inset_mm=st.floats(0.0, 0.5),
)
def test_silhouette_is_the_outermost_contour(
    core_mm: float, share: float, halo_mm: float, exposure_s: float, inset_mm: float
) -> None:
    bottle = resin("gaussian", core_mm=core_mm, halo_share=share, halo_mm=halo_mm)
    insets = np.array([[inset_mm] * 4 + [0.0] * 16])
    stacks = mask_stacks(insets, [exposure_s] * 4 + [2.5] * 16, 0.05, 10)
    outermost = contours_mm(stacks, bottle).max()
    # both roots are found to 0.02 um
    assert silhouettes_mm(stacks, bottle)[0, 0] == pytest.approx(outermost, abs=1e-4)


@given(shift_mm=st.floats(-0.3, 0.3))
def test_drawing_every_mask_in_moves_the_outline_as_much(shift_mm: float) -> None:
    bottle = resin("exponential", halo_share=0.1, halo_mm=0.1)
    exposures = [30.0] * 4 + [2.5] * 16
    plain = silhouettes_mm(mask_stacks(np.zeros((1, 20)), exposures, 0.05, 10), bottle)
    moved = silhouettes_mm(
        mask_stacks(np.full((1, 20), shift_mm), exposures, 0.05, 10), bottle
    )
    assert moved[0, 0] == pytest.approx(plain[0, 0] - shift_mm, abs=1e-4)


@pytest.mark.parametrize("halo", ["gaussian", "exponential", "lorentzian"])
def test_light_from_beyond_a_strip_of_no_width_is_all_light(halo: str) -> None:
    x_mm = np.array([-0.2, 0.0, 0.3])
    beyond, slope = getattr(cure, f"{halo}_beyond")(x_mm, 0.0, 0.1)
    whole = getattr(cure, f"{halo}_edge")(x_mm, 0.1)
    np.testing.assert_allclose(beyond, whole, atol=1e-12)
    np.testing.assert_allclose(
        slope, getattr(cure, f"{halo}_edge_slope")(x_mm, 0.1), atol=1e-12
    )


def test_lorentzian_from_beyond_a_strip_by_integration() -> None:
    """Density gamma / (2 pi (gamma^2 + r^2)^(3/2)), by quadrature."""
    from scipy.integrate import quad

    gamma_mm, x_mm, half_mm = 0.08, 0.25, 1.6

    def column(x: float) -> float:
        return float(
            quad(lambda y: (gamma_mm**2 + x * x + y * y) ** -1.5, half_mm, np.inf)[0]
        )

    integral, _ = quad(column, x_mm, np.inf)
    expected = 2.0 * gamma_mm / (2.0 * np.pi) * integral
    got, slope = cure.lorentzian_beyond(x_mm, half_mm, gamma_mm)
    assert got == pytest.approx(expected, rel=1e-6)
    assert slope == pytest.approx(-gamma_mm / np.pi * column(x_mm), rel=1e-6)
