"""The dose of a polygon, against closed formulas and a raster."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from calib.plane_dose import Blur, polygon_dose, sides_of
from tests.calib.flat_samples import resins

if TYPE_CHECKING:
    from calib.stack import Halo

PLACES_MM = np.array([-0.5, -0.1, -0.03, 0.0, 0.02, 0.06, 0.2, 0.5])


@pytest.mark.parametrize(
    ("halo", "tolerance"),
    # a half-plane 200 mm wide lacks some of a Lorentzian's tail: 2 g / (pi 100 mm)
    [("none", 1e-8), ("gaussian", 1e-8), ("exponential", 2e-5), ("lorentzian", 5e-5)],
)
def test_a_long_edge_has_the_edge_profile_of_the_cure_model(
    halo: Halo, tolerance: float
) -> None:
    resin = resins(halo=halo, halo_mm=0.05)
    half_plane = np.array([(-200.0, -200.0), (0.0, -200.0), (0.0, 200.0), (-200, 200)])
    points = np.column_stack([PLACES_MM, np.full(len(PLACES_MM), 0.3)])
    found = polygon_dose(points, sides_of([half_plane]), Blur.of(resin, 0))
    assert found == pytest.approx(resin.edge(PLACES_MM[None])[0][0], abs=tolerance)


def test_a_square_corner_of_a_gaussian_is_a_product_of_edges() -> None:
    blur = Blur(core_mm=0.05, halo="none", halo_share=0.0, halo_mm=1.0)
    corner = np.array([(-9.0, -9.0), (0.0, -9.0), (0.0, 0.0), (-9.0, 0.0)])
    points = np.array([(-0.02, 0.03), (0.0, 0.0), (-0.2, -0.01), (0.04, 0.04)])
    found = polygon_dose(points, sides_of([corner]), blur)
    x, y = points.T
    assert found == pytest.approx(ndtr(-x / 0.05) * ndtr(-y / 0.05), abs=1e-7)


def test_an_opening_takes_light_away() -> None:
    blur = Blur(core_mm=0.05, halo="gaussian", halo_share=0.2, halo_mm=0.2)
    sheet = np.array([(-9.0, -9.0), (9.0, -9.0), (9.0, 9.0), (-9.0, 9.0)])
    hole = 0.5 * np.array([(-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0)])
    points = np.array([(0.0, 0.0), (0.45, 0.1), (0.7, 0.0), (3.0, 0.0)])
    both = polygon_dose(points, sides_of([sheet, hole]), blur)
    alone = polygon_dose(points, sides_of([hole[::-1]]), blur)
    assert both == pytest.approx(1.0 - alone, abs=1e-12)


def test_a_disc_against_a_blurred_raster() -> None:
    cell, sigma = 0.01, 0.08
    turn = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    disc = 0.6 * np.column_stack([np.cos(turn), np.sin(turn)])
    axis = (np.arange(240) - 119.5) * cell
    x, y = np.meshgrid(axis, axis)
    picture = gaussian_filter((np.hypot(x, y) < 0.6).astype(float), sigma / cell)
    blur = Blur(core_mm=sigma, halo="none", halo_share=0.0, halo_mm=1.0)
    points = np.column_stack([x[120, 120:200], y[120, 120:200]])
    found = polygon_dose(points, sides_of([disc]), blur)
    # the raster's own stairs: a fraction of a cell of the edge's slope of 5 / mm
    assert found == pytest.approx(picture[120, 120:200], abs=0.01)
