"""The edge stand: tiles go in without touching, stand by themselves, and it prints."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.edge_stand import (
    TileSize,
    stand,
    stand_mesh,
    stand_solid,
    stand_to_print,
    tile_in_stand,
)
from patterns.errors import SpecError
from patterns.rim_set import rim_tiles
from patterns.rim_spec import default_rim_spec
from patterns.rim_tile import tile_solid

if TYPE_CHECKING:
    from patterns.rim_manifest import Bay

SIZES = st.builds(
    TileSize,
    radius_mm=st.floats(10.0, 20.0),
    thickness_mm=st.floats(2.0, 3.6),
    taper_deg=st.floats(0.0, 30.0),
)
TILES = rim_tiles(default_rim_spec())[::5]
GROWTH_MM = 0.1
RISE_MM = np.array([0.0, 0.0, 2 * GROWTH_MM * np.tan(np.radians(15))])


def _in_print(bay: Bay) -> np.ndarray:
    """From the tile frame to the frame of the printed stand."""
    outer, inner = stand_to_print(stand()), tile_in_stand(bay)
    return np.asarray(outer @ np.vstack([inner, (0, 0, 0, 1)]))


@pytest.mark.parametrize("bay", stand().bays, ids=lambda bay: bay.name)
def test_a_tile_fits_every_bay_also_when_both_have_grown(bay: Bay) -> None:
    hub = stand_solid()
    for tile in TILES:
        held = tile_solid(tile).transform(_in_print(bay))
        assert (held ^ hub).volume() == 0.0
        # 0.1 mm of growth on tile and slot: the tile may then be moved that far aside
        azimuth = np.radians(bay.azimuth_deg)
        aside = 2 * GROWTH_MM * np.array([-np.sin(azimuth), -np.cos(azimuth), 0.0])
        for way in (-1, 1):
            # on the way up the fin's slope
            moved = held.translate((way * aside + RISE_MM).tolist())
            assert (moved ^ hub).volume() == 0.0


def test_a_bay_holds_a_tile_as_the_contract_says() -> None:
    for bay in stand().bays:
        place = tile_in_stand(bay)
        turn, radius = place[:, :3], TILES[0].radius_mm
        assert np.linalg.det(turn) == pytest.approx(1.0)
        azimuth = np.radians(bay.azimuth_deg)
        outward = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
        lowest = place @ (radius, 0.0, 0.0, 1.0)
        np.testing.assert_allclose(lowest, (bay.back_mm + radius) * outward, atol=1e-12)
        body = turn @ (0.0, 0.0, 1.0)
        onward = np.array([-outward[1], outward[0], 0.0])
        np.testing.assert_allclose(body, onward, atol=1e-12)


def test_the_fin_carries_a_tile_beyond_where_it_bears() -> None:
    """Statics: the corner is pushed outward, the fin pushes towards the arc's axis."""
    from trimesh import Trimesh

    from patterns.solids import mesh_arrays

    hub = stand_solid()
    bay = stand().bays[0]
    height, radius = stand().height_mm, TILES[0].radius_mm
    for tile in TILES:
        mass = Trimesh(*mesh_arrays(tile_solid(tile))).center_mass
        bears_x = radius * np.sin(np.arctan(mass[0] / radius))
        reaches_x = hub.bounding_box()[3] - bay.back_mm
        assert bears_x < reaches_x - 0.5
        # under the centre of mass across the tile, so that it does not lean over
        fin = hub.slice(height - 0.95 * radius)
        under = [
            ring
            for ring in fin.to_polygons()
            if ring[:, 0].max() > bay.back_mm + bears_x and abs(ring[:, 1]).max() < 3
        ]
        assert len(under) == 1
        y = -under[0][:, 1]  # the print frame's y runs against the stand's
        assert y.min() < mass[2] < y.max() + 0.05
        assert y.min() > 0.3, "hidden behind the bottom face"
        assert y.max() < tile.thickness_mm - 0.8, "hidden behind the feet"


