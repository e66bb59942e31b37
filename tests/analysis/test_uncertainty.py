"""Combination of uncertainties against published numbers and other calculators."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.result import Component
from analysis.uncertainty import (
    SOURCES,
    budget,
    combined_u,
    least_squares,
    weighted_mean,
    with_component,
)

# GUM H.3, thermometer calibration; data as in the GTC documentation (GUM_H3)
T_C = np.array(
    [
        21.521,
        22.012,
        22.512,
        23.003,
        23.507,
        23.999,
        24.513,
        25.002,
        25.503,
        26.010,
        26.511,
    ]
)
B_C = np.array(
    [
        -0.171,
        -0.169,
        -0.166,
        -0.159,
        -0.164,
        -0.165,
        -0.156,
        -0.157,
        -0.159,
        -0.161,
        -0.160,
    ]
)


def test_straight_line__gum_h3() -> None:
    design = np.column_stack([np.ones(11), T_C - 20.0])
    first = least_squares(design, B_C, np.ones(11))
    residual = B_C - design @ first.value
    variance = residual @ residual / 9
    fit = least_squares(design, B_C, np.full(11, variance))
    assert fit.value == pytest.approx([-0.17120379, 0.002182698], rel=1e-5)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.00287760, 0.000667939], rel=1e-5)
    assert fit.covariance[0, 1] / (u[0] * u[1]) == pytest.approx(-0.9304296, abs=1e-6)
    at_30 = np.array([1.0, 10.0])
    u_30 = float(np.sqrt(at_30 @ fit.covariance @ at_30))
    assert at_30 @ fit.value == pytest.approx(-0.1493768, abs=1e-6)
    assert u_30 == pytest.approx(0.00413860, rel=1e-5)
    assert np.hypot(u[0], 10 * u[1]) == pytest.approx(0.00727, abs=1e-5)  # not u_30


def test_covariance_is_that_of_the_linear_map() -> None:
    rng = np.random.default_rng(1)
    design, variance = rng.normal(size=(9, 3)), rng.uniform(0.5, 2.0, 9)
    fit = least_squares(design, rng.normal(size=9), variance)
    by_map = fit.gain @ np.diag(variance) @ fit.gain.T
    assert by_map == pytest.approx(fit.covariance)


def test_weighted_mean_of_correlated_readings__uncertainties() -> None:
    """The same mean through the `uncertainties` package's own covariance arithmetic."""
    uncertainties = pytest.importorskip("uncertainties")
    values = np.array([0.200, 0.206, 0.195])
    covariance = np.array([[16.0, 5, 5], [5, 25, 5], [5, 5, 9]]) * 1e-6
    mean, u, weights = weighted_mean(values, covariance)
    readings = uncertainties.correlated_values(values, covariance)
    other = sum(w * r for w, r in zip(weights, readings, strict=True))
    assert mean == pytest.approx(other.nominal_value)
    assert u == pytest.approx(other.std_dev)
    assert weights.sum() == pytest.approx(1.0)


def test_budget_adds_up_to_the_whole__gtc() -> None:
    """The same sum by GTC, which carries the inputs one by one."""
    gtc = pytest.importorskip("GTC")
    sensitivity = np.array([0.5, 0.5, -1.0, 0.2])
    split = {
        "edge noise": np.array([4.0, 4.0, 0.0, 0.0]) * 1e-6,
        "light": np.array([1.0, 9.0, 0.0, 0.0]) * 1e-6,
        "heights": np.array([0.0, 0.0, 2.0, 0.0]) * 1e-6,
        "pose": np.array([0.0, 0.0, 0.0, 25.0]) * 1e-6,
    }
    parts = budget(sensitivity, split)
    total = 0
    for variances in split.values():
        for c, v in zip(sensitivity, variances, strict=True):
            total = total + c * gtc.ureal(0.0, float(np.sqrt(v)))
    assert [p.name for p in parts] == list(SOURCES)
    assert combined_u(parts) == pytest.approx(gtc.uncertainty(total))


def test_a_component_is_added_in_quadrature_to_its_line_alone() -> None:
    parts = (Component(name="light", u_mm=3e-3), Component(name="model", u_mm=1e-3))
    wider = with_component(parts, "light", 4e-3)
    assert [c.u_mm for c in wider] == pytest.approx([5e-3, 1e-3])


def test_what_readings_share_is_not_averaged_down() -> None:
    shared = np.full((4, 4), 9.0) + np.eye(4) * 4.0
    _, u, _ = weighted_mean(np.zeros(4), shared)
    assert u == pytest.approx(np.sqrt(9.0 + 4.0 / 4))
