"""The virtual camera: edges, marks, light and noise where they are said to be."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image as PilImage

from calib.virtual import finish
from calib.virtual.camera import Camera, Place, looking_down, part_to_world
from calib.virtual.coverage import coverage
from calib.virtual.draw import Wish, draw_scene
from calib.virtual.finish import Finish
from calib.virtual.light import Blocker, Light, table_light
from calib.virtual.printer import with_uniform_growth
from calib.virtual.ruler import STYLES, Ruler, rectangle, subdivided
from calib.virtual.scene import Scene, photograph
from patterns.flare import build_manifest
from patterns.spec import default_flare_spec

if TYPE_CHECKING:
    from pathlib import Path

    from calib.virtual.part import PrintedPart

EDGE_PX = 0.01  # rms, in linear light: what the camera promises
CLEAN = Finish(blur_px=1.0, full_well=1e12, read_noise=0.0, jpeg_quality=95)


def some_camera(tilt_deg: float = 7.0, towards_deg: float = 40.0) -> Camera:
    return looking_down(
        f_px=1400.0,
        k1=0.02,
        centre_px=(760.0, 500.0),
        aim_mm=(2.0, -3.0),
        distance_mm=110.0,
        tilt_deg=tilt_deg,
        tilt_towards_deg=towards_deg,
        roll_deg=3.0,
    )


@pytest.fixture(scope="module")
def part() -> PrintedPart:
    manifest = build_manifest(default_flare_spec())
    growth = [0.2 - 0.02 * j if j < 8 else 0.02 for j in range(manifest.layers)]
    return with_uniform_growth(manifest, growth, 0.997)


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A clean scene on a lit screen: no shadow, no noise, no sharpening."""
    drawn = draw_scene(
        np.random.default_rng(5),
        Wish(px_per_mm=12.0, tilt_deg=4.0, contrast=0.8, screen=True, largest_mp=1.8),
    )
    return replace(
        drawn, finish=CLEAN, light=Light(sky=1.0, glow=1.0), table_rgb=(0.8, 0.8, 0.8)
    )


@pytest.fixture(scope="module")
def picture(part: PrintedPart, scene: Scene) -> np.ndarray:
    rgb8, _ = photograph(part, scene, np.random.default_rng(1))
    return finish.linear_light(rgb8)[..., 1]


def test_projection_agrees_with_opencv() -> None:
    """Outside check: cv2.projectPoints with one radial coefficient."""
    camera = some_camera()
    points = np.random.default_rng(0).uniform(-40, 40, (200, 3)) * [1, 1, 0.05]
    turn, _ = cv2.Rodrigues(camera.rotation)
    matrix = np.array([[1400.0, 0, 760.0], [0, 1400.0, 500.0], [0, 0, 1]])
    shift = -camera.rotation @ camera.centre_mm
    bend = np.array([camera.k1, 0.0, 0.0, 0.0])
    known, _ = cv2.projectPoints(points, turn, shift, matrix, bend)
    assert camera.project(points) == pytest.approx(known[:, 0, :], abs=1e-6)


@given(
    x=st.floats(-50, 50),
    y=st.floats(-30, 30),
    z=st.floats(0, 3),
    tilt=st.floats(0, 10),
    towards=st.floats(0, 360),
)
def test_a_pixel_leads_back_to_its_point(
    x: float, y: float, z: float, tilt: float, towards: float
) -> None:
    camera = some_camera(tilt, towards)
    u, v = camera.project(np.array([[x, y, z]]))[0]
    back = camera.on_plane(np.array([u]), np.array([v]), z)
    # three steps of the fixed point leave 2 um at a distortion of 2 %
    assert np.array(back)[:, 0] == pytest.approx([x, y], abs=0.005)


