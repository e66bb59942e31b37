"""Tilted bases on the real slices: no island, the lip where it counts, one body."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from trimesh import Trimesh

from patterns.base_reading import understand
from patterns.base_sections import polygons, section, solid
from patterns.base_tilt import moved, moved_back
from patterns.errors import SpecError
from patterns.pillars import LIFT_MM, RAFT_MM
from patterns.rim_checks import inspect_layers
from patterns.solids import mesh_arrays
from patterns.tilted_base import (
    JoinedBase,
    TiltedBase,
    TiltedSpec,
    join_up,
    tilt_base,
)
from tests.bases import Made, build, ready

if TYPE_CHECKING:
    from patterns.base import Base

SPEC = TiltedSpec(layer_mm=0.05, tilt_deg=45.0)
# name, tilt, phase, lip, allowance, front; front 60 turns corners and edges askew
PRINTED = [
    ("square_25", 50.0, 0.5, 0.5, 0.0, -90.0),
    ("disc_20_coarse", 30.0, 0.3, None, 0.0, -90.0),
    ("elbow", 45.0, 0.7, 0.5, 0.15, 60.0),
    ("hollow", 60.0, 0.5, 0.5, 0.0, -90.0),
]


@cache
def small(name: str) -> Base:
    made = {
        "elbow": Made("ell", 22, 22, 3),
        "hollow": Made("hexagon", 22, 22, 4, 8, shell_mm=1.5),
    }
    return understand(*build(made[name]), name=name) if name in made else ready(name)


def from_solid(body: Manifold, name: str) -> Base:
    return understand(*mesh_arrays(body), name=name)


@cache
def made(
    name: str, tilt: float, lip: float | None, more: float, front: float
) -> TiltedBase:
    spec = replace(
        SPEC, tilt_deg=tilt, lip_depth_mm=lip, allowance_mm=more, front_deg=front
    )
    return tilt_base(small(name), spec)


@cache
def printed(
    name: str, tilt: float, lip: float | None, more: float, front: float
) -> JoinedBase:
    return join_up(small(name), made(name, tilt, lip, more, front))


def in_base_frame(mesh: JoinedBase, tilted: TiltedBase) -> Manifold:
    turn, shift = tilted.pose[:, :3], tilted.pose[:, 3]
    return solid(mesh).transform(np.column_stack([turn.T, -turn.T @ shift]))


def plan(body: Manifold, z_mm: float) -> shapely.Geometry:
    return shapely.union_all(polygons(section(body.slice(z_mm), z_mm)))


@pytest.mark.parametrize(("name", "tilt", "phase", "lip", "more", "front"), PRINTED)
def test_it_prints(
    name: str, tilt: float, phase: float, lip: float | None, more: float, front: float
) -> None:
    tilted = made(name, tilt, lip, more, front)
    whole = printed(name, tilt, lip, more, front)
    found = inspect_layers(solid(whole), SPEC.layer_mm, phase)
    assert found.layers > 200
    assert found.islands_mm == ()
    assert found.hang_mm <= SPEC.hang_limit_mm
    assert tilted.span_mm <= SPEC.span_limit_mm
    assert tilted.unsupported == ()


@pytest.mark.parametrize(("name", "tilt", "phase", "lip", "more", "front"), PRINTED)
def test_it_is_one_closed_body_on_its_raft(
    name: str, tilt: float, phase: float, lip: float | None, more: float, front: float
) -> None:
    del phase
    tilted = made(name, tilt, lip, more, front)
    whole = printed(name, tilt, lip, more, front)
    mesh = Trimesh(whole.vertices_mm, whole.faces, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    # supports are counted before they are joined: see patterns.base_scaffold
    assert mesh.volume == pytest.approx(tilted.resin_mm3, rel=5e-4)
    assert mesh.bounds[0][2] == 0.0
    assert mesh.bounds[1][2] == pytest.approx(tilted.height_mm)
    # the base itself keeps clear of raft and plate
    low = moved(small(name).vertices_mm, tilted.pose)[:, 2].min()
    assert low >= RAFT_MM + LIFT_MM - 1e-9
    inside = shapely.covers(
        tilted.footprint.buffer(0.05), shapely.points(whole.vertices_mm[:, :2])
    )
    assert inside.all()


@pytest.mark.parametrize(("name", "tilt", "phase", "lip", "more", "front"), PRINTED)
def test_wall_and_top_are_the_design_s(
    name: str, tilt: float, phase: float, lip: float | None, more: float, front: float
) -> None:
    del phase
    base, tilted = small(name), made(name, tilt, lip, more, front)
    upright = in_base_frame(printed(name, tilt, lip, more, front), tilted)
    above = base.height_mm
    for share in (0.35, 0.6, 0.95):
        design = plan(solid(base), share * above)
        around = shapely.box(*design.buffer(0.5).bounds)
        found = shapely.intersection(plan(upright, share * above), around)
        outer = [p for p in shapely.get_parts(found) if p.intersects(design)]
        differs = shapely.union_all(outer).symmetric_difference(design)
        recesses = shapely.union_all(
            [
                shapely.Polygon(ring)
                for p in polygons(section(solid(base).slice(0.1), 0))
                for ring in p.interiors
            ]
        ).buffer(1.0)
        differs = differs.difference(recesses)  # pillars stand in there
        assert differs.area < 1e-3 * design.length  # 1 um


@pytest.mark.parametrize("front", [-90.0, 0.0, 137.0])
def test_the_low_rim_is_on_the_side_away_from_the_front(front: float) -> None:
    base = small("disc_20_coarse")
    tilted = tilt_base(base, replace(SPEC, front_deg=front, supports=False))
    vertices = join_up(base, tilted).vertices_mm
    points = moved_back(vertices, tilted.pose)
    low = points[vertices[:, 2].argmin()]
    away = (math.degrees(math.atan2(low[1], low[0])) - front) % 360
    assert away == pytest.approx(180, abs=11)  # sides of 10 degrees
    assert vertices[vertices[:, 2].argmin(), 1] > 0


@pytest.mark.parametrize("name", ["elbow", "square_25", "disc_25", "hollow"])
def test_the_lip_covers_the_low_half(name: str) -> None:
    """Just above the lip's own bottom, all along the low half of the outline."""
    tilted = made(name, 45.0, 0.5, 0.0, -90.0)
    assert tilted.lip is not None
    assert tilted.lip.covered_share == 1.0
    ring = shapely.Polygon(small(name).rim.outline)
    _, low, _, high = ring.bounds
    inner = ring.buffer(-0.1, join_style="mitre").boundary
    points = shapely.line_interpolate_point(inner, np.arange(0, inner.length, 0.25))
    points = points[shapely.get_y(points) > (low + high) / 2]
    assert len(points) > 50
    upright = in_base_frame(printed(name, 45.0, 0.5, 0.0, -90.0), tilted)
    assert shapely.contains(plan(upright, -0.48), points).all()


