"""The scale along a line of marks: perspective, distortion, outliers, uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.ruler_scale import fit_line_scale


def _marks(
    *, pitch: float = 12.0, tilt: float = 0.0, bend: float = 0.0, count: int = 90
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Marks of a tilted, distorted ruler: mm, points, true px/mm at each mark."""
    mm = np.arange(count, dtype=float)
    m = (mm - mm.mean()) / (np.ptp(mm) / 2)
    half = np.ptp(mm) / 2
    along = pitch * half * (m / (1 + tilt * m) + bend * m**3)
    slope = pitch * (1 / (1 + tilt * m) ** 2 + 3 * bend * m**2)
    axis = np.array([np.cos(0.3), np.sin(0.3)])
    return mm, 400 + along[:, None] * axis, slope


@settings(max_examples=30, deadline=None)
@given(
    pitch=st.floats(3, 80),
    tilt=st.floats(-0.2, 0.2),
    bend=st.floats(-0.01, 0.01),
    backwards=st.booleans(),
)
def test_perspective_and_distortion_are_taken_up_exactly(
    pitch: float, tilt: float, bend: float, *, backwards: bool
) -> None:
    mm, points, slope = _marks(pitch=pitch, tilt=tilt, bend=bend)
    scale = fit_line_scale(mm[::-1] if backwards else mm, points)
    assert scale is not None
    assert scale.kept.all()
    middle = int(np.argmin(((points - points.mean(axis=0)) ** 2).sum(axis=1)))
    # within the spacing of marks the scale changes by up to 0.6 % at the largest tilt
    assert scale.px_per_mm == pytest.approx(slope[middle], rel=0.008)


def test_outliers_do_not_move_the_scale() -> None:
    rng = np.random.default_rng(5)
    mm, points, _ = _marks()
    spoilt = points + rng.normal(0, 0.1, points.shape)
    wrong = rng.choice(len(mm), 15, replace=False)
    spoilt[wrong] += rng.choice([-4.0, 4.0], (15, 2))
    scale = fit_line_scale(mm, spoilt)
    assert scale is not None
    assert not scale.kept[wrong].any()
    assert abs(scale.px_per_mm - 12.0) < 3 * scale.u_px_per_mm


def test_the_uncertainty_is_honest_for_marks_that_wander() -> None:
    """Printed marks are off in a smooth pattern: 0.03 mm, correlated over 5 marks."""
    rng = np.random.default_rng(7)
    mm, points, _ = _marks(count=60)
    ratios = []
    for _ in range(80):
        white = rng.normal(0, 1, len(mm) + 4)
        smooth = np.convolve(white, np.ones(5) / np.sqrt(5), mode="valid")
        axis = (points[-1] - points[0]) / np.linalg.norm(points[-1] - points[0])
        scale = fit_line_scale(mm, points + 0.03 * 12 * smooth[:, None] * axis)
        assert scale is not None
        ratios.append((scale.px_per_mm - 12.0) / scale.u_px_per_mm)
    # the house's bounds on error over uncertainty
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_marks_that_double_back_have_no_scale() -> None:
    mm = np.arange(40.0)
    along = 10 * (mm - 20) - 0.012 * (mm - 20) ** 3
    points = np.column_stack([along, np.zeros(40)])
    scale = fit_line_scale(mm, points)
    assert scale is None or scale.rms_px > 1.0
