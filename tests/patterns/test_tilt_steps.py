"""Steps of a tilted base against tables worked out by hand from the closed formulas.

Cusp: Dolenc & Makela 1994, Comput.-Aided Des. 26(2):119-126 (from memory).
"""

from __future__ import annotations

import math

import pytest

from patterns.tilt_steps import coincidence_deg, flat_cusp_mm, tread_mm, wall_cusp_mm

# tilt, flat cusp, largest cusp of a vertical wall, tread; layers of 0.05 mm
CUSPS = [
    (0, 0.050000, 0.0, math.inf),
    (5, 0.049810, 0.004358, 0.571503),
    (10, 0.049240, 0.008682, 0.283564),
    (15, 0.048296, 0.012941, 0.186603),
    (20, 0.046985, 0.017101, 0.137374),
    (30, 0.043301, 0.025000, 0.086603),
    (45, 0.035355, 0.035355, 0.050000),
    (60, 0.025000, 0.043301, 0.028868),
    (90, 0.0, 0.050000, 0.0),
]
COINCIDENCES = [
    (0.05, 0.05, 45.000000),
    (0.05, 0.0472, 46.650039),
    (0.05, 0.047, 46.771470),
    (0.05, 0.04, 51.340192),
    (0.05, 0.035, 55.007980),
    (0.05, 0.034, 55.784298),
    (0.05, 0.0285, 60.316860),
    (0.05, 0.022, 66.250506),
    (0.05, 0.0185, 69.695526),
    (0.05, 0.076, 33.340707),
    (0.03, 0.05, 30.963757),
    (0.03, 0.0472, 32.439763),
    (0.02, 0.05, 21.801409),
    (0.1, 0.05, 63.434949),
]
ROUNDED = 0.6e-6  # the tables have six places


@pytest.mark.parametrize(("tilt", "flat", "wall", "tread"), CUSPS)
def test_cusps(tilt: float, flat: float, wall: float, tread: float) -> None:
    assert flat_cusp_mm(0.05, tilt) == pytest.approx(flat, abs=ROUNDED)
    assert wall_cusp_mm(0.05, tilt, 0.0) == pytest.approx(wall, abs=ROUNDED)
    assert tread_mm(0.05, tilt) == pytest.approx(tread, abs=ROUNDED)


@pytest.mark.parametrize(("layer", "pixel", "expected"), COINCIDENCES)
def test_coincidence(layer: float, pixel: float, expected: float) -> None:
    assert coincidence_deg(layer, pixel) == pytest.approx(expected, abs=ROUNDED)


def test_a_tapered_wall_at_45_degrees() -> None:
    # sin 45 cos 15 - cos 45 sin 15 = sin 30
    assert wall_cusp_mm(1.0, 45, 15) == pytest.approx(0.5)
    assert wall_cusp_mm(1.0, 15, 15) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("phi", [0.0, 30.0, 75.0, 90.0])
def test_the_wall_s_cusp_is_the_height_of_its_normal(phi: float) -> None:
    """Same from a cross product of two lines in the wall, turned by the tilt."""
    import numpy as np

    tilt, taper, turn = np.radians([50.0, 15.0, phi])
    along = np.array([-np.sin(turn), np.cos(turn), 0.0])
    up = np.array(
        [-np.sin(taper) * np.cos(turn), -np.sin(taper) * np.sin(turn), np.cos(taper)]
    )
    normal = np.cross(along, up)
    height = -np.sin(tilt) * normal[0] + np.cos(tilt) * normal[2]
    assert wall_cusp_mm(0.05, 50, 15, phi) == pytest.approx(0.05 * abs(height))