def test_what_sanding_takes_is_added_below_the_underside() -> None:
    base = small("square_25")
    spec = replace(SPEC, supports=False, lip_depth_mm=None)
    plain = tilt_base(base, spec)
    more = tilt_base(base, replace(spec, allowance_mm=0.3))
    assert plain.body_mm3 == pytest.approx(base.volume_mm3)
    # 2 um inside the wall, so that no two faces lie in one plane
    assert more.body_mm3 - plain.body_mm3 == pytest.approx(25 * 25 * 0.3, rel=1e-3)
    upright = in_base_frame(join_up(base, more), more)
    assert upright.bounding_box()[2] == pytest.approx(-0.3)
    assert upright.bounding_box()[5] == pytest.approx(base.height_mm)


def test_without_supports_it_is_base_and_lip_alone() -> None:
    base = small("square_25")
    tilted = tilt_base(base, replace(SPEC, supports=False))
    assert tilted.contacts == ()
    assert tilted.supports_mm3 == 0
    assert join_up(base, tilted).vertices_mm[:, 2].min() == pytest.approx(0)
    ring = 25 * 12.5 - 22 * 11  # the low half's; its ramps come on top of it
    assert 0.5 * ring < tilted.lip_mm3 < 0.5 * (ring + 2 * 1.5 * 1.3)
    assert tilted.resin_mm3 == pytest.approx(base.volume_mm3 + tilted.lip_mm3)


def test_roofs_are_supported_from_inside_the_hollow() -> None:
    tilted = made("hollow", 60.0, 0.5, 0.0, -90.0)
    points = np.array([(c.x_mm, c.y_mm, c.z_mm) for c in tilted.contacts])
    height = moved_back(points, tilted.pose)[:, 2]
    assert np.sum(np.abs(height - 2.5) < 1e-3) >= 5  # 4 mm high, 1.5 mm of roof


