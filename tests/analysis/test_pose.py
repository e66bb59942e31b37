"""Camera and pose: from what is seen back to what was there."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.bundle import Fitted, Priors, Seen, State, fit
from analysis.camera import VIEW_NAMES, View, turn, view_of_plane
from analysis.located import HoleCentre, Located
from analysis.pose import Pose, solve
from analysis.result import Refusal, RulerReading
from tests.analysis.drawn_coupons import (
    FOCAL_PX,
    HEIGHT_PX,
    MANIFEST,
    WIDTH_PX,
    Where,
    as_photo,
    focal35_mm,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NOISE_PX = 0.05
BLANK = np.zeros((HEIGHT_PX, WIDTH_PX, 3), dtype=np.uint8)
HOLES_MM = np.array([[h.x_mm, h.y_mm, 0.0] for h in MANIFEST.holes])


def _located(centres_px: Floats) -> Located:
    flat = HOLES_MM[:, :2].astype(np.float32)
    homography, _ = cv2.findHomography(flat, centres_px.astype(np.float32))
    scale = np.sqrt(abs(np.linalg.det(homography[:2, :2] / homography[2, 2])))
    holes = tuple(
        HoleCentre(
            name=hole.name,
            centre_px=centre,
            covariance_px2=NOISE_PX**2 * np.eye(2),
            radius_mm=1.5,
            rim_px=np.zeros((0, 2)),
            step=np.zeros(0),
            used=True,
            reason=None,
        )
        for hole, centre in zip(MANIFEST.holes, centres_px, strict=True)
    )
    return Located(
        manifest=MANIFEST,
        homography=np.asarray(homography, dtype=np.float64),
        outline_px=np.zeros((4, 2)),
        px_per_mm=float(scale),
        holes=holes,
        blur_px=1.0,
        face_level=0.2,
        table_level=0.8,
        code_margin=1.0,
    )


def _ruler(
    where: Where, *, height_mm: float = 0.0, stretch: float = 1.0
) -> RulerReading:
    mm = np.arange(0.0, 121.0)
    turned = np.deg2rad(2.0)
    along = (mm - 60) * stretch
    points = np.column_stack(
        [
            along * np.cos(turned),
            22 + along * np.sin(turned),
            np.full_like(mm, height_mm),
        ]
    )
    return RulerReading(
        graduation_mm=1.0,
        marks_mm=mm,
        marks_px=where.project(points),
        kept=np.ones(len(mm), dtype=bool),
        px_per_mm=where.px_per_mm,
        u_px_per_mm=0.01,
        u_class_ratio=1e-3,
        residual_px=0.1,
    )


def _solved(
    where: Where,
    *,
    part_scale: float = 1.0,
    bow_mm: float = 0.0,
    ruler: bool = True,
    exif: bool = True,
    noise_px: float = NOISE_PX,
    seed: int = 0,
) -> Pose | Refusal:
    points = HOLES_MM * part_scale
    points[:, 2] += bow_mm * (HOLES_MM[:, 0] / MANIFEST.core_half_length_mm) ** 2
    noise = np.random.default_rng(seed).normal(0, noise_px, (len(points), 2))
    photo = as_photo(BLANK, focal35_mm() if exif else None)
    reading = _ruler(where) if ruler else None
    return solve(photo, _located(where.project(points) + noise), reading)


def _good(*args: Any, **kwargs: Any) -> Pose:  # noqa: ANN401
    pose = _solved(*args, **kwargs)
    assert isinstance(pose, Pose), pose
    return pose


def _true_slope(where: Where, points_mm: Floats) -> Floats:
    """Find d(x, y)/dz of the line of sight from where the camera stands."""
    R = where.rotation()
    centre = np.array([WIDTH_PX - 1, HEIGHT_PX - 1]) / 2
    aside = (np.array(where.middle_px) - centre) / where.px_per_mm
    camera = -R.T @ np.array([*aside, FOCAL_PX / where.px_per_mm])
    ray = points_mm - camera
    return np.asarray(ray[:, :2] / ray[:, 2:])


TIPS_MM = np.array([[x, y, 0.0] for x in (-45, 0, 45) for y in (-15, 15)], dtype=float)


@settings(max_examples=15, deadline=None)
@given(
    st.floats(0, 360),
    st.tuples(st.floats(-10, 10), st.floats(-10, 10)),
    st.floats(0.985, 1.01),
)
def test_pose_and_part_scale_come_back(
    turn_deg: float, tilt_deg: tuple[float, float], part_scale: float
) -> None:
    where = Where(turn_deg=turn_deg, tilt_deg=tilt_deg, middle_px=(1100.0, 650.0))
    pose = _good(where, part_scale=part_scale)
    assert pose.part_scale is not None
    assert pose.u_part_scale is not None
    assert pose.part_scale == pytest.approx(part_scale, abs=3e-4)
    slope = pose.ray_slope(TIPS_MM * part_scale)
    error = (slope - _true_slope(where, TIPS_MM * part_scale))[:, 1]
    # 8 mrad moves an edge 0.4 mm below the face by 3.2 um; 13 px/mm is a poor photo:
    # u is 5 mrad, and 224 poses gave 2.8 RMS, 6.8 at most
    assert np.sqrt(np.mean(error**2)) < 8e-3
    assert np.sqrt(np.mean(error**2)) < 3 * pose.u_view_rad


def test_pixels_go_there_and_back() -> None:
    pose = _good(Where(turn_deg=30.0, tilt_deg=(7.0, 3.0)))
    points = np.column_stack([TIPS_MM[:, :2], np.linspace(0, 1.2, len(TIPS_MM))])
    back = pose.back_project(pose.project(points), points[:, 2])
    # a micrometre is a tenth of the smallest line in the budget
    np.testing.assert_allclose(back, points[:, :2], atol=1e-4)


def test_without_ruler_the_coupon_is_the_scale() -> None:
    pose = _good(Where(tilt_deg=(4.0, 0.0)), ruler=False, part_scale=0.99)
    assert pose.part_scale is None
    assert pose.u_part_scale is None
    assert pose.scale_source == "coupon"
    assert pose.u_scale_ratio == pytest.approx(0.01)
    foreshortened = 13.0 * 0.99 * np.sqrt(np.cos(np.deg2rad(4.0)))
    assert pose.px_per_mm == pytest.approx(foreshortened, rel=5e-4)


def test_the_ruler_height_is_in_the_uncertainty() -> None:
    where = Where()
    centres = where.project(HOLES_MM)
    high = _ruler(where, height_mm=-0.6)  # towards the camera
    pose = solve(as_photo(BLANK, focal35_mm()), _located(centres), high)
    assert isinstance(pose, Pose)
    assert pose.part_scale is not None
    assert pose.u_part_scale is not None
    off = pose.part_scale - 1
    assert abs(off) == pytest.approx(0.6 * where.px_per_mm / FOCAL_PX, rel=0.1)
    assert abs(off) < 1.2 * pose.u_part_scale


@pytest.mark.parametrize("bow_mm", [-0.35, 0.35])
def test_a_bent_coupon_is_measured(bow_mm: float) -> None:
    pose = _good(Where(turn_deg=15.0), bow_mm=bow_mm)
    assert pose.bow_mm == pytest.approx(bow_mm, abs=3 * pose.u_bow_mm)
    assert np.sign(pose.bow_mm) == np.sign(bow_mm)
    assert pose.u_bow_mm < 0.2


def test_a_curled_coupon_is_refused() -> None:
    refusal = _solved(Where(tilt_deg=(3.0, 2.0)), bow_mm=2.5, noise_px=0.01)
    assert isinstance(refusal, Refusal)
    assert refusal.code == "curled"


@pytest.mark.parametrize("part_scale", [0.96, 1.04, 25.4 / 20])
def test_a_scale_that_conflicts_is_refused_naming_both_causes(
    part_scale: float,
) -> None:
    refusal = _solved(Where(px_per_mm=12.0), part_scale=part_scale)
    assert isinstance(refusal, Refusal)
    assert refusal.code == "scale_conflict"
    assert "misread" in refusal.message
    assert "another size" in refusal.message


def test_a_very_oblique_photo_is_refused() -> None:
    refusal = _solved(Where(tilt_deg=(25.0, 0.0)))
    assert isinstance(refusal, Refusal)
    assert refusal.code == "too_oblique"


def test_without_exif_the_view_is_less_certain() -> None:
    where = Where(tilt_deg=(1.0, 0.5))
    known, unknown = _good(where), _good(where, exif=False)
    assert unknown.u_view_rad > known.u_view_rad
    error = unknown.ray_slope(TIPS_MM) - _true_slope(where, TIPS_MM)
    assert np.sqrt(np.mean(error[:, 1] ** 2)) < 3 * unknown.u_view_rad


def test_a_scan_has_parallel_lines_of_sight() -> None:
    px_per_mm, spin = 600 / 25.4, np.deg2rad(3.0)
    c, s = np.cos(spin), np.sin(spin)
    turned = HOLES_MM[:, :2] @ np.array([[c, s], [-s, c]])
    noise = np.random.default_rng(1).normal(0, NOISE_PX, turned.shape)
    centres = 0.995 * px_per_mm * turned + np.array([1400.0, 700.0]) + noise
    photo = replace(as_photo(BLANK), dpi=600.0)
    pose = solve(photo, _located(centres), None)
    assert isinstance(pose, Pose)
    assert not np.isfinite(pose.view.focal_px)
    assert np.max(np.abs(pose.ray_slope(TIPS_MM))) < 5e-3
    assert pose.px_per_mm == pytest.approx(0.995 * px_per_mm, rel=3e-4)


def test_one_hole_far_off_does_not_carry_the_pose_away() -> None:
    where = Where(turn_deg=80.0, tilt_deg=(5.0, 2.0))
    centres = where.project(HOLES_MM)
    centres[4] += (4.0, -3.0)
    pose = solve(as_photo(BLANK, focal35_mm()), _located(centres), _ruler(where))
    assert isinstance(pose, Pose)
    error = pose.ray_slope(TIPS_MM) - _true_slope(where, TIPS_MM)
    assert np.sqrt(np.mean(error[:, 1] ** 2)) < 3 * pose.u_view_rad


def test_the_camera_agrees_with_another_projection() -> None:
    """cv2.projectPoints (OpenCV's pinhole with radial terms) as outside calculator."""
    rotation, distance, focal = turn(np.array([0.1, -0.07, 0.6])), 140.0, 3000.0
    shift = np.array([8.0, -5.0, distance])
    size = (4032, 3024)
    corner = np.hypot(*size) / 2
    view = View(
        rotation=rotation,
        origin_px=focal * shift[:2] / distance,
        centre_px=(np.array(size) - 1) / 2,
        half_diagonal_px=corner,
        scale_px_per_mm=focal / distance,
        inverse_distance_per_mm=1 / distance,
        k1=0.02 * (corner / focal) ** 2,
    )
    points = np.column_stack([TIPS_MM[:, :2], np.linspace(0, 1.2, len(TIPS_MM))])
    matrix = np.array([[focal, 0, 2015.5], [0, focal, 1511.5], [0, 0, 1]])
    expected, _ = cv2.projectPoints(
        points, cv2.Rodrigues(rotation)[0], shift, matrix, np.array([0.02, 0, 0, 0])
    )
    np.testing.assert_allclose(view.project(points), expected[:, 0], atol=1e-6)


def test_covariance_matches_the_scatter() -> None:
    """Monte Carlo: what the fit says of itself against what noise does to it."""
    where = Where(turn_deg=25.0, tilt_deg=(6.0, -3.0))
    fits = [_good(where, noise_px=0.15, seed=seed, ruler=False) for seed in range(40)]
    turned = np.array([pose.view.rotation[2, 1] for pose in fits])
    said = np.sqrt(np.mean([pose.covariance[0, 0] for pose in fits]))
    # 40 draws know a standard deviation to 11 %; the prior on the lens adds no scatter
    assert np.std(turned) < 1.5 * said
    assert fits[0].names == VIEW_NAMES


def _board_fit(corners_px: Floats, focal_guess_px: float) -> Fitted:
    board = np.array([[x, y] for y in range(6) for x in range(9)], dtype=float) * 25
    board -= board.mean(axis=0)
    homography, _ = cv2.findHomography(board, corners_px)
    if np.linalg.det(homography) < 0:
        board[:, 1] *= -1
        homography, _ = cv2.findHomography(board, corners_px)
    scale = float(np.sqrt(abs(np.linalg.det(homography[:2, :2] / homography[2, 2]))))
    inverse = scale / focal_guess_px
    seen = Seen(
        holes_mm=board,
        holes_px=corners_px,
        holes_cov_px2=np.tile(0.2**2 * np.eye(2), (len(board), 1, 1)),
        marks_mm=np.zeros(0),
        marks_px=np.zeros((0, 2)),
        mark_sigma_px=1.0,
    )
    priors = Priors(
        inverse_distance_per_mm=(inverse, inverse),
        k1=(0.0, 0.5),
        bow_per_mm=(0.0, 1e-9),
        tilt_rad=(0.0, 10.0),
    )
    start = view_of_plane(
        np.asarray(homography, dtype=np.float64), (640, 480), scale, inverse
    )
    return fit(State(view=start), seen, priors)


def test_chessboard_photos_give_the_published_camera(shared_dir: Path) -> None:
    """Compare with left_intrinsics.yml of opencv/opencv.

    It says f = 535.9157 px, mean reprojection error 0.39259 px (`corners.json`: 532.3).
    One photo with one radial term, from a focal length 25 % off, must come near both.
    """
    folder = shared_dir / "rulers" / "chessboard"
    corners = json.loads((folder / "corners.json").read_text())["left"]["corners"]
    fits = [_board_fit(np.array(px), 400.0) for px in corners.values()]
    misfit = [
        float(np.sqrt(np.mean(np.sum(f.hole_misfit_px**2, axis=1)))) for f in fits
    ]
    assert np.median(misfit) < 0.39259
    tilted = [f.state.view for f in fits if f.state.view.rotation[2, 2] < 0.95]
    focal = [view.focal_px for view in tilted]
    # one tilted photo knows f to some 5 %, seven of them to 2 %
    assert len(focal) >= 6
    assert np.median(focal) == pytest.approx(535.9157, rel=0.03)
    # k1 at r = 1 f, brought to the corner at 400 px; k2, k3 take some of it
    k1 = np.median([view.k1 for view in tilted]) * (535.9157 / 400) ** 2
    assert k1 == pytest.approx(-0.2664, abs=0.06)


def test_the_drawn_chessboard_is_flat_and_square() -> None:
    """Read scikit-image's chessboard (8 x 8 squares of 25 px): a mere scale."""
    from skimage import data

    drawn = data.checkerboard()  # type: ignore[no-untyped-call]
    pad = np.pad(drawn, 40, constant_values=128)
    grid = np.array([[x, y] for y in range(1, 8) for x in range(1, 8)], dtype=float)
    drawn_px = 25 * grid - 0.5 + 40
    corners = cv2.cornerSubPix(
        pad,
        (drawn_px + 1.5).astype(np.float32),
        (6, 6),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4),
    )
    px = np.asarray(corners, dtype=np.float64)
    board = 10 * (grid - 4)
    homography = np.asarray(cv2.findHomography(board, px)[0], dtype=np.float64)
    view = view_of_plane(homography, (280, 280), 2.5, 0.0)
    assert view.scale_px_per_mm == pytest.approx(2.5, rel=2e-3)
    flat = np.column_stack([board, np.zeros(49)])
    np.testing.assert_allclose(view.project(flat), px, atol=0.2)
