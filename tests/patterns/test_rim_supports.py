"""Supports and lip on the real slices: one body, no island, no span past the limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from patterns.errors import SpecError
from patterns.rim_checks import (
    check_spans,
    contact_span_mm,
    inspect_layers,
    support_touch_mm,
)
from patterns.rim_set import build_rims, printed_solid
from patterns.rim_spec import default_rim_spec
from patterns.rim_supports import contacts_mm, lip_solid, print_pose, supports_solid
from patterns.rim_tile import rim_tile, tile_solid

SPEC = default_rim_spec()
NOTCHES_END_MM = 1.5 + np.tan(np.radians(15))


@pytest.mark.parametrize(
    ("tilt", "phase", "lipped"),
    [(20.0, 0.3, True), (45.0, 0.5, False), (65.0, 0.5, True), (75.0, 0.7, False)],
)
def test_it_prints_as_it_is(tilt: float, phase: float, *, lipped: bool) -> None:
    tile = rim_tile(SPEC, tilt, lipped=lipped, index=21)
    solid = printed_solid(SPEC, tile)
    assert len(solid.decompose()) == 1
    found = inspect_layers(solid, SPEC.layer_mm, phase)
    assert found.layers > 200
    assert found.islands_mm == ()
    assert found.hang_mm <= SPEC.hang_limit_mm
    assert contact_span_mm(SPEC, tile) <= SPEC.span_limit_mm
    assert support_touch_mm(SPEC, tile) > NOTCHES_END_MM


def test_a_support_stands_at_the_lowest_point() -> None:
    for lipped, depth in ((False, 0.0), (True, 0.5)):
        tile = rim_tile(SPEC, 45.0, lipped=lipped, index=0)
        apart = np.linalg.norm(contacts_mm(SPEC, tile) - (12.5, 0.0, -depth), axis=1)
        assert apart.min() == 0


@pytest.mark.parametrize("tilt", [20.0, 75.0])
def test_nothing_but_contacts_touches_tile_and_lip(tilt: float) -> None:
    tile = rim_tile(SPEC, tilt, lipped=True, index=0)
    part = (tile_solid(tile) + lip_solid(tile)).transform(print_pose(tile))
    touched = (supports_solid(SPEC, tile) ^ part).decompose()
    assert len(touched) == len(contacts_mm(SPEC, tile))
    assert all(piece.volume() < SPEC.contact_mm**3 for piece in touched)


def test_contacts_have_the_same_places_on_every_tile() -> None:
    bare = contacts_mm(SPEC, rim_tile(SPEC, 30.0, lipped=False, index=0))
    lipped = contacts_mm(SPEC, rim_tile(SPEC, 65.0, lipped=True, index=1))
    assert np.array_equal(bare[:, :2], lipped[:, :2])


def test_contacts_stand_denser_along_the_low_rim() -> None:
    points = contacts_mm(SPEC, rim_tile(SPEC, 45.0, lipped=False, index=0))
    rim = points[np.hypot(*points[:, :2].T) > 12]
    phi = np.sort(np.arctan2(-rim[:, 1], rim[:, 0]))
    gaps = np.diff(phi) * 12.5
    assert gaps.min() == pytest.approx(gaps[len(gaps) // 2])
    assert gaps.max() > 1.3 * gaps.min()
    assert gaps[len(gaps) // 2] <= SPEC.rim_spacing_mm


def test_an_island_and_a_long_hang_are_seen() -> None:
    """The checks find what they are there for: no lowest support, and no supports."""
    from manifold3d import Manifold

    def box(x: float, z: float, size: tuple[float, float, float]) -> Manifold:
        return Manifold.cube(size).translate((x, 0.0, z))

    post = box(0, 0, (2, 2, 3))
    island = post + box(4, 2, (2, 2, 1.0)) + box(0, 2.9, (6, 2, 0.5))
    assert inspect_layers(island, 0.1).islands_mm == pytest.approx((2.05,))
    ledge = post + box(0, 2, (3.2, 2, 0.5))
    found = inspect_layers(ledge, 0.1)
    assert found.islands_mm == ()
    assert found.hang_mm == pytest.approx(1.2, abs=0.051)
    assert found.hang_z_mm == pytest.approx(2.05)


def test_without_supports_the_tile_s_first_layer_is_an_island() -> None:
    tile = rim_tile(SPEC, 45.0, lipped=False, index=0)
    solid = printed_solid(SPEC, tile) - supports_solid(SPEC, tile)
    assert inspect_layers(solid, SPEC.layer_mm).islands_mm


def test_the_lip_s_volume_is_a_ring_segment_s() -> None:
    tile = rim_tile(SPEC, 45.0, lipped=True, index=0)
    slab = lip_solid(tile).trim_by_plane((0.0, 0.0, -1.0), 0.0)
    # full depth to 74 degrees, then a ramp to 80: 77 degrees on average, both ways
    ring = np.radians(2 * 77) / 2 * (12.5**2 - 11.0**2) * 0.5
    assert slab.volume() == pytest.approx(ring, rel=5e-3)


def test_lip_depths_may_be_swept() -> None:
    spec = replace(SPEC, tilts_deg=(44.0, 45.0, 46.0), lip_depths_mm=(0.4, 0.6, 0.8))
    depths = [
        rim_tile(spec, tilt, lipped=True, index=0).lip_depth_mm
        for tilt in spec.all_tilts_deg
    ]
    assert depths == [0.4, 0.6, 0.8]


def test_a_gap_past_the_limit_is_refused() -> None:
    spec = replace(SPEC, span_limit_mm=4.0)
    with pytest.raises(SpecError, match="gaps"):
        check_spans(spec, rim_tile(spec, 30.0, lipped=False, index=0))


@pytest.mark.parametrize("change", [{"layer_mm": 0.1, "rim_spacing_mm": 2.0}])
def test_other_layers_and_spacings_print_too(change: dict[str, Any]) -> None:
    spec = replace(SPEC, **change)
    solid = printed_solid(spec, rim_tile(spec, 35.0, lipped=True, index=3))
    found = inspect_layers(solid, spec.layer_mm)
    assert found.islands_mm == ()
    assert found.hang_mm <= spec.hang_limit_mm


def test_a_set_s_plate_is_closed_and_its_tiles_stand_apart() -> None:
    from trimesh import Trimesh

    spec = replace(SPEC, tilts_deg=(30.0, 40.0))
    made = build_rims(spec)
    (plate,) = made.plates
    mesh = Trimesh(plate.vertices_mm, plate.faces, process=False)
    assert mesh.is_watertight
    bodies = mesh.split(only_watertight=False)
    assert len(bodies) == 4
    assert mesh.bounds[0][2] == 0
    for body, place in zip(
        sorted(bodies, key=lambda part: part.centroid[0]),
        sorted(made.manifest.placements, key=lambda place: place.x_mm),
        strict=True,
    ):
        assert body.bounds[0][0] < place.x_mm < body.bounds[1][0]
        rim = np.linalg.norm(
            body.vertices - (place.x_mm, place.y_mm, place.z_mm), axis=1
        )
        assert rim.min() < 0.5  # the contact has swallowed the lowest point itself
    again = build_rims(spec).plates[0]
    assert np.array_equal(again.vertices_mm, plate.vertices_mm)
    assert np.array_equal(again.faces, plate.faces)
