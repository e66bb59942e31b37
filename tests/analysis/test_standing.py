"""Tiles on the edge stand, from a drawn picture to the radius of their edges."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from analysis.feet_code import _named
from analysis.photo import Photo, srgb_lut
from analysis.profile_shape import ARC_RAD, Standing, normals, rim_points_mm
from analysis.result import Measurement, Refusal
from analysis.rim_result import RimMeasurement
from analysis.standing import measure_profiles
from calib.virtual.profile_view import StandingTile, photograph_profiles
from calib.virtual.tile_scene import RingWish, draw_profile_scene
from calib.virtual.tilted import ideal_tile
from patterns.edge_stand import tile_in_stand
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.rimcode import encode_feet

if TYPE_CHECKING:
    from patterns.rim_manifest import RimManifest

RADII_MM = {"A": 0.0, "B": 0.18, "D": 0.4}
OFF_DEG = {"A": 1.0, "B": -2.0, "D": 0.0}


@pytest.fixture(scope="module")
def manifest() -> RimManifest:
    return rim_manifest(default_rim_spec())


@pytest.fixture(scope="module")
def photo(manifest: RimManifest) -> Photo:
    """Three tiles round the hub, bay C empty."""
    rng = np.random.default_rng(5)
    bays = [bay for bay in manifest.stand.bays if bay.name in RADII_MM]
    tiles = [
        StandingTile(
            printed=ideal_tile(tile, edge_radius_mm=RADII_MM[bay.name]),
            bay=bay,
            off_plane_deg=OFF_DEG[bay.name],
        )
        for tile, bay in zip(manifest.tiles[3::5], bays, strict=False)
    ]
    wish = RingWish(px_per_mm=22.0, tilt_deg=1.0, contrast=0.7, table="paper")
    view = draw_profile_scene(manifest.stand, rng, wish)
    rgb8, _ = photograph_profiles(manifest.stand, tiles, view, rng)
    return as_photo(rgb8, view.scene.focal35_mm)


def as_photo(rgb8: np.ndarray, focal35_mm: float | None) -> Photo:
    return Photo(
        path="drawn.png",
        rgb8=rgb8,
        linear_lut=np.repeat(srgb_lut()[:, None], 3, axis=1),
        focal35_mm=focal35_mm,
        reduced=1.0,
    )


@pytest.fixture(scope="module")
def measured(photo: Photo, manifest: RimManifest) -> Measurement:
    outcome = measure_profiles(photo, [manifest])
    assert isinstance(outcome, Measurement)
    return outcome


def by_bay(measured: Measurement, manifest: RimManifest) -> dict[str, RimMeasurement]:
    names = [tile.coupon_id for tile in manifest.tiles[3::5]]
    there = dict(zip(RADII_MM, names, strict=False))
    found = {coupon.coupon_id: coupon for coupon in measured.coupons}
    return {bay: found[name] for bay, name in there.items()}  # type: ignore[misc]


def test_tiles_are_named_by_their_feet(
    measured: Measurement, manifest: RimManifest
) -> None:
    names = {tile.coupon_id for tile in manifest.tiles[3::5][:3]}
    assert {coupon.coupon_id for coupon in measured.coupons} == names
    assert not measured.warnings  # the empty bay is no fault


def test_the_hub_is_the_scale(measured: Measurement) -> None:
    assert measured.scale is not None
    assert measured.scale.source == "coupon"
    assert measured.scale.px_per_mm == pytest.approx(22.0, rel=0.05)
    assert measured.scale.u_px_per_mm == pytest.approx(
        0.01 * measured.scale.px_per_mm, rel=1e-6
    )


@pytest.mark.parametrize("bay", ["B", "D"])
def test_round_edges(measured: Measurement, manifest: RimManifest, bay: str) -> None:
    radius = by_bay(measured, manifest)[bay].values["edge_radius"]
    error = radius.value_mm - RADII_MM[bay]
    assert abs(error) < max(0.04, 0.2 * RADII_MM[bay])
    assert abs(error) < 3 * radius.u_mm
    assert "13715" in radius.method


def test_a_sharp_edge_is_not_called_round(
    measured: Measurement, manifest: RimManifest
) -> None:
    sharp = by_bay(measured, manifest)["A"]
    radius = sharp.values.get("edge_radius")
    assert radius is None or radius.value_mm < 0.1
    assert radius is not None or sharp.upper_mm["edge_radius"] < 0.15


def test_nothing_else_is_claimed(measured: Measurement) -> None:
    for tile in measured.coupons:
        assert isinstance(tile, RimMeasurement)
        assert set(tile.values) <= {"edge_radius"}
        assert tile.arc is None
        assert tile.reasons["sag_mm"]
        assert any("burr" in warning for warning in tile.warnings)


def test_mirrored_hub_is_refused(photo: Photo, manifest: RimManifest) -> None:
    turned = replace(photo, rgb8=np.ascontiguousarray(photo.rgb8[:, ::-1]))
    outcome = measure_profiles(turned, [manifest])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "hub_mirrored"


def test_no_stand() -> None:
    manifest = rim_manifest(default_rim_spec())
    rng = np.random.default_rng(1)
    noise = rng.normal(128, 20, (400, 500, 3)).clip(0, 255).astype(np.uint8)
    outcome = measure_profiles(as_photo(noise, 26.0), [manifest])
    assert isinstance(outcome, Refusal)
    assert outcome.code == "no_hub"


def test_no_manifests(photo: Photo) -> None:
    with pytest.raises(ValueError, match="manifest"):
        measure_profiles(photo, [])


def test_stands_as_the_stand_holds_it(manifest: RimManifest) -> None:
    points = np.random.default_rng(2).uniform(-5, 12, (20, 3))
    for bay in manifest.stand.bays:
        standing = Standing(tile=manifest.tiles[0], bay=bay)
        place = tile_in_stand(bay)
        np.testing.assert_allclose(
            standing.in_stand(points), points @ place[:, :3].T + place[:, 3], atol=1e-9
        )
        off = replace(standing, turn_rad=0.03, lean_rad=-0.05, outward_mm=0.2)
        np.testing.assert_allclose(off.in_tile(off.in_stand(points)), points, atol=1e-9)


@pytest.mark.parametrize("edge_mm", [0.05, 0.3, 0.8])
def test_edge_is_tangent_to_face_and_wall(
    manifest: RimManifest, edge_mm: float
) -> None:
    tile = manifest.tiles[0]
    count = len(ARC_RAD)
    rings = rim_points_mm(tile, edge_mm).reshape(count, -1, 3)
    rho_z = rings[count // 2][:, [0, 2]]
    assert rho_z[:, 0].max() == pytest.approx(tile.radius_mm, abs=edge_mm * 0.01)
    assert rho_z[0] == pytest.approx([tile.radius_mm - edge_mm, 0.0])
    wall = rho_z[-1] - rho_z[-2]
    lean = np.rad2deg(np.arctan2(-wall[0], wall[1]))
    assert lean == pytest.approx(tile.taper_deg, abs=1e-6)
    taper = np.deg2rad(tile.taper_deg)
    centre = np.array([tile.radius_mm - edge_mm, edge_mm])
    touching = centre + edge_mm * np.array([np.cos(taper), np.sin(taper)])
    assert rho_z[-2] == pytest.approx(touching)


def test_normals_of_face_edge_and_wall(manifest: RimManifest) -> None:
    tile = manifest.tiles[0]
    # from above (y up) and a little before the face: the first line meets the face
    far = np.array([[8.0, -1.0, 0.05], [11.5, -1.0, 1.5], [12.4, 0.0, 0.1]])
    near = far + np.array([[0.0, 30.0, -1.0], [0.0, 30.0, 0.0], [0.0, 30.0, 0.0]])
    face, wall, edge = normals(tile, 0.3, far, near, np.zeros(3))
    assert face == pytest.approx([0.0, 0.0, -1.0], abs=1e-9)
    assert wall[2] == pytest.approx(np.sin(np.deg2rad(tile.taper_deg)))
    assert wall[1] > 0
    # on the rounding the normal points from its middle ring to the surface
    assert edge[2] == pytest.approx((0.1 - 0.3) / 0.3, abs=0.01)
    assert np.linalg.norm(edge) == pytest.approx(1.0)


@pytest.mark.parametrize("places", range(6))
def test_one_misread_foot_never_makes_another_tile(places: int) -> None:
    indices = range(16)
    for index in indices:
        told = dict(enumerate(encode_feet(index)))
        assert _named(told, indices) == index
        told[places] = not told[places]
        assert isinstance(_named(told, indices), str)


def test_feet_that_cannot_be_told_leave_a_tile_unread() -> None:
    told = dict(enumerate(encode_feet(9)))
    del told[0]  # every index of the set has it alike
    assert _named(told, range(16)) == 9
    del told[3]
    assert isinstance(_named(told, range(16)), str)
