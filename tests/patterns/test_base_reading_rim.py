"""The rim of a base: its corners, runs, recesses; the same however it lies."""

from __future__ import annotations

import math
from functools import reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.base_reading import understand
from patterns.base_rim import trace
from patterns.base_sections import cut_mesh, polygons, sections, signed_area_mm2
from tests import bases
from tests.bases import MADE, Mesh, Points, outline


def lengths(ring: Points, kind: str) -> float:
    _, _, runs = trace(ring)
    return sum(run.to_mm - run.from_mm for run in runs if run.kind == kind)


def perimeter(ring: Points) -> float:
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())


@pytest.mark.parametrize("sides", [36, 64, 180, 2000])
@pytest.mark.parametrize("radius", [10.0, 20.0, 60.0])
def test_the_facets_of_a_circle_are_round_not_corners(
    sides: int, radius: float
) -> None:
    sagitta = radius * (1 - math.cos(math.pi / sides))
    if sagitta > 0.15:
        pytest.skip("too coarse: a facet is 0.15 mm off the circle")
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    _, corners, (run,) = trace(ring)
    assert corners == ()
    assert run.kind == "round"
    assert run.radius_mm == pytest.approx(radius, rel=1e-3)
    # an outline keeps half a micrometre: 1e-5 of it
    assert run.to_mm - run.from_mm == pytest.approx(perimeter(ring), rel=1e-4)


@pytest.mark.parametrize(
    ("name", "inside"),
    [
        ("hexagon_40", [120.0] * 6),
        ("rectangle_100x60", [90.0] * 4),
        ("ell_40", [90.0] * 5 + [270.0]),
    ],
)
def test_corners_and_straight_sides(name: str, inside: list[float]) -> None:
    ring = outline(MADE[name])
    _, corners, runs = trace(ring)
    assert sorted(c.inside_deg for c in corners) == pytest.approx(inside)
    assert all(run.kind == "straight" for run in runs)
    assert len(runs) == len(corners)
    assert lengths(ring, "straight") == pytest.approx(perimeter(ring))


def test_a_rounded_rectangle_has_four_straight_and_four_round_runs() -> None:
    _, corners, runs = trace(outline(MADE["rounded_30x60"]))
    assert corners == ()
    straight = sorted(r.to_mm - r.from_mm for r in runs if r.kind == "straight")
    # fillets of 4.5 mm; a facet or two of them (0.44 mm) may go to the straight side
    assert straight == pytest.approx([21, 21, 51, 51], abs=0.9)
    assert [r.radius_mm for r in runs if r.kind == "round"] == pytest.approx(
        [4.5] * 4, abs=0.1
    )


def test_a_wavy_outline_has_hollow_runs() -> None:
    _, corners, runs = trace(outline(MADE["wavy_50"]))
    assert corners == ()
    hollow = [run for run in runs if run.radius_mm < 0]
    assert len(hollow) >= 7  # its waves
    # curvature of r = a (1 + e cos 7t) at its hollows, from its formula
    a = 25 / 1.05
    r, second = a * (1 - 0.05), a * 0.05 * 49
    sharpest = r * r / abs(r - second)
    assert min(-run.radius_mm for run in hollow) == pytest.approx(sharpest, rel=0.25)


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["ell_40", "hexagon_40", "rounded_30x60", "square_25", "disc_32"]),
    st.floats(0, 2 * math.pi),
    st.floats(-50, 50),
    st.integers(0, 5),
)
def test_turned_moved_and_begun_elsewhere_the_rim_is_the_same(
    name: str, turn: float, shift: float, first: int
) -> None:
    ring = outline(MADE[name])
    c, s = math.cos(turn), math.sin(turn)
    pose = np.array([[c, s], [-s, c]])
    moved = np.roll(ring, first, axis=0) @ pose + [shift, 1.0]
    _, corners, runs = trace(ring)
    _, moved_corners, moved_runs = trace(moved)
    places = np.array([(k.x_mm, k.y_mm) for k in corners]).reshape(-1, 2) @ pose
    there = np.array([(k.x_mm, k.y_mm) for k in moved_corners]).reshape(-1, 2)
    there -= [shift, 1.0]
    assert np.sort(places.sum(axis=1)) == pytest.approx(np.sort(there.sum(axis=1)))
    assert len(runs) == len(moved_runs)
    for kind in ("straight", "round"):
        assert lengths(moved, kind) == pytest.approx(lengths(ring, kind), abs=1e-6)


@settings(max_examples=5, deadline=None)
@given(
    st.sampled_from(["hollow_hexagon_60", "pocket_near_rim_40"]),
    st.floats(0, 2 * math.pi),
    st.floats(-100, 100),
)
def test_turned_and_moved_the_base_is_the_same(
    name: str, turn: float, shift: float
) -> None:
    vertices, faces = bases.mesh(name)
    c, s = math.cos(turn), math.sin(turn)
    pose = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
    base = understand(vertices @ pose + shift, faces, name=name)
    drawn = bases.ready(name)
    assert base.rim.draft_deg == pytest.approx(drawn.rim.draft_deg, abs=0.05)
    assert base.rim.thinnest_wall_mm == pytest.approx(
        drawn.rim.thinnest_wall_mm, abs=1e-5
    )
    assert len(base.rim.corners) == len(drawn.rim.corners)
    for mine, theirs in zip(base.recesses, drawn.recesses, strict=True):
        assert mine.area_mm2 == pytest.approx(theirs.area_mm2, rel=1e-5)
        assert mine.depth_mm == pytest.approx(theirs.depth_mm, abs=1e-3)
        # rays 0.05 to 0.1 mm apart stand elsewhere
        assert mine.volume_mm3 == pytest.approx(theirs.volume_mm3, rel=5e-3)
        assert mine.roof_span_mm == pytest.approx(theirs.roof_span_mm, abs=0.05)


