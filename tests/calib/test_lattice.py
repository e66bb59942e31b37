"""Quanta of a raster's directions, and how much of its stairs a blur leaves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from calib.lattice import held_mm, quantum_mm, stairs


def towards(degrees: float) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    turn = math.radians(degrees)
    return np.array([[math.cos(turn), math.sin(turn)]])


@pytest.mark.parametrize(
    ("m", "n", "pixels"),
    # science.md 2l: p at 0 degrees, p/sqrt2 at 45, p/sqrt5 at 26.6
    [(1, 0, 1.0), (0, 1, 1.0), (1, 1, 1 / math.sqrt(2)), (2, 1, 1 / math.sqrt(5))],
)
def test_square_pixels(m: int, n: int, pixels: float) -> None:
    assert quantum_mm(m, n, 0.05, 0.05) == pytest.approx(0.05 * pixels)
    for sense in (1.0, -1.0):
        found = stairs(sense * np.array([[float(m), float(n)]]), 0.05, 0.05, 0.04)
        assert found.quantum_mm[0] == pytest.approx(0.05 * pixels)
        assert found.move_mm[0] == pytest.approx(0.05 * pixels)
        assert found.shown[0] == pytest.approx(1.0)


def test_a_quantum_is_the_distance_of_neighbouring_lattice_lines() -> None:
    x_mm, y_mm = 0.019, 0.024
    nodes = np.array([(i * x_mm, j * y_mm) for i in range(9) for j in range(9)])
    along = np.array([2 * x_mm, 1 * y_mm])
    along /= np.hypot(*along)
    away = np.unique(np.round(nodes @ np.array([-along[1], along[0]]), 9))
    assert np.diff(away).min() == pytest.approx(quantum_mm(2, 1, x_mm, y_mm))


def test_walls_along_x_move_by_pixels_in_y() -> None:
    found = stairs(np.array([[1.0, 0.0], [0.0, 1.0]]), 0.02, 0.03, 0.03)
    assert found.quantum_mm == pytest.approx([0.03, 0.02])


@pytest.mark.parametrize("degrees", [4.0, 8.0, 12.0])
def test_a_blur_leaves_of_the_stairs_what_is_said(degrees: float) -> None:
    # an edge drawn on fine cells, a pixel being 32 of them, and blurred by one pixel
    cells, slope = 32, math.tan(math.radians(degrees))
    period = round(cells / slope)
    column = (np.arange(8 * period) + 0.5) * slope
    height = cells * np.floor(column / cells)
    depth = np.arange(-4 * cells, 4 * cells) + 0.5
    lit = depth[:, None] < (height - column)[None]  # sheared: level on the mean
    edge = gaussian_filter(lit.astype(float), cells, mode=("nearest", "wrap"))
    wave = np.sum(edge, axis=0)
    wave = np.abs(np.fft.rfft(wave)[8]) * 2 / len(wave) / (cells / math.pi)
    found = stairs(towards(degrees), 1.0, 1.0, 1.0)
    assert found.shown[0] == pytest.approx(wave, abs=0.03)


def test_what_shows_fades_away_from_a_lattice_direction() -> None:
    turns = np.vstack([towards(d) for d in (0.0, 3.0, 6.0, 9.0, 12.0)])
    assert np.all(np.diff(stairs(turns, 0.05, 0.05, 0.04).shown) < 0.0)


@given(phase=st.floats(0.0, 1.0), quanta=st.integers(-6, 6))
def test_whole_quanta_are_held_whatever_the_phase(phase: float, quanta: int) -> None:
    # an edge right between two lines may fall to either side
    phases = np.array([phase if abs(phase - 0.5) > 1e-9 else 0.0])
    assert held_mm(np.array([quanta * 0.05]), 0.05, phases) == pytest.approx(
        quanta * 0.05
    )


def test_other_insets_are_held_on_the_mean_over_phases() -> None:
    phases = (np.arange(1000) + 0.5) / 1000
    held = held_mm(np.array([0.083]), 0.05, phases)
    assert set(np.round(held, 9)) == {0.05, 0.1}
    assert held.mean() == pytest.approx(0.083, abs=1e-3)