def test_contacts_stand_denser_along_the_low_rim() -> None:
    tilted = made("square_25", 50.0, 0.5, 0.0, -90.0)
    points = np.array([(c.x_mm, c.y_mm, c.z_mm) for c in tilted.contacts])
    x, y, z = moved_back(points, tilted.pose).T
    rim = np.sort(x[(y > 12.4) & (z < -0.4)])
    assert rim[[0, -1]] == pytest.approx((-12.5, 12.5), abs=0.01)
    assert np.diff(rim).max() <= SPEC.rim_spacing_mm
    assert len(rim) > 25 / SPEC.face_spacing_mm + 5


def hooked(reach_mm: float, uphill_mm: float = 0.0) -> Base:
    """A disc with a post whose arm reaches downhill and hangs down at its end."""
    disc = Manifold.cylinder(3.0, 10.0 + uphill_mm / 2, circular_segments=64)
    post = Manifold.cube((2.0, 2.0, 9.0)).translate((-1.0, -1.0, 2.0))
    arm = Manifold.cube((1.5, reach_mm, 1.5)).translate((-0.75, 0.0, 9.5))
    end = Manifold.cube((1.5, 1.5, 4.0)).translate((-0.75, reach_mm - 1.5, 7.0))
    hook = (post + arm + end).translate((0.0, -uphill_mm, 0.0))
    return from_solid(disc + hook, "hook")


@pytest.mark.parametrize(
    ("reach", "uphill", "footing"),
    [(14.0, 0.0, "raft"), (3.5, 0.0, "raft"), (3.5, 10.0, "base")],
)
def test_an_island_on_the_top_gets_a_support(
    reach: float, uphill: float, footing: str
) -> None:
    """From the raft upright, by a strut around the rim, or from the base itself."""
    base = hooked(reach, uphill)
    tilted = tilt_base(base, SPEC)
    footings = {i.footing for i in tilted.islands if i.kind == "island"}
    assert footings == {footing}
    where = [(i.x_mm, i.y_mm) for i in tilted.islands]
    assert np.abs(np.array(where)[:, 0]).max() <= 0.75
    whole = solid(join_up(base, tilted))
    assert inspect_layers(whole, SPEC.layer_mm, 0.7).islands_mm == ()


def test_an_island_that_may_not_stand_on_the_base_is_listed() -> None:
    spec = replace(SPEC, stand_on_base=False)
    said: list[str] = []
    base = hooked(3.5, 10.0)
    tilted = tilt_base(base, spec, said.append)
    assert any("pass 3 of 3, 100 %" in words for words in said)
    (island,) = tilted.unsupported
    assert (island.kind, island.footing) == ("island", "none")
    whole = solid(join_up(base, tilted))
    (found,) = inspect_layers(whole, SPEC.layer_mm).islands_mm
    assert 0 <= found - island.height_mm <= SPEC.layer_mm


@pytest.mark.parametrize(
    "change",
    [
        {"tilt_deg": 10.0},
        {"tilt_deg": math.nan},
        {"layer_mm": 0.0},
        {"lip_depth_mm": 0.1},
        {"lip_width_mm": 9.0},
        {"allowance_mm": -0.1},
        {"contact_mm": 2.0},
    ],
)
def test_what_can_t_be_made_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(SpecError, match=next(iter(change))):
        replace(SPEC, **change)


@settings(max_examples=2, deadline=None, phases=[Phase.explicit, Phase.generate])
@example(radii=[6.0, 10.0, 8.5, 6.0, 9.0, 6.0], tilt=25.0, front=38.0)  # a skew raft
@given(
    st.lists(st.floats(5.0, 9.0), min_size=6, max_size=9),
    st.floats(25.0, 70.0),
    st.floats(-180.0, 180.0),
)
def test_any_outline_prints(radii: list[float], tilt: float, front: float) -> None:
    """Stars of any shape, notches in their rim included."""
    turn = np.arange(len(radii)) * (2 * np.pi / len(radii))
    star = np.column_stack([np.cos(turn), np.sin(turn)]) * np.array(radii)[:, None]
    base = from_solid(CrossSection([star]).extrude(2.5), "star")
    tilted = tilt_base(base, replace(SPEC, tilt_deg=tilt, front_deg=front))
    found = inspect_layers(solid(join_up(base, tilted)), SPEC.layer_mm, 0.3)
    assert found.islands_mm == ()
    assert found.hang_mm <= SPEC.hang_limit_mm
    assert tilted.span_mm <= SPEC.span_limit_mm
    assert tilted.lip is not None
    assert tilted.lip.covered_share == 1.0