def test_higher_things_look_larger() -> None:
    """Parallax by the textbook: a plane dz nearer is magnified by Z / (Z - dz)."""
    camera = replace(some_camera(0.0), k1=0.0)
    low = camera.project(np.array([[-10.0, 0, 0], [10.0, 0, 0]]))
    high = camera.project(np.array([[-10.0, 0, 1.2], [10.0, 0, 1.2]]))
    ratio = np.linalg.norm(np.diff(high, axis=0)) / np.linalg.norm(np.diff(low, axis=0))
    assert ratio == pytest.approx(110 / (110 - 1.2), rel=1e-9)


def test_a_placed_part_shows_its_plate_face_unmirrored() -> None:
    matrix = part_to_world(Place(x_mm=3.0, y_mm=4.0, turn_deg=30.0), 1.2)
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
    plate, top = matrix @ [0, 0, 0, 1], matrix @ [0, 0, 1.2, 1]
    assert plate[:3] == pytest.approx([3.0, 4.0, 1.2])
    assert top[2] == pytest.approx(0.0)


@given(
    points=st.lists(
        st.tuples(st.floats(-5, 25), st.floats(-5, 25)), min_size=3, max_size=3
    )
)
def test_covered_area_is_the_polygons(points: list[tuple[float, float]]) -> None:
    ring = np.array(points)
    (x0, y0), (x1, y1), (x2, y2) = points
    area = abs((x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)) / 2
    cover = coverage([ring + 6.0], (33, 33))
    assert cover.sum() == pytest.approx(area, abs=1e-3)
    assert cover.max() <= 1 + 1e-5


@settings(deadline=None, max_examples=30)
@given(angle=st.floats(0.0, 360.0), offset=st.floats(-0.5, 0.5))
def test_a_straight_edge_is_covered_where_it_lies(angle: float, offset: float) -> None:
    """The covered area beside the edge has its centroid where a rectangle has it."""
    turn = math.radians(angle)
    ahead = np.array([math.cos(turn), math.sin(turn)])
    aside = np.array([-ahead[1], ahead[0]])
    middle = np.array([20.0, 20.0]) + offset * aside
    ring = np.array(
        [
            middle - 9 * ahead,
            middle + 9 * ahead,
            middle + 9 * ahead + 8 * aside,
            middle - 9 * ahead + 8 * aside,
        ]
    )
    cover = coverage([ring], (41, 41))
    y, x = np.mgrid[:41, :41]
    along = (x - 20) * ahead[0] + (y - 20) * ahead[1]
    centre = (cover * along).sum() / cover.sum()
    depth = ((x - 20) * aside[0] + (y - 20) * aside[1]) * cover
    # rim pixels count at their centres: well under 1/12 px, shared by 144 px
    assert centre == pytest.approx(0.0, abs=0.005)
    assert depth.sum() / cover.sum() == pytest.approx(4 + offset, abs=0.005)


def test_holes_are_open() -> None:
    outer = rectangle(2.0, 18.0, 2.0, 18.0)
    inner = rectangle(6.0, 12.0, 6.0, 12.0)[::-1]
    cover = coverage([outer, inner], (20, 20))
    assert cover[9, 9] == 0
    assert cover.sum() == pytest.approx(16 * 16 - 6 * 6, abs=1e-4)


def outermost_px(
    part: PrintedPart, scene: Scene, x_mm: np.ndarray, side: float
) -> np.ndarray:
    """(n, 2) pixels of the end of an uninset tooth: the layer farthest out, projected.

    The plate layer stands out most here, so its two rims are the candidates.
    """
    layer = part.layers[0]
    y = side * (15.0 * part.part_scale + part.growth_by_layer_mm[0])
    to_world = part_to_world(scene.part_place, part.thickness_mm)
    rims = []
    for z in (layer.z0_mm, layer.z1_mm):
        points = np.column_stack(
            (x_mm, np.full_like(x_mm, y), np.full_like(x_mm, z), np.ones_like(x_mm))
        )
        rims.append(scene.camera.project((points @ to_world.T)[:, :3]))
    centre = scene.camera.project((to_world @ [0, 0, 0, 1])[None, :3])
    far = [np.linalg.norm(rim - centre, axis=1).mean() for rim in rims]
    return rims[int(np.argmax(far))]


