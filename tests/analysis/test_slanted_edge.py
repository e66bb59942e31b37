"""The modulation of drawn edges against the closed Gaussian form (ISO 12233)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from analysis.slanted_edge import slanted_edge

FINE = 8


def edge(sigma_px: float, angle_deg: float, *, falls: bool = False) -> np.ndarray:
    """100 x 80 px, eight by eight points to a pixel, bright to the right."""
    y, x = (np.mgrid[: 80 * FINE, : 100 * FINE] + 0.5) / FINE - 0.5
    angle = np.deg2rad(angle_deg)
    across = (x - 49.3 - (y - 40) * np.tan(angle)) * np.cos(angle)
    light = ndtr((-across if falls else across) / sigma_px)
    pixels = light.reshape(80, FINE, 100, FINE).mean(axis=(1, 3))
    return np.asarray(0.1 + 0.7 * pixels)


# MTF50 of exp(-2 pi^2 s^2 f^2) sinc(f), a square pixel's aperture: closed form,
# computed for the project; 1 % covers the bins of a quarter pixel
@pytest.mark.parametrize(
    ("sigma_px", "mtf50"),
    [(0.5, 0.32144), (1.0, 0.17989), (1.5, 0.12292), (2, 0.09315)],
)
def test_half_modulation_of_a_gaussian_edge(sigma_px: float, mtf50: float) -> None:
    assert slanted_edge(edge(sigma_px, 5.0)).mtf50_per_px == pytest.approx(
        mtf50, rel=0.01
    )


@settings(max_examples=8, deadline=None)
@given(
    sigma_px=st.floats(0.7, 2.2),
    angle_deg=st.floats(2.0, 20.0),
    falls=st.booleans(),
)
def test_blur_from_the_modulation(
    sigma_px: float, angle_deg: float, *, falls: bool
) -> None:
    seen = slanted_edge(edge(sigma_px, angle_deg, falls=falls))
    # a pixel's own width adds 1/12 px^2
    assert seen.sigma_px == pytest.approx(np.sqrt(sigma_px**2 + 1 / 12), rel=0.02)


def test_modulation_follows_the_gaussian() -> None:
    seen = slanted_edge(edge(1.0, 5.0))
    f = seen.per_px[seen.per_px < 0.3]
    expected = np.exp(-2 * (np.pi * f) ** 2) * np.sinc(f)
    np.testing.assert_allclose(seen.mtf[: len(f)], expected, atol=0.01)


@pytest.mark.parametrize("light", [np.ones((40, 40)), np.zeros((4, 40))])
def test_no_edge(light: np.ndarray) -> None:
    with pytest.raises(ValueError, match="edge"):
        slanted_edge(light)
