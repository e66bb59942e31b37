"""Quanta of a raster's directions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.lattice import (
    FREE_QUANTUM_MM,
    curve_quantum_mm,
    edge_quantum_mm,
    quantum_mm,
)


@pytest.mark.parametrize(
    ("m", "n", "pixels"),
    # science.md 2l: p at 0 degrees, p/sqrt2 at 45, p/sqrt5 at 26.6
    [(1, 0, 1.0), (0, 1, 1.0), (1, 1, 1 / math.sqrt(2)), (2, 1, 1 / math.sqrt(5))],
)
def test_square_pixels(m: int, n: int, pixels: float) -> None:
    assert quantum_mm(m, n, 0.05, 0.05) == pytest.approx(0.05 * pixels)
    along = np.array([float(m), float(n)])
    assert edge_quantum_mm(along, 0.05, 0.05) == pytest.approx(0.05 * pixels)


def test_a_quantum_is_the_distance_of_neighbouring_lattice_lines() -> None:
    x_mm, y_mm = 0.019, 0.024
    nodes = np.array([(i * x_mm, j * y_mm) for i in range(9) for j in range(9)])
    along = np.array([2 * x_mm, 1 * y_mm])
    along /= np.hypot(*along)
    away = np.unique(np.round(nodes @ np.array([-along[1], along[0]]), 9))
    assert np.diff(away).min() == pytest.approx(quantum_mm(2, 1, x_mm, y_mm))


def test_edges_along_no_simple_direction_are_free() -> None:
    along = np.array([math.cos(math.radians(10.0)), math.sin(math.radians(10.0))])
    assert edge_quantum_mm(along, 0.05, 0.05) == FREE_QUANTUM_MM


def test_walls_along_x_move_by_pixels_in_y() -> None:
    assert edge_quantum_mm(np.array([1.0, 0.0]), 0.02, 0.03) == pytest.approx(0.03)
    normals = np.array([(1.0, 0.0), (0.0, 1.0)])
    assert curve_quantum_mm(normals, 0.02, 0.03) == pytest.approx([0.02, 0.03])
