"""One camera for all tiles: view, scale, places, and what is not known about them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.camera import View, turn
from analysis.result import Refusal, RulerReading
from analysis.tile_fit import PlaneState
from analysis.tile_pose import RULER_FACE_MM, TilePoses, solve_tiles
from analysis.tiles import FoundTiles, find_tiles
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from tests.analysis.drawn_tiles import FOCAL_PX, Laid, Table, as_photo, draw

Floats = NDArray[np.float64]

MANIFEST = rim_manifest(default_rim_spec())
FOCAL35_MM = FOCAL_PX / np.hypot(2000, 1500) * 43.2666
PHI = np.linspace(-1.5, 1.5, 61)
# 3.8 mm of tile and feet under the faces, a ruler of 1 mm
RULER_BELOW_MM = 3.8 - RULER_FACE_MM


def _table(scale: float = 1.0, growth_mm: float = 0.0) -> Table:
    laid = [
        Laid(
            tile=MANIFEST.tiles[3 * k],
            x_mm=38 * np.cos(angle),
            y_mm=24 * np.sin(angle),
            turn_deg=float(np.degrees(angle)) + 10,
        )
        for k, angle in enumerate(2 * np.pi * np.arange(4) / 4 + 0.4)
    ]
    return Table(
        px_per_mm=12.5,
        tilt_deg=(4.0, -6.0),
        part_scale=scale,
        growth_mm=growth_mm,
        tiles=laid,
    )


def _ruler(table: Table, below_mm: float = RULER_BELOW_MM) -> RulerReading:
    mm = np.arange(0.0, 120.0)
    at = np.column_stack([mm - 60, np.full_like(mm, 52.0), np.full_like(mm, below_mm)])
    return RulerReading(
        graduation_mm=1.0,
        marks_mm=mm,
        marks_px=table.project(at),
        kept=np.ones(len(mm), dtype=bool),
        px_per_mm=table.px_per_mm,
        u_px_per_mm=0.001,
        u_class_ratio=0.0,
        residual_px=0.1,
    )


def _solved(table: Table, reading: RulerReading | None) -> TilePoses:
    photo = as_photo(draw(table), FOCAL35_MM)
    poses = solve_tiles(photo, find_tiles(photo, [MANIFEST]), reading)
    assert isinstance(poses, TilePoses), poses
    assert len(poses.tiles) == len(table.tiles)
    return poses


@pytest.fixture(scope="module")
def solved() -> tuple[Table, TilePoses]:
    table = _table(scale=0.992, growth_mm=0.06)
    return table, _solved(table, _ruler(table))


def test_line_of_sight_is_right_within_its_uncertainty(
    solved: tuple[Table, TilePoses],
) -> None:
    table, poses = solved
    lean = cv2.Rodrigues(np.deg2rad([*table.tilt_deg, 0.0]))[0]
    error = np.abs(poses.view.rotation[2, :2] - lean[2, :2])
    assert error.max() < 3 * poses.tiles[0].u_view_rad
    assert poses.tiles[0].u_view_rad < 0.01


def test_scale_of_the_part_is_not_fooled_by_growth(
    solved: tuple[Table, TilePoses],
) -> None:
    table, poses = solved
    for pose in poses.tiles:
        assert pose.part_scale is not None
        assert pose.u_part_scale is not None
        # 0.06 mm of growth alone, taken for size, would be 0.5 % over a radius;
        # places of walls are good to some hundredths of a px, 0.05 % over the row
        assert abs(pose.part_scale - table.part_scale) < 0.0012
        assert pose.u_part_scale < 0.005 * pose.part_scale


def test_a_drawn_rim_comes_back_round(solved: tuple[Table, TilePoses]) -> None:
    table, poses = solved
    laid = {one.tile.coupon_id: one for one in table.tiles}
    circle = MANIFEST.tiles[0].radius_mm * np.column_stack([np.cos(PHI), -np.sin(PHI)])
    for pose in poses.tiles:
        seen = table.tile_px(laid[pose.tile.coupon_id], circle)
        back = pose.back_project(seen)
        off = np.hypot(*back.T) - pose.radius_mm
        design = np.column_stack([np.ones_like(PHI), np.cos(PHI), np.sin(PHI)])
        left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
        # 3 mrad at 7 degrees of tilt squeeze a radius of 12.5 mm by 5 um
        assert np.abs(left).max() < 0.006
        flat = np.column_stack([back, np.zeros(len(back))])
        assert np.abs(pose.project(flat) - seen).max() < 1e-6


def test_height_of_the_ruler_is_within_the_uncertainty() -> None:
    table = _table()
    for below in (RULER_BELOW_MM - 0.5, RULER_BELOW_MM + 0.5):
        poses = _solved(table, _ruler(table, below))
        off = poses.tiles[0].design_scale - 1
        assert 1e-3 < abs(off) < 3 * poses.tiles[0].u_scale_ratio


def test_without_a_ruler_the_design_is_the_scale() -> None:
    poses = _solved(_table(scale=1.01), None)
    assert poses.scale_source == "coupon"
    for pose in poses.tiles:
        assert pose.part_scale is None
        assert pose.u_scale_ratio == pytest.approx(0.01)
        assert pose.design_scale == pytest.approx(1.0, abs=0.002)


def test_a_misread_ruler_and_nothing_at_all_are_refused() -> None:
    table = _table(scale=1.06)
    photo = as_photo(draw(table), FOCAL35_MM)
    found = find_tiles(photo, [MANIFEST])
    refusal = solve_tiles(photo, found, _ruler(table))
    assert isinstance(refusal, Refusal)
    assert refusal.code == "scale_conflict"
    nothing = solve_tiles(photo, FoundTiles(tiles=(), faults=()), None)
    assert isinstance(nothing, Refusal)
    assert nothing.code == "no_tiles"


@settings(max_examples=40, deadline=None)
@given(
    lean=st.tuples(st.floats(-0.3, 0.3), st.floats(-0.3, 0.3)),
    place=st.tuples(st.floats(-60, 60), st.floats(-60, 60), st.floats(-3.2, 3.2)),
    q=st.floats(0, 0.006),
)
def test_a_tiles_own_view_is_the_planes_view(
    lean: tuple[float, float], place: tuple[float, float, float], q: float
) -> None:
    view = View(
        rotation=turn(np.array([*lean, 0.1])),
        origin_px=np.array([30.0, -20.0]),
        centre_px=np.array([999.5, 749.5]),
        half_diagonal_px=1250.0,
        scale_px_per_mm=14.0,
        inverse_distance_per_mm=q,
        k1=0.01,
    )
    state = PlaneState(view=view, places=np.array([[*place, 0.0]]))
    own = np.array([[0.0, 0.0, 0.0], [12.5, 0.0, 0.0], [3.0, -11.0, 3.8]])
    c, s = np.cos(place[2]), np.sin(place[2])
    spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    in_plane = own @ spin.T + np.array([place[0], place[1], 0.0])
    seen = state.tile_view(0).project(own)
    assert np.allclose(seen, view.project(in_plane), atol=1e-6)
