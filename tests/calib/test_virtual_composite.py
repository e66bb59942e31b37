"""Virtual coupons in real photographs of rulers."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from calib.virtual.camera import looking_down
from calib.virtual.composite import (
    RULER_THICKNESS_MM,
    Where,
    camera_from_marks,
    mark_blur_px,
    set_into_photo,
)
from calib.virtual.printer import with_uniform_growth
from patterns.errors import SpecError
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from pathlib import Path


def test_the_camera_behind_a_rulers_marks_is_found() -> None:
    shape = (1000, 1500)
    camera = looking_down(
        f_px=0.8 * 1500,
        k1=0.01,
        centre_px=(749.5, 499.5),
        aim_mm=(60.0, 10.0),
        distance_mm=110.0,
        tilt_deg=5.0,
        tilt_towards_deg=0.0,
        roll_deg=-12.0,
    )
    value = np.arange(20.0, 105.0)
    world = np.column_stack(
        (value, np.zeros_like(value), np.full_like(value, RULER_THICKNESS_MM))
    )
    found, left_px = camera_from_marks(value, camera.project(world), shape)
    assert left_px < 1e-3
    beside = np.array([[60.0, 30.0, 1.0], [30.0, 40.0, 0.0], [90.0, 20.0, 1.2]])
    assert found.project(beside) == pytest.approx(camera.project(beside), abs=0.5)


def test_the_blur_of_marks_is_measured() -> None:
    """Bars five times as wide as their blur, drawn with a known one."""
    bars = np.full((40, 900), 220.0)
    for x in range(20, 900, 40):
        bars[:, x : x + 16] = 40.0
    soft = cv2.GaussianBlur(bars, (0, 0), 2.0).astype(np.uint8)
    marks = np.column_stack((np.arange(28.0, 870.0, 40.0), np.full(22, 20.0)))
    # the profile is smoothed by a quarter of a pixel for its slope
    assert mark_blur_px(soft, marks) == pytest.approx(2.0, rel=0.1)


@pytest.mark.slow
def test_only_the_coupon_changes_a_photo(shared_dir: Path) -> None:
    rulers = shared_dir / "rulers"
    known = json.loads((rulers / "truth.json").read_text())["photos"]
    photo = next(p for p in known if p["name"] == "neato0")
    bgr = cv2.imread(str(rulers / photo["file"]), cv2.IMREAD_COLOR)
    assert bgr is not None
    rgb8 = np.ascontiguousarray(bgr[..., ::-1], np.uint8)
    table = np.loadtxt(rulers / "neato0.marks.csv", delimiter=",", skiprows=1)
    manifest = build_manifest(default_flare_spec())
    part = with_uniform_growth(manifest, [0.2] + [0.0] * (manifest.layers - 1))
    where = Where(along_mm=75.0, across_mm=40.0)
    out, truth = set_into_photo(
        rgb8,
        table[:, 0],
        table[:, 1:3],
        part,
        where=where,
        rng=np.random.default_rng(1),
    )
    # real marks, perspective and one distortion term: well under a pixel
    assert truth["camera_residual_px"] < 1.0
    assert truth["part"]["flare_mm"] == pytest.approx(0.2, abs=1e-7)
    assert truth["px_per_mm"] == pytest.approx(photo["px_per_mm"], rel=0.03)
    edge = int(table[:, 2].min()) - 40
    assert np.array_equal(out[edge:], rgb8[edge:])
    share = (out != rgb8).any(axis=2).mean()
    area_mm2 = 109 * 30 * truth["px_per_mm"] ** 2 / (rgb8.shape[0] * rgb8.shape[1])
    assert 0.8 * area_mm2 < share < 3 * area_mm2


def test_a_coupon_that_does_not_fit_is_refused() -> None:
    value = np.arange(0.0, 60.0)
    marks = np.column_stack((50 + 10 * value, np.full_like(value, 300.0)))
    manifest = build_manifest(default_flare_spec())
    part = with_uniform_growth(manifest, [0.0] * manifest.layers)
    picture = np.full((600, 800, 3), 200, np.uint8)
    with pytest.raises(SpecError, match="wholly in the picture"):
        set_into_photo(
            picture,
            value,
            marks,
            part,
            where=Where(along_mm=30.0, across_mm=20.0),
            rng=np.random.default_rng(0),
        )
