"""Pictures of virtual tiles show the truth that is written beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from calib.virtual.camera import Place, looking_down, part_to_world
from calib.virtual.finish import Finish, linear_light
from calib.virtual.light import Light
from calib.virtual.profile_view import (
    ProfileScene,
    StandingTile,
    edge_section,
    photograph_profiles,
)
from calib.virtual.scene import Scene
from calib.virtual.tile_body import outline, tile_body
from calib.virtual.tile_scene import lay_ring, photograph_tiles, turned
from calib.virtual.tilted import PrintedTile, ideal_tile
from patterns.rim_set import rim_manifest
from patterns.rim_spec import default_rim_spec

Array = NDArray[np.float64]

MANIFEST = rim_manifest(default_rim_spec())
TILE = MANIFEST.tiles[0]
PX_PER_MM = 12.0
CALM = Finish(blur_px=0.8, full_well=1e7, read_noise=0.0)


def scene(width_mm: float) -> Scene:
    """Dark on a lit screen, camera straight above and far enough to see no wall."""
    side = round(width_mm * PX_PER_MM)
    return Scene(
        shape=(side, side),
        camera=looking_down(
            f_px=400 * PX_PER_MM,
            k1=0.0,
            centre_px=((side - 1) / 2, (side - 1) / 2),
            aim_mm=(0.0, 0.0),
            distance_mm=400.0,
            tilt_deg=0.0,
            tilt_towards_deg=0.0,
            roll_deg=0.0,
        ),
        part_rgb=(0.1, 0.1, 0.1),
        table="screen",
        table_rgb=(0.8, 0.8, 0.8),
        light=Light(sky=1.0, glow=1.0),
        finish=CALM,
    )


def bumpy() -> PrintedTile:
    """Tile with a dent at its lowest point and a wave."""
    tile = ideal_tile(TILE)
    phi = tile.phi_rad
    return replace(
        tile, rim_mm=0.05 * np.cos(4 * phi) - 0.15 * np.exp(-((phi / 0.2) ** 2))
    )


def edge_share(rgb8: NDArray[np.uint8], points_px: Array) -> Array:
    """How far from tile (0) to table (1) the light is at some points."""
    light = linear_light(rgb8)[..., 1]
    seen = map_coordinates(light, points_px.T[::-1], order=1)
    return np.asarray((seen - light.min()) / (np.median(light) - light.min()))


def test_rim_is_drawn_where_the_truth_says() -> None:
    tile, place = bumpy(), Place(x_mm=-4.0, y_mm=1.0, turn_deg=33.0)
    view = scene(36.0)
    rgb8, truth = photograph_tiles([tile], [place], view, np.random.default_rng(1))
    (told,) = truth["tiles"]
    assert told["rim_mm"] == pytest.approx(tile.rim_mm, abs=1e-5)
    arc = outline(tile, 0.0)[200:2900:9]
    flat = np.column_stack((arc, np.zeros(len(arc))))
    matrix = part_to_world(place, told["face_mm"])
    world = flat @ matrix[:3, :3].T + matrix[:3, 3]
    share = edge_share(rgb8, view.camera.project(world))
    # blurred by 0.8 px, an edge changes by a half in a pixel: 0.05 is 0.1 px, 8 um
    assert share.mean() == pytest.approx(0.5, abs=0.02)
    assert share.std() < 0.05


def test_tile_stands_on_its_feet() -> None:
    body = tile_body(ideal_tile(TILE))
    assert body.thickness_mm == pytest.approx(3.0)
    assert body.face_mm == pytest.approx(3.8)


def test_notches_open_towards_the_table_and_never_past_the_rim() -> None:
    """Walls lean, so that they hide."""
    low, high = outline(ideal_tile(TILE), 0.0), outline(ideal_tile(TILE), 1.0)

    def area(ring: Array) -> float:
        x, y = ring.T
        return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2

    cut = sum(notch.y1_mm - notch.y0_mm for notch in TILE.notches if notch.cut)
    whole = np.pi * TILE.radius_mm**2 / 2
    assert area(low) == pytest.approx(whole - cut * TILE.notch_depth_mm, rel=1e-4)
    assert area(high) < area(low) - cut * np.tan(np.radians(15.0)) / 2


@pytest.mark.parametrize("count", [4, 8])
def test_ring_keeps_tiles_apart_and_arcs_outward(count: int) -> None:
    places = lay_ring(count, 12.5, np.random.default_rng(3))
    rings = [
        place.to_world(outline(ideal_tile(TILE), 0.0) * (1, -1)) for place in places
    ]
    for k, ring in enumerate(rings):
        others = np.concatenate([r for j, r in enumerate(rings) if j != k])
        gap = np.linalg.norm(ring[::20, None] - others[::20], axis=2).min()
        assert gap > 0.5
        low_point = ring[len(ring) // 2 - 200]  # about the middle of the arc
        assert np.hypot(*low_point) > np.hypot(places[k].x_mm, places[k].y_mm)
    back = turned(turned(places, 180.0), 180.0)
    assert [p.x_mm for p in back] == pytest.approx([p.x_mm for p in places])


def test_section_of_an_edge_has_its_radius() -> None:
    """All rounded points lie on one circle that touches face and wall."""
    section = edge_section(12.5, 0.4, ideal_tile(TILE))
    rounded = section[1:-2]
    taper = np.radians(15.0)
    assert rounded[0, 1] == pytest.approx(0.0, abs=1e-12)
    wall = rounded[-1] @ [np.cos(taper), np.sin(taper)]
    assert wall == pytest.approx(12.5 * np.cos(taper))
    centre = rounded[0] + [0.0, 0.4]
    assert np.linalg.norm(rounded - centre, axis=1) == pytest.approx(0.4)


def test_profile_of_a_round_edge_lacks_its_corner() -> None:
    """r^2 (1 / tan(37.5 degrees) - 0.916) mm2 beside a sharp edge of the same wall."""
    stand, radius = MANIFEST.stand, 0.5
    corner = np.full(len(ideal_tile(TILE).phi_rad), radius * (1.3032 - 1))
    near = 400.0 / (400.0 - stand.height_mm)  # the rim lies nearer than the table
    at = (stand.bays[0].back_mm + TILE.radius_mm) * PX_PER_MM * near
    lit = []
    for tile in (
        ideal_tile(TILE, rim_mm=corner),
        ideal_tile(TILE, edge_radius_mm=radius),
    ):
        view = ProfileScene(
            scene=scene(60.0), hub_turn_deg=0.0, table_blur_px=4.0, hub_rgb=(0.3,) * 3
        )
        standing = StandingTile(printed=tile, bay=stand.bays[0])
        rgb8, _ = photograph_profiles(stand, [standing], view, np.random.default_rng(1))
        level = linear_light(rgb8)[..., 1]
        middle = (level.shape[0] - 1) / 2
        box = level[
            round(middle - 15) : round(middle + 16),
            round(middle + at - 15) : round(middle + at + 16),
        ]
        lit.append(float(((box - box.min()) / np.ptp(box)).sum()))
    lacking_mm2 = (lit[1] - lit[0]) / (PX_PER_MM * near) ** 2
    assert lacking_mm2 == pytest.approx(radius**2 * (1.3032 - 0.9163), rel=0.15)
