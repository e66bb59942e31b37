"""Rims read from drawn pictures with a known rim, one photo and two."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from analysis.arc_form import Rough, arc_functionals, rough_profile
from analysis.chips import find_marks
from analysis.edge_spread import true_spread_mm
from analysis.rim import measure_tile
from analysis.rim_annotate import ENLARGED, rim_figure
from analysis.rim_centre import centred
from analysis.rim_merge import merge, two_prints
from analysis.rim_result import RimMeasurement, TileDrawing
from analysis.rim_values import TOO_ASIDE
from analysis.roughness import (
    finite_length_share,
    floor_of_scatter,
    one_photo,
    smoothed_away,
    two_photos,
)
from analysis.stitch import stitch
from tests.analysis.drawn_rims import PHI_RAD, Floats, Scene, chip, drawn, noise_along

if TYPE_CHECKING:
    from analysis.photo import Photo

RADIUS_MM = 12.5


def _rim(seed: int, sigma_mm: float = 0.008) -> Floats:
    rng = np.random.default_rng(seed)
    dent = rng.uniform(0.0, 0.1) * np.exp(-0.5 * (PHI_RAD / 0.35) ** 2)
    oval = rng.uniform(-0.03, 0.03) * np.cos(2 * PHI_RAD)
    return np.asarray(noise_along(sigma_mm, 0.4, rng) - dent + oval)


def _measured(
    deviation_mm: Floats, scene: Scene, seed: int = 1
) -> tuple[RimMeasurement, Photo]:
    photo, pose = drawn(deviation_mm, scene, np.random.default_rng(seed))
    return measure_tile(photo, pose), photo


@pytest.mark.parametrize(
    "scene",
    [
        Scene(),
        Scene(px_per_mm=13.0, turn_rad=2.0),
        Scene(shade=0.4, noise=0.008),
        Scene(face=0.6, ground=0.15),
    ],
    ids=["plain", "small", "shaded", "light on dark"],
)
def test_a_rim_is_what_was_drawn(scene: Scene) -> None:
    rim = _rim(int(10 * scene.px_per_mm))
    tile, _ = _measured(rim, scene)
    true = arc_functionals(PHI_RAD, rim, RADIUS_MM)
    for name in ("sag", "form", "cos2phi", "radius"):
        found = tile.values[name]
        error = found.value_mm - getattr(true, f"{name}_mm")
        assert abs(error) < 3 * found.u_mm
        assert found.u_mm**2 == pytest.approx(sum(c.u_mm**2 for c in found.budget))
    assert tile.values["sag"].value_mm == pytest.approx(true.sag_mm, abs=0.005)
    assert tile.values["form"].value_mm == pytest.approx(true.form_mm, abs=0.008)
    assert not tile.chips
    assert "edge_radius_mm" in tile.reasons


def test_roughness_and_spread_with_good_contrast() -> None:
    rim = _rim(5, sigma_mm=0.018)
    tile, _ = _measured(rim, Scene())
    true = arc_functionals(PHI_RAD, rim, RADIUS_MM)
    sigma = tile.values["roughness_sigma"].value_mm
    assert sigma == pytest.approx(true.roughness_sigma_mm, rel=0.15)
    along = PHI_RAD * RADIUS_MM
    spread = true_spread_mm(along, rough_profile(along, rim))
    if "edge_spread" in tile.values:
        assert tile.values["edge_spread"].value_mm == pytest.approx(spread, abs=0.015)
    else:  # a blur of 50 um leaves little of 40
        assert spread < tile.upper_mm["edge_spread"] < 3 * spread


def test_a_smooth_rim_has_only_upper_limits() -> None:
    tile, _ = _measured(np.zeros_like(PHI_RAD), Scene())
    assert 0 < tile.upper_mm["roughness_sigma"] < 0.004
    assert "roughness_sigma" not in tile.values
    assert "edge_spread" not in tile.values
    assert 0 < tile.upper_mm["edge_spread"] < 0.012


def test_a_pose_on_the_foot_of_the_back_wall_is_centred_on_the_rim() -> None:
    rim = np.asarray(_rim(21) + chip(0.9, 0.6, 0.2))
    photo, pose = drawn(rim, Scene(), np.random.default_rng(4))
    # along y the arc knows; along x a lone face shows no wall, so it stays
    off = replace(pose, view=pose.view.placed(0.0, 0.15))
    back = centred(photo, off)
    origin = back.project(np.zeros((1, 3))) - pose.project(np.zeros((1, 3)))
    assert np.linalg.norm(origin) / pose.px_per_mm < 0.02
    (dent,) = measure_tile(photo, back).chips
    # a tenth of a millimetre is half a degree
    assert dent.phi_deg == pytest.approx(np.rad2deg(0.9), abs=0.3)


def test_a_wide_chip_in_waves_is_a_chip_and_not_its_shoulders_stubs() -> None:
    rng = np.random.default_rng(2)
    rim = np.asarray(noise_along(0.03, 1.0, rng) + chip(-0.2, 1.4, 0.2))
    along = PHI_RAD * RADIUS_MM
    seen = rough_profile(along, rim)
    assert seen.profile_mm[np.abs(PHI_RAD + 0.2) < 0.02].mean() < -0.12
    marks = find_marks(
        along,
        rim,
        np.full(len(along), 0.003),
        np.ones(len(along)),
        RADIUS_MM,
    )
    assert [round(np.deg2rad(c.phi_deg), 1) for c in marks.chips] == [-0.2]
    assert not marks.stubs


def test_a_photos_floor_lies_between_noise_and_scatter() -> None:
    floor = floor_of_scatter(0.003, 0.006)
    assert 0.003 < floor.sigma_mm < 0.006
    # no photo is worse than three times what its fits say
    assert floor_of_scatter(0.003, 0.1).sigma_mm < 0.009
    # scatter below the noise is chance: the noise stays
    assert floor_of_scatter(0.003, 0.001).sigma_mm == pytest.approx(0.0033)


def test_what_blur_took_from_waves_is_given_back() -> None:
    """Gaussian correlation over 0.1 mm, blurred by 0.04 mm: by the blur itself."""
    rng = np.random.default_rng(8)
    step = 0.02
    rim = gaussian_filter1d(rng.standard_normal(200_000), 0.1 / np.sqrt(2) / step)
    seen = gaussian_filter1d(rim, 0.04 / step)[::5]
    beside = float(np.mean(seen[1:] * seen[:-1]))
    lost = smoothed_away(float(seen.var()), beside, 0.04)
    assert lost > 0.1 * seen.var()
    assert seen.var() + lost == pytest.approx(rim.var(), rel=0.03)  # of 20 000 waves
    assert smoothed_away(float(seen.var()), beside, 0.0) == 0.0


def test_a_smooth_rim_in_a_noisy_photo_is_given_no_roughness() -> None:
    rng = np.random.default_rng(9)
    noise = 0.006 * rng.standard_normal(350)
    rough = Rough(profile_mm=noise, kept=np.ones(350, dtype=bool))
    floor = floor_of_scatter(0.003, 0.007)  # fits think too well of themselves
    found = one_photo(rough, floor, 0.05)
    assert found.sigma_mm is None
    assert 0.003 < found.upper_mm < 0.009


def test_two_prints_of_a_tile_are_not_taken_for_one() -> None:
    one, _ = _measured(_rim(13), Scene())
    again, _ = _measured(_rim(13), Scene(turn_rad=2.0), seed=2)
    other, _ = _measured(_rim(14), Scene(turn_rad=1.0), seed=3)
    assert two_prints([one, again]) is None
    said = two_prints([one, again, other])
    assert said is not None
    assert "different prints" in said


def test_chips_are_found_with_place_and_depth() -> None:
    rim = _rim(7) + chip(0.6, 0.8, 0.2) + chip(-0.9, 0.5, 0.13)
    tile, _ = _measured(np.asarray(rim), Scene())
    found = {round(np.deg2rad(c.phi_deg), 1): c for c in tile.chips}
    assert set(found) == {0.6, -0.9}
    for place, width, depth in ((0.6, 0.8, 0.2), (-0.9, 0.5, 0.13)):
        # half depth of half an ellipse: 0.87 of its width; the reading is shallow
        assert found[place].width_mm == pytest.approx(0.87 * width, abs=0.12)
        assert found[place].depth_mm == pytest.approx(depth - 0.015, abs=0.02)
    assert tile.chip_limit_mm is not None
    assert tile.chip_limit_mm < 0.12


def test_a_stub_is_no_rim() -> None:
    plain = _rim(9, sigma_mm=0.004)
    stub = np.where(np.abs(PHI_RAD - 0.1) * RADIUS_MM < 0.3, 0.2, 0.0)
    tile, _ = _measured(plain + stub, Scene())
    true = arc_functionals(PHI_RAD, plain, RADIUS_MM)
    assert [round(s.phi_deg) for s in tile.stubs] == [6]
    assert not tile.chips
    assert tile.values["sag"].value_mm == pytest.approx(true.sag_mm, abs=0.006)


def test_a_hump_wider_than_a_contact_is_rim() -> None:
    plain = _rim(9, sigma_mm=0.004)
    hump = 0.15 * np.exp(-0.5 * ((PHI_RAD - 0.3) * RADIUS_MM / 0.6) ** 2)
    tile, _ = _measured(plain + hump, Scene())
    true = arc_functionals(PHI_RAD, plain + hump, RADIUS_MM)
    assert not tile.stubs
    # 12 um is what a photo may err by in form
    assert tile.values["form"].value_mm == pytest.approx(true.form_mm, abs=0.012)


@pytest.mark.parametrize(
    ("scene", "word"),
    [
        (Scene(penumbra=0.75), "half shade"),
        (Scene(face=0.5, ground=0.58), "brightness"),
        (Scene(mat=0.5), "lined"),
    ],
)
def test_bad_light_is_refused_by_name(scene: Scene, word: str) -> None:
    tile, _ = _measured(_rim(11), scene)
    assert not tile.values
    assert word in tile.reasons["sag_mm"]


def test_a_covered_rim_is_refused() -> None:
    photo, pose = drawn(_rim(12), Scene(), np.random.default_rng(0))
    pixels = photo.rgb8.copy()
    x, y = pose.project(np.array([[12.0, 2.0, 0.0]]))[0].astype(int)
    pixels[y - 30 : y + 30, x - 30 : x + 30] = pixels[y, x]
    tile = measure_tile(replace(photo, rgb8=pixels), pose)
    assert "of the rim can be read" in tile.reasons["sag_mm"]


def test_two_photos_make_one_rim_and_take_the_lit_pieces() -> None:
    rim = _rim(13, sigma_mm=0.009)
    lit, _ = _measured(rim, Scene(penumbra=0.75, turn_rad=0.3))
    turned, _ = _measured(rim, Scene(turn_rad=0.3 + np.pi), seed=2)
    turned = replace(turned, photos=("turned.png",))
    both = merge([lit, turned])
    true = arc_functionals(PHI_RAD, rim, RADIUS_MM)
    assert both.photos == ("drawn.png", "turned.png")
    assert both.values["sag"].value_mm == pytest.approx(true.sag_mm, abs=0.005)
    assert both.values["form"].value_mm == pytest.approx(true.form_mm, abs=0.008)
    assert both.arc is not None
    assert set(np.unique(both.arc.source)) <= {0, 1}
    shaded = both.arc.phi_rad > np.deg2rad(30)
    assert (both.arc.source[shaded] == 1).all()


def test_a_second_photo_in_shade_or_from_aside_takes_nothing_away() -> None:
    rim = _rim(13, sigma_mm=0.009)
    good, _ = _measured(rim, Scene(turn_rad=0.3))
    shaded, _ = _measured(rim, Scene(penumbra=0.75, turn_rad=0.3 + np.pi), seed=2)
    aside = replace(
        good,
        values={k: q for k, q in good.values.items() if k not in {"form", "cos2phi"}},
        reasons={**good.reasons, "form_mm": TOO_ASIDE, "cos2phi_mm": TOO_ASIDE},
    )
    assert "sag" not in shaded.values
    assert "form" in merge([shaded, good]).values
    assert "form" in merge([aside, good]).values
    for photos in ([shaded, aside], [aside, shaded]):
        both = merge(photos)
        assert "sag" in both.values
        assert both.reasons["form_mm"] == TOO_ASIDE


@pytest.mark.parametrize("shift_mm", [-0.2, -0.13, 0.0, 0.05, 0.17])
def test_roughness_of_two_photos_bears_a_shift(shift_mm: float) -> None:
    """Rims correlated over 0.5 mm, seen 0.1 mm apart through noise of their own."""
    rng = np.random.default_rng(5)
    along = np.arange(0.0, 40.0, 0.1)
    fine = np.arange(-1.0, 41.0, 0.02)
    white = rng.standard_normal(len(fine))
    rim = gaussian_filter1d(white, 0.2 / 0.02)
    rim *= 0.010 / rim.std()
    kept = np.ones(len(along), dtype=bool)
    first, second = (
        Rough(
            profile_mm=np.interp(along + off, fine, rim)
            + 0.003 * rng.standard_normal(len(along)),
            kept=kept,
        )
        for off in (0.0, shift_mm)
    )
    found = two_photos(first, second)
    assert found.sigma_mm == pytest.approx(0.010, rel=0.10)  # of some 80 waves


def test_merging_asks_for_one_tile() -> None:
    tile, _ = _measured(_rim(1), Scene(px_per_mm=13.0))
    assert merge([tile]) is tile
    with pytest.raises(ValueError, match="one tile"):
        merge([tile, replace(tile, coupon_id="other")])
    with pytest.raises(ValueError, match="nothing"):
        stitch([])


def test_the_picture_shows_deviation_and_scale() -> None:
    rim = np.asarray(_rim(15) + chip(0.5, 0.8, 0.2))
    photo, pose = drawn(rim, Scene(), np.random.default_rng(3))
    tile = measure_tile(photo, pose)
    assert tile.arc is not None
    phi = tile.arc.phi_rad
    outward = np.column_stack([np.cos(phi), -np.sin(phi), np.zeros_like(phi)])
    at = pose.project(12.5 * outward)
    drawing = TileDrawing(
        coupon_id=tile.coupon_id,
        outline_px=pose.outline_px,
        rim_px=at,
        outward_px=pose.project(13.5 * outward) - at,
    )
    figure = rim_figure(photo.rgb8, 1.0, drawing, tile)
    picture, plot = figure.axes
    labels = [str(line.get_label()) for line in picture.get_lines()]
    drawn_line = next(
        line for line in picture.get_lines() if "deviation" in str(line.get_label())
    )
    times = int(str(drawn_line.get_label()).split()[2])
    assert times in ENLARGED
    xy = np.asarray(drawn_line.get_xydata(), dtype=np.float64)
    centre = pose.project(np.zeros((1, 3)))[0]
    away = np.linalg.norm(xy - centre, axis=1) / pose.px_per_mm
    # the chip's depth, enlarged, stands in the picture to the tile's own scale
    swing = np.nanmedian(away) - np.nanmin(away)
    assert swing == pytest.approx(times * 0.19, rel=0.25)
    assert any("chip" in label for label in labels)
    assert "um" in plot.get_ylabel()


def test_finite_length_takes_variance_away() -> None:
    # exponential correlation, mean removed: 0.905, 0.9608, 0.819999 (derived, and
    # Monte Carlo)
    assert finite_length_share(20.0, 1.0) == pytest.approx(0.905, abs=1e-6)
    assert finite_length_share(50.0, 1.0) == pytest.approx(0.9608, abs=1e-6)
    assert finite_length_share(10.0, 1.0) == pytest.approx(0.819999, abs=1e-5)


@pytest.mark.parametrize("sigma_um", [3.0, 10.0])
def test_no_chips_in_plain_roughness(sigma_um: float) -> None:
    along = np.linspace(-19.4, 19.4, 389)
    false = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rough = 1e-3 * sigma_um * noise_along(1.0, 0.3, rng)
        place = np.interp(along, PHI_RAD * RADIUS_MM, rough)
        marks = find_marks(
            along, place, np.full(len(along), 0.002), np.ones(len(along)), RADIUS_MM
        )
        false += len(marks.chips) + len(marks.stubs)
    assert false <= 1