def test_recesses_against_what_was_cut_out() -> None:
    base = bases.ready("pockets_oval_75")
    polygon = 96 / 2 * math.sin(2 * math.pi / 96) / 4  # area of 96 sides, diameter 1
    for recess, (d, deep) in zip(base.recesses, [(5.1, 2.1), (3.1, 1.1)], strict=True):
        assert recess.area_mm2 == pytest.approx(polygon * d * d, rel=1e-3)
        assert recess.depth_mm == pytest.approx(deep, abs=1e-3)
        assert recess.volume_mm3 == pytest.approx(polygon * d * d * deep, rel=1e-3)
        assert recess.roof_span_mm == pytest.approx(d, abs=0.03)
        assert not recess.vented
    rim = bases.ready("pocket_near_rim_40").rim
    assert rim.thinnest_wall_mm == pytest.approx(1.0, abs=0.01)  # facets
    assert rim.thinnest_at_mm == pytest.approx((19.5, 0.0), abs=0.3)


def test_a_hollow_against_the_mesh_volume() -> None:
    base, full = bases.ready("hollow_oval_105x70"), MADE["hollow_oval_105x70"]
    solid = understand(*bases.sculpted(full), name="full").volume_mm3
    (recess,) = base.recesses
    assert recess.depth_mm == pytest.approx(4.0, abs=1e-3)
    assert recess.volume_mm3 == pytest.approx(solid - base.volume_mm3, rel=2e-3)
    # 70 - 2 x 2 mm of wall, leaning in by tan 10 degrees a mm to near the roof
    lean = 2 * 0.9 * 4 * math.tan(math.radians(10))
    assert recess.roof_span_mm == pytest.approx(66 - lean, abs=0.1)


def test_right_through_counts_as_vented() -> None:
    base = bases.ready("slots_disc_40")
    assert [recess.vented for recess in base.recesses] == [True, True]
    assert all(math.isinf(recess.depth_mm) for recess in base.recesses)
    assert [recess.area_mm2 for recess in base.recesses] == pytest.approx([15, 15])


@pytest.mark.parametrize("where", ["wall", "top"])
def test_a_vent_in_wall_or_top_is_found(where: str) -> None:
    from manifold3d import Manifold

    from patterns.base_sections import solid
    from patterns.solids import mesh_arrays

    body = solid(Mesh(*bases.mesh("hollow_disc_50")))
    drill = Manifold.cylinder(40, 0.75, circular_segments=32)
    if where == "wall":
        drill = drill.rotate((0, 90, 0)).translate((0, 0, 1.6))
    else:
        drill = drill.translate((0, 0, 1.0))
    base = understand(*mesh_arrays(body - drill), name="vented")
    (recess,) = base.recesses
    assert recess.vented
    assert recess.depth_mm == pytest.approx(3.2, abs=1e-3)


@pytest.mark.parametrize("name", ["ell_60_drafted", "hollow_hexagon_60", "wavy_50"])
@pytest.mark.parametrize("z_mm", [0.013, 1.7, 3.9])
def test_level_cuts_against_trimesh_and_manifold(name: str, z_mm: float) -> None:
    import shapely
    import trimesh

    vertices, faces = bases.mesh(name)
    judge = trimesh.Trimesh(vertices, faces, process=False).section(
        [0, 0, 1], [0, 0, z_mm]
    )
    assert judge is not None
    loops = [shapely.Polygon(loop[:, :2]) for loop in judge.discrete]
    area = reduce(shapely.symmetric_difference, loops).area
    quick = cut_mesh(vertices, faces, z_mm)
    (cut,) = sections(Mesh(vertices, faces), [z_mm])
    for one in (quick, cut):
        assert sum(part.area for part in polygons(one)) == pytest.approx(area, rel=1e-6)
        assert all(signed_area_mm2(ring) > 0 for ring in one.outer)
        assert all(signed_area_mm2(ring) < 0 for ring in one.openings)


def test_a_pillar_in_a_hollow_holds_its_roof_and_takes_its_room() -> None:
    """The post is nearly as wide as the hollow, so its own middle is the opening's."""
    from manifold3d import CrossSection, Manifold

    block = Manifold.cube((60.0, 40.0, 5.0), center=True).translate((0, 0, 2.5))
    hollow = Manifold.cube((12.0, 12.0, 3.0), center=True).translate((0, 0, 1.5))
    post = CrossSection.circle(5.0, 90).extrude(3.0)
    body = (block - hollow + post).to_mesh()
    base = understand(
        np.asarray(body.vert_properties[:, :3], float),
        np.asarray(body.tri_verts, np.int64),
        name="post",
    )
    (recess,) = base.recesses
    left = 144.0 - math.pi * 25.0
    assert recess.area_mm2 == pytest.approx(left, rel=0.02)
    assert recess.volume_mm3 == pytest.approx(3.0 * left, rel=0.02)
    # in the corners, between two walls and the post: r (1 + sqrt 2) + 5 = 6 sqrt 2
    radius = (6.0 * math.sqrt(2.0) - 5.0) / (1.0 + math.sqrt(2.0))
    assert recess.roof_span_mm == pytest.approx(2.0 * radius, abs=0.05)
    cut = sections(base, [1.5])[0]
    assert sorted(len(part.interiors) for part in polygons(cut)) == [0, 1]
