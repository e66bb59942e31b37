"""A base on compensated layers, judged from outside by trimesh's sections."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.base_sections import polygons, solid
from patterns.base_stack import stand
from patterns.errors import SpecError
from tests import bases
from tests.patterns.base_stacks import (
    INSETS_MM,
    LAYER_MM,
    OUTLINE_UM,
    TOP_UM,
    as_read,
    drawn_in,
    outline_um,
    section_of,
    top_um,
)

# one of a kind: drafted wall, corners, hollow, recess, hole, sculpted top
SAMPLE = (
    ("disc_40_drafted", 0.1),
    ("ell_60_drafted", 0.0),
    ("hollow_hexagon_60", 0.1),
    ("pocket_disc_25", 0.1),
    ("hole_3_disc_30", 0.0),
    ("sculpted_disc_32", 0.13),
)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "lift_mm"), SAMPLE)
def test_outlines_are_the_plans_and_the_top_is_the_designs(
    name: str, lift_mm: float
) -> None:
    base = bases.ready(name)
    layers = drawn_in(base, INSETS_MM, lift_mm)
    standing = stand(base, layers, LAYER_MM, lift_mm)
    mesh = as_read(standing)
    assert mesh.is_watertight
    assert mesh.is_volume
    assert mesh.body_count == 1
    assert mesh.area_faces.min() > 0.0
    assert outline_um(mesh, layers) < OUTLINE_UM
    assert top_um(mesh, base, standing) < TOP_UM
    assert mesh.bounds[1, 2] == pytest.approx(base.height_mm + lift_mm, abs=1e-3)


@given(
    insets=st.lists(st.floats(0.0, 0.4), min_size=1, max_size=6),
    layer_mm=st.sampled_from([0.02, 0.03, 0.05, 0.1]),
    lift_layers=st.integers(0, 3),
    name=st.sampled_from(["hexagon_32_drafted", "slot_1_rectangle_50x25"]),
)
@settings(max_examples=12, deadline=None)
def test_volume_is_that_of_the_layers_and_the_rest(
    insets: list[float], layer_mm: float, lift_layers: int, name: str
) -> None:
    base = bases.ready(name)
    lift_mm = min(lift_layers, len(insets) - 1) * layer_mm
    layers = drawn_in(base, insets, 0.0)
    standing = stand(base, layers, layer_mm, lift_mm)
    mesh = as_read(standing)
    assert mesh.is_volume
    prisms = sum(
        layer_mm * shapely.union_all(polygons(section)).area for section in layers
    )
    rest = solid(base).trim_by_plane((0.0, 0.0, 1.0), standing.zone_mm - lift_mm)
    # the grid moves each of some hundred mm of outline by 0.17 um at most
    assert mesh.volume == pytest.approx(prisms + rest.volume(), abs=0.02)


def test_a_layer_with_the_walls_own_outline_leaves_no_step() -> None:
    base = bases.ready("rectangle_20x40")
    mesh = as_read(stand(base, drawn_in(base, (0.0, 0.0), 0.0), LAYER_MM))
    assert mesh.volume == pytest.approx(base.volume_mm3, rel=1e-6)
    level = np.abs(mesh.face_normals[:, 2]) > 0.5
    assert set(np.round(mesh.triangles_center[level, 2], 6)) == {0.0, base.height_mm}


def test_what_cant_stand_is_refused() -> None:
    base = bases.ready("disc_25")
    layers = drawn_in(base, (0.1,) * 3, 0.0)
    with pytest.raises(SpecError, match="at least one layer"):
        stand(base, (), LAYER_MM)
    with pytest.raises(SpecError, match="fewer bottom"):
        stand(base, layers, 2.0)
    with pytest.raises(SpecError, match="sanding allowance"):
        stand(base, layers, LAYER_MM, float("nan"))


def test_layers_that_come_apart_are_refused() -> None:
    base = bases.ready("rectangle_20x40")
    far = section_of(shapely.box(40.0, -5.0, 50.0, 5.0))
    (whole,) = drawn_in(base, (0.0,), 0.0)
    with pytest.raises(SpecError, match="falls into 2 pieces"):
        stand(base, (far, whole), LAYER_MM)