@pytest.mark.slow
@pytest.mark.parametrize(("side", "x_mm"), [(1.0, -47.0), (1.0, 47.0), (-1.0, 47.0)])
def test_tooth_ends_lie_where_they_project(
    part: PrintedPart, scene: Scene, picture: np.ndarray, side: float, x_mm: float
) -> None:
    """The light that is missing across an edge places it; checked column by column."""
    along = x_mm + np.linspace(-0.8, 0.8, 200)
    edge = outermost_px(part, scene, along, side)
    columns = np.arange(math.ceil(edge[:, 0].min()), math.floor(edge[:, 0].max()) + 1)
    order = np.argsort(edge[:, 0])
    known = np.interp(columns, edge[order, 0], edge[order, 1])
    down = 1 if known.mean() > scene.camera.project(np.zeros((1, 3)))[0, 1] else -1
    bright, dark = scene.table_rgb[1], scene.part_rgb[1]
    errors = []
    for column, row in zip(columns, known, strict=True):
        start = round(row) - 8 * down
        run = picture[[start + down * k for k in range(17)], column]
        dark_here = run[:3].mean()
        filled = ((bright - run) / (bright - dark_here)).sum()
        errors.append(start + down * (filled - 0.5) - row)
    assert dark < 0.4 * bright
    # 8 bits: half a level of 200 in each of 17 pixels, which averages over columns
    assert abs(np.mean(errors)) < EDGE_PX
    assert np.std(errors) < 2 * EDGE_PX


@pytest.mark.slow
def test_ruler_marks_lie_where_the_truth_says(part: PrintedPart, scene: Scene) -> None:
    assert scene.ruler is not None
    steel = replace(STYLES[0], gap_mm=0.0, numerals="none")
    flat = replace(scene, ruler=steel)
    rgb8, truth = photograph(part, flat, np.random.default_rng(2))
    light = finish.linear_light(rgb8)[..., 1]
    marks = [
        m
        for m in truth["ruler"]["marks"]
        if m["mm"] % 1 == 0 and 20 < m["x_px"] < flat.shape[1] - 20
    ]
    places = np.array([(m["x_px"], m["y_px"]) for m in marks])
    ahead = (places[-1] - places[0]) / np.linalg.norm(places[-1] - places[0])
    pitch = np.linalg.norm(places[-1] - places[0]) / (len(places) - 1)
    lean = mark_directions(flat, steel, [m["mm"] for m in marks])
    steps = np.linspace(-0.45, 0.45, 61) * pitch
    errors = []
    for place, mark_ahead in zip(places, lean, strict=True):
        # averaged along the stroke, from 0.8 to 2.4 mm below its end
        depth = np.linspace(0.8, 2.4, 25)[:, None] * pitch
        points = place + depth[..., None] * mark_ahead + steps[:, None] * ahead
        values = cv2.remap(
            light,
            points[..., 0].astype(np.float32),
            points[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
        ).mean(axis=0)
        dark = np.clip(np.quantile(values, 0.9) - values, 0, None)
        errors.append((dark * steps).sum() / dark.sum())
    assert abs(np.mean(errors)) < 0.02
    # strokes 1.6 px wide on pixels read between their centres
    assert np.std(errors) < 0.05


def mark_directions(scene: Scene, ruler: Ruler, values: list[float]) -> np.ndarray:
    """Unit vectors in the picture along the strokes, into the ruler."""
    x = ruler.place_mm(np.array(values, float))
    ends = []
    for y in (0.0, -3.0):
        flat = scene.ruler_place.to_world(np.column_stack((x, np.full_like(x, y))))
        z = np.full((len(x), 1), ruler.thickness_mm)
        ends.append(scene.camera.project(np.hstack((flat, z))))
    along = ends[1] - ends[0]
    return np.asarray(along / np.linalg.norm(along, axis=1, keepdims=True))


@pytest.mark.slow
def test_the_same_seed_gives_the_same_picture(part: PrintedPart) -> None:
    wish = Wish(px_per_mm=12.0, shadow=True, largest_mp=1.0)
    shots = [
        photograph(part, draw_scene(rng, wish), rng)
        for rng in (np.random.default_rng(9), np.random.default_rng(9))
    ]
    assert np.array_equal(shots[0][0], shots[1][0])
    assert shots[0][1] == shots[1][1]
    assert shots[0][1]["invented"] is True


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 10**6), shadow=st.booleans())
def test_drawn_scenes_show_the_whole_coupon(seed: int, *, shadow: bool) -> None:
    scene = draw_scene(np.random.default_rng(seed), Wish(shadow=shadow))
    ring = rectangle(-55.0, 55.0, -15.5, 15.5)
    flat = scene.part_place.to_world(subdivided(ring))
    seen = scene.camera.project(np.column_stack((flat, np.full(len(flat), 1.2))))
    assert (seen > 3).all()
    assert (seen < np.array(scene.shape[::-1]) - 4).all()
    scale = scene.camera.px_per_mm(np.array([0.0, 0.0, 1.2])).mean()
    assert 11.5 < scale < 31