def test_feet_and_rim_stand_over_bare_table() -> None:
    outline = np.array(stand().outline_mm)
    bay = stand().bays[0]
    assert outline[:, 0].max() < bay.back_mm + min(
        foot.x_mm - foot.diameter_mm / 2 for tile in TILES for foot in tile.feet
    )


def test_nothing_hangs_and_nothing_is_shut_in() -> None:
    from trimesh import Trimesh

    vertices, faces = stand_mesh()
    mesh = Trimesh(vertices, faces)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(stand().volume_mm3, abs=0.01)
    assert mesh.volume < 7000
    hanging = mesh.face_normals[:, 2] < -np.sin(np.radians(46))
    on_plate = mesh.triangles_center[:, 2] < 1e-6
    assert mesh.area_faces[hanging & ~on_plate].sum() < 0.01
    holes = len(stand().holes)
    assert stand_solid().genus() == holes, "every hole goes through, none is a cup"


def test_volume_against_the_sum_of_its_slices() -> None:
    heights = np.linspace(0, stand().height_mm, 801)
    middles = (heights[1:] + heights[:-1]) / 2
    area = [stand_solid().slice(float(z)).area() for z in middles]
    summed = np.mean(area) * stand().height_mm
    assert summed == pytest.approx(stand().volume_mm3, rel=1e-3)


def test_holes_stand_clear_and_are_undercut() -> None:
    top = stand_solid().slice(stand().height_mm - 1e-3)
    below = stand_solid().slice(stand().height_mm - 1.2)
    for hole in stand().holes:
        centre = np.array([hole.x_mm, -hole.y_mm])
        for shape, least, most in ((top, 0.0, 0.02), (below, 0.5, 0.7)):
            rings = [np.asarray(r) for r in shape.to_polygons()]
            off = min(np.linalg.norm(r - centre, axis=1).max() for r in rings)
            assert least - 0.01 <= off - hole.diameter_mm / 2 <= most
        for other in stand().holes:
            if other != hole:
                gap = np.hypot(hole.x_mm - other.x_mm, hole.y_mm - other.y_mm)
                assert gap > 2 * hole.diameter_mm * 0.8


def test_holes_can_not_be_read_turned_or_mirrored() -> None:
    """Every other way to lay two holes on two holes leaves four of seven unmatched."""
    seen = np.array([complex(hole.x_mm, hole.y_mm) for hole in stand().holes])
    assert len(seen) >= 6
    for image in (seen, seen.conj()):
        for a, b in itertools.permutations(range(len(seen)), 2):
            for c, d in itertools.permutations(range(len(seen)), 2):
                stretch = (seen[d] - seen[c]) / (image[b] - image[a])
                if abs(abs(stretch) - 1) > 0.06:  # scale is known better than that
                    continue
                laid = (image - image[a]) * stretch / abs(stretch) + seen[c]
                if np.abs(laid - seen).max() < 0.7:
                    assert image is seen
                    continue
                off = np.abs(laid[:, None] - seen[None, :]).min(axis=1)
                assert (off < 0.7).sum() <= 3


@settings(max_examples=15, deadline=None)
@given(SIZES)
def test_any_size_of_tile_gets_one_closed_stand(size: TileSize) -> None:
    from manifold3d import Error

    hub = stand_solid(size)
    assert hub.status() == Error.NoError
    assert len(hub.decompose()) == 1
    assert stand(size).height_mm > size.radius_mm
    lowest = min(hole.y_mm for hole in stand(size).holes)
    assert lowest == min(hole.y_mm for hole in stand().holes)


@pytest.mark.parametrize("name", ["radius_mm", "thickness_mm", "taper_deg"])
@pytest.mark.parametrize("value", [-1.0, 99.0, float("nan")])
def test_tiles_it_can_not_hold_are_refused(name: str, value: float) -> None:
    with pytest.raises(SpecError, match=name):
        TileSize(**{name: value})
