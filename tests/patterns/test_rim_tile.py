"""The rim tile: what a set holds, its size and volume, and what can't be made."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from patterns.errors import SpecError
from patterns.rim_manifest import RimManifest, rim_manifest_from_json
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec
from patterns.rim_tile import cut_runs, lying_mesh, rim_tile, tile_mesh, tile_solid
from patterns.rimcode import decode, decode_feet

if TYPE_CHECKING:
    from numpy.typing import NDArray

SPEC = default_rim_spec()


@pytest.fixture(scope="module")
def manifest() -> RimManifest:
    return rim_manifest(SPEC)


def test_the_default_set_is_eight_tilts_twice_on_one_plate(
    manifest: RimManifest,
) -> None:
    assert [tile.tilt_deg for tile in manifest.tiles] == [
        tilt for tilt in range(30, 66, 5) for _ in range(2)
    ]
    assert [tile.lipped for tile in manifest.tiles] == [False, True] * 8
    assert len({tile.coupon_id for tile in manifest.tiles}) == 16
    assert manifest.plates == 1


def test_the_manifest_comes_back_from_its_file(manifest: RimManifest) -> None:
    text = manifest.to_json()
    assert rim_manifest_from_json(text).to_json() == text


def test_notches_and_feet_say_what_the_tile_is(manifest: RimManifest) -> None:
    for tile in manifest.tiles:
        code = decode(tuple(notch.cut for notch in tile.notches))
        assert code is not None
        assert code.tilt_code_deg == round(tile.tilt_deg)
        assert (code.lipped, code.set_code) == (tile.lipped, manifest.set_code)
        coded = {foot.bit for foot in tile.feet}
        assert decode_feet(tuple(bit in coded for bit in range(6))) == tile.index


def test_the_coincidence_angle_joins_where_it_lies_between() -> None:
    assert 46.650039 in replace(SPEC, pixel_y_mm=0.0472).all_tilts_deg
    assert replace(SPEC, pixel_y_mm=0.0185).all_tilts_deg == SPEC.tilts_deg  # 69.7
    assert replace(SPEC, pixel_y_mm=0.0347).all_tilts_deg == SPEC.tilts_deg  # 55.2
    assert len(rim_manifest(replace(SPEC, pixel_y_mm=0.0472)).tiles) == 18


def test_a_set_too_large_for_one_plate_takes_more() -> None:
    small = rim_manifest(replace(SPEC, plate_x_mm=70.0, plate_y_mm=40.0))
    assert small.plates > 1
    assert {place.plate for place in small.placements} == set(
        range(1, small.plates + 1)
    )


@pytest.mark.parametrize(
    ("change", "lipped", "index"),
    [
        ({}, False, 0),
        ({}, True, 31),
        ({"radius_mm": 16.0, "thickness_mm": 2.0, "taper_deg": 5.0}, False, 9),
        ({"set_code": 31}, True, 21),
    ],
)
def test_volume_is_the_closed_formula_s(
    change: dict[str, Any], *, lipped: bool, index: int
) -> None:
    tile = rim_tile(replace(SPEC, **change), 52.0, lipped=lipped, index=index)
    solid = tile_solid(tile)
    # chords of 0.1 mm lose 0.01 %, feet of 20 sides 1.6 % of the 1 mm3 they hold
    assert solid.volume() == pytest.approx(tile.volume_mm3, rel=5e-4)
    assert len(solid.decompose()) == 1


def test_half_a_disc_s_volume_by_hand() -> None:
    """Against the frustum pi t / 3 (R^2 + R r + r^2) / 2, back draft and code aside."""
    tile = rim_tile(SPEC, 45.0, lipped=False, index=0)
    top = 12.5 - 3 * np.tan(np.radians(15))
    frustum = np.pi / 2 * (12.5**2 + 12.5 * top + top**2)
    back = np.tan(np.radians(15)) * (1 * 0.5 + 2 * 1) * 24.2
    code = sum(y1 - y0 + 0.45 for y0, y1 in cut_runs(tile)) * 1.5 * 3
    feet = 3.0 * 0.8 * np.pi * 0.3**2
    assert tile.volume_mm3 == pytest.approx(frustum - back - code + feet, rel=5e-3)


def test_lying_bottom_up_it_stands_on_its_feet_with_no_wall_in_sight() -> None:
    tile = rim_tile(SPEC, 45.0, lipped=False, index=5)
    vertices, faces = lying_mesh(tile)
    assert vertices[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    assert vertices[:, 2].max() == pytest.approx(3.8)
    assert np.hypot(*vertices[:, :2].T).max() == pytest.approx(12.5, abs=1e-4)
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    seen = (normals[:, 2] > 1e-9) & (corners[..., 2].min(axis=1) > 0.9)
    assert np.allclose(corners[seen][..., 2], 3.8)


def test_the_tile_s_weight_lies_well_within_its_feet() -> None:
    from trimesh import Trimesh

    tile = rim_tile(SPEC, 45.0, lipped=False, index=0)
    centre = Trimesh(*tile_mesh(tile)).center_mass
    always = [foot for foot in tile.feet if foot.bit is None]
    assert min(foot.x_mm for foot in always) < centre[0] - 0.8
    assert max(foot.x_mm for foot in always) > centre[0] + 0.8
    assert abs(centre[1]) < 0.5


def test_a_rim_deviation_stands_in_the_mesh() -> None:
    def dent(phi: NDArray[np.float64]) -> NDArray[np.float64]:
        return -0.08 * np.exp(-0.5 * (phi / 0.2) ** 2)

    tile = rim_tile(SPEC, 45.0, lipped=False, index=0)
    vertices, _ = tile_mesh(tile, dent)
    rim = vertices[(np.abs(vertices[:, 2]) < 1e-6) & (vertices[:, 0] > 3)]
    radius = np.hypot(rim[:, 0], rim[:, 1])
    rim, radius = rim[radius > 12], radius[radius > 12]
    phi = np.arctan2(-rim[:, 1], rim[:, 0])
    assert len(phi) > 200
    assert np.allclose(radius, 12.5 + dent(phi), atol=1e-6)


@pytest.mark.parametrize(
    "change",
    [
        {"pixel_x_mm": float("nan")},
        {"layer_mm": 0.0},
        {"tilts_deg": ()},
        {"tilts_deg": (10.0, 45.0)},
        {"tilts_deg": (44.6, 45.4)},
        {"tilts_deg": tuple(float(tilt) for tilt in range(30, 50))},
        {"treatments": ("bare", "bare")},
        {"treatments": ("sanded",)},
        {"lip_depths_mm": (0.1,)},
        {"lip_depths_mm": (0.5, 0.6)},
        {"radius_mm": 12.5, "thickness_mm": 3.5, "taper_deg": 20.0},
        {"set_code": 32},
        {"plate_x_mm": 20.0},
    ],
)
def test_what_can_t_be_made_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(SpecError):
        replace(SPEC, **change)


def test_a_plate_smaller_than_a_tile_is_refused() -> None:
    with pytest.raises(SpecError, match="does not fit"):
        rim_manifest(replace(SPEC, radius_mm=20.0, plate_x_mm=40.0))