def test_contact_shadow_of_a_long_edge() -> None:
    """Sky hidden by a half-plane at height H: (1 - d / sqrt(d^2 + H^2)) / 2."""
    wall = (rectangle(-60.0, 0.0, -60.0, 60.0),)
    light = Light(sky=1.0, bounce=0.0)
    height = 1.2
    shade = table_light(light, [Blocker(slabs=((wall, 0.0, height),))], margin_mm=10.0)
    away = np.array([[0.3, 0.6, 1.2, 2.4, 5.0]])
    seen = shade.at(away, np.zeros_like(away))
    known = 1 - (1 - away / np.hypot(away, height)) / 2
    assert seen == pytest.approx(known, abs=0.01)


def test_a_lamp_throws_its_shadow_away_from_itself() -> None:
    block = (rectangle(-5.0, 5.0, -5.0, 5.0),)
    light = Light(sky=0.0, lamp_from_deg=0.0, lamp_height_deg=45.0, lamp_radius_deg=2.0)
    shade = table_light(light, [Blocker(slabs=((block, 0.0, 1.0),))], margin_mm=5.0)
    x = np.array([[-7.0, -5.5, 5.5, 7.0]])
    assert shade.at(x, np.zeros_like(x)) == pytest.approx(
        np.array([[1.0, 0.0, 1.0, 1.0]]), abs=0.02
    )


def test_noise_is_photon_noise_and_read_noise() -> None:
    camera = Finish(full_well=4000.0, read_noise=5.0)
    flat = np.full((400, 400), 0.4, np.float32)
    noise = finish.noisy(flat, camera, np.random.default_rng(0)) - flat
    expected = 0.4 / 4000 + (5 / 4000) ** 2
    # 160000 samples: variance known to sqrt(2 / n) = 0.35 %
    assert noise.var() == pytest.approx(expected, rel=0.02)


def test_tone_curve_there_and_back() -> None:
    every = np.arange(256, dtype=np.uint8).reshape(16, 16)
    plain = Finish(sharpen=0.0)
    assert np.array_equal(finish.developed(finish.linear_light(every), plain), every)


def test_saved_pictures_say_that_they_are_invented(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    finish.save(path, np.zeros((8, 8, 3), np.uint8), 90, 26.0)
    with PilImage.open(path) as picture:
        exif = picture.getexif()
    assert "Invented" in exif[finish.DESCRIPTION]
    assert exif.get_ifd(finish.EXIF_IFD)[finish.FOCAL_35MM] == 26
