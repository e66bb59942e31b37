"""Faults of a mesh: what is put right, and what is refused with its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patterns.base_reading import understand
from patterns.errors import FileError
from tests import bases

if TYPE_CHECKING:
    from tests.bases import Faces, Points


def kinds(base_name: str, vertices: Points, faces: Faces) -> dict[str, int]:
    base = understand(vertices, faces, name=base_name)
    assert all(fault.mended for fault in base.faults)
    return {fault.kind: fault.count for fault in base.faults}


def box(low: Points, high: Points) -> tuple[Points, Faces]:
    import trimesh

    mesh = trimesh.creation.box(bounds=[low, high])
    return np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64)


def together(*parts: tuple[Points, Faces]) -> tuple[Points, Faces]:
    starts = np.cumsum([0, *(len(vertices) for vertices, _ in parts)])
    faces = [f + start for (_, f), start in zip(parts, starts, strict=False)]
    return np.vstack([vertices for vertices, _ in parts]), np.vstack(faces)


PLATE = box(np.array([0.0, 0, 0]), np.array([30.0, 20, 4]))
DISC = bases.mesh("disc_20_coarse")


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_apart_is_the_same_as_welded(seed: int) -> None:
    """Each triangle with points of its own, in any order."""
    vertices, faces = DISC
    shuffled = np.random.default_rng(seed).permutation(faces)
    base = understand(
        vertices[shuffled].reshape(-1, 3),
        np.arange(3 * len(faces)).reshape(-1, 3),
        name="apart",
    )
    drawn = understand(vertices, faces, name="drawn")
    assert base.faults == ()
    assert len(base.vertices_mm) == len(vertices)
    assert base.volume_mm3 == pytest.approx(drawn.volume_mm3)
    assert len(base.rim.outline) == len(drawn.rim.outline)
    assert base.rim.runs[0].radius_mm == pytest.approx(drawn.rim.runs[0].radius_mm)


@settings(max_examples=15, deadline=None)
@given(st.sets(st.integers(0, len(DISC[1]) - 1), min_size=1, max_size=60))
def test_turned_triangles_are_turned_back_and_counted(which: set[int]) -> None:
    vertices, faces = DISC
    turned = faces.copy()
    turned[list(which)] = turned[list(which)][:, ::-1]
    base = understand(vertices, turned, name="turned")
    assert [(f.kind, f.count) for f in base.faults] == [("flipped", len(which))]
    assert base.volume_mm3 == pytest.approx(bases.ready("disc_20_coarse").volume_mm3)


def test_a_body_inside_out_is_turned() -> None:
    vertices, faces = DISC
    assert kinds("inside out", vertices, faces[:, ::-1]) == {"flipped": len(faces)}


def test_points_less_than_a_micrometre_apart_are_one() -> None:
    vertices, faces = DISC
    corners = vertices[faces].reshape(-1, 3)
    rng = np.random.default_rng(4)
    shaken = corners + rng.uniform(-2e-4, 2e-4, corners.shape)
    found = kinds("shaken", shaken, np.arange(len(corners)).reshape(-1, 3))
    assert set(found) == {"unwelded"}


def test_doubled_and_flat_triangles_are_left_out() -> None:
    vertices, faces = DISC
    more = np.vstack([faces, faces[:7], faces[:3, [0, 0, 1]], faces[9:10, ::-1]])
    # the last one faces one that is there: both go, and a hole would be left, but for
    # its third copy
    more = np.vstack([more, faces[9:10]])
    assert kinds("doubled", vertices, more) == {"zero_area": 3, "double_shell": 9}


def test_a_tiny_hole_in_the_bottom_is_closed() -> None:
    vertices, faces = bases.mesh("sculpted_disc_32")
    bottom = np.flatnonzero((vertices[faces][:, :, 2] == 0).all(axis=1))
    refined, finer = _split(vertices, faces, int(bottom[20]), share=0.02)
    holed = finer[:-1]
    assert kinds("holed", refined, holed) == {"hole_in_bottom": 1}


def _split(
    vertices: Points, faces: Faces, which: int, share: float
) -> tuple[Points, Faces]:
    """Put a small triangle into a face; it is the last one of the result."""
    a, b, c = vertices[faces[which]]
    middle = (a + b + c) / 3
    small = middle + share * (np.array([a, b, c]) - middle)
    n = len(vertices)
    i, j, k = faces[which]
    p, q, r = n, n + 1, n + 2
    ring = [(i, j, q), (i, q, p), (j, k, r), (j, r, q), (k, i, p), (k, p, r), (p, q, r)]
    return np.vstack([vertices, small]), np.vstack([np.delete(faces, which, 0), ring])


def test_a_hole_that_is_not_flat_or_not_tiny_is_refused_with_its_place() -> None:
    vertices, faces = bases.mesh("sculpted_disc_32")
    high = np.argmax(vertices[faces][:, :, 2].min(axis=1))
    x, y, z = vertices[faces[high]].mean(axis=0)
    with pytest.raises(FileError, match="is open at 3 edges") as error:
        understand(vertices, np.delete(faces, high, axis=0), name="torn")
    for text, value in (("x", x), ("y", y), ("z", z)):
        said = float(str(error.value).split(f" {text} ")[1].split()[0].rstrip(","))
        assert said == pytest.approx(value, abs=0.5)  # an edge of that triangle
    vertices, faces = PLATE
    with pytest.raises(FileError, match="is open at"):
        understand(vertices, faces[1:], name="torn")


def test_overlapping_bodies_are_joined() -> None:
    stone = box(np.array([5.0, 5, 3]), np.array([12.0, 11, 8]))
    base = understand(*together(PLATE, stone), name="stone")
    assert [(fault.kind, fault.mended) for fault in base.faults] == [
        ("double_shell", True)
    ]
    assert base.volume_mm3 == pytest.approx(30 * 20 * 4 + 7 * 6 * 4)
    x, y, z = base.faults[0].where_mm
    assert 5 <= x <= 12
    assert 5 <= y <= 11
    assert 3 <= z <= 4


def test_a_body_that_stands_on_the_base_is_joined() -> None:
    stone = box(np.array([5.0, 5, 4]), np.array([12.0, 11, 8]))
    base = understand(*together(PLATE, stone), name="stone")
    assert base.volume_mm3 == pytest.approx(30 * 20 * 4 + 7 * 6 * 4)


def test_a_body_that_shares_a_point_with_the_base_is_joined() -> None:
    stone = box(np.array([24.0, 15, 4]), np.array([30.0, 20, 8]))
    base = understand(*together(PLATE, stone), name="stone at the corner")
    assert base.volume_mm3 == pytest.approx(30 * 20 * 4 + 6 * 5 * 4)


def test_a_body_within_is_swallowed_and_a_cavity_is_not() -> None:
    low, high = np.array([5.0, 5, 1]), np.array([12.0, 11, 3])
    inner, sides = box(low, high)
    whole = understand(*together(PLATE, (inner, sides)), name="swallowed")
    assert whole.volume_mm3 == pytest.approx(30 * 20 * 4)
    hollow = understand(*together(PLATE, (inner, sides[:, ::-1])), name="hollow")
    assert hollow.volume_mm3 == pytest.approx(30 * 20 * 4 - 7 * 6 * 2)


def test_pieces_that_do_not_touch_are_refused() -> None:
    stone = box(np.array([5.0, 5, 5]), np.array([12.0, 11, 8]))
    with pytest.raises(FileError, match="in 2 pieces that don't touch"):
        understand(*together(PLATE, stone), name="floating")


@pytest.mark.parametrize("up_mm", [6.0, -6.0])
def test_a_surface_that_runs_through_itself_is_refused(up_mm: float) -> None:
    """One point of a sculpted top pushed down through the bottom, or pulled aside."""
    vertices, faces = bases.mesh("sculpted_disc_32")
    broken = vertices.copy()
    top = np.argmin(np.hypot(vertices[:, 0] - 5, vertices[:, 1]) - vertices[:, 2] * 9)
    x, y, _ = broken[top]
    broken[top] += [0, 0, -9] if up_mm < 0 else [up_mm, 0, -1]
    with pytest.raises(FileError, match="runs through itself") as error:
        understand(broken, faces, name="crossed")
    said = [float(str(error.value).split(f" {k} ")[1].split()[0][:-1]) for k in "xy"]
    assert np.hypot(said[0] - x, said[1] - y) < 7


@settings(max_examples=10, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.06, 0.5))
def test_two_walls_that_cross_by_more_than_a_pixel_are_seen(
    turn: float, deep_mm: float
) -> None:
    """A tube with one wall pushed through the other, whichever way it is turned."""
    n = 60
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    ring = 12 * np.column_stack([np.cos(angle), 0.6 * np.sin(angle)])
    ring[n // 4, 1] = ring[3 * n // 4, 1] - deep_mm  # from the top through the bottom
    c, s = np.cos(turn), np.sin(turn)
    ring = ring @ np.array([[c, s], [-s, c]])
    vertices, faces = bases.stacked(
        np.stack([np.column_stack([ring, np.full(n, z)]) for z in (0.0, 4.0)]),
        ring[n // 2] * 0.5,
    )
    with pytest.raises(FileError, match="runs through itself"):
        understand(vertices, faces, name="crossed")


def test_shells_that_share_an_edge_are_parted() -> None:
    """Two boxes that touch along an edge, on a plate that joins them."""
    one = box(np.array([0.0, 0, 4]), np.array([10.0, 10, 8]))
    two = box(np.array([10.0, 10, 4]), np.array([20.0, 20, 8]))
    base = understand(*together(PLATE, one, two), name="chess")
    assert base.volume_mm3 == pytest.approx(30 * 20 * 4 + 2 * 10 * 10 * 4)


def test_a_surface_with_one_side_is_refused() -> None:
    """A Möbius band, closed by nothing: its edge is open, which is said first."""
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    across = np.stack([np.cos(turn / 2), np.sin(turn / 2)], axis=1)
    rows = []
    for side in (-5.0, 5.0):
        radius = 20 + side * across[:, 0]
        z = side * across[:, 1]
        rows.append(np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z]))
    vertices = np.vstack(rows)
    here, after = np.arange(40), np.roll(np.arange(40), -1)
    cross = np.arange(40) == 39
    low, high = np.where(cross, after + 40, after), np.where(cross, after, after + 40)
    faces = np.vstack(
        [np.column_stack([here, low, high]), np.column_stack([here, high, here + 40])]
    )
    with pytest.raises(FileError, match="is open at 80 edges"):
        understand(vertices, faces, name="band")


def test_a_flat_body_that_is_closed_encloses_nothing() -> None:
    corners = np.array([(0.0, 0, 0), (30, 0, 0), (0, 30, 0), (10, 10, 0)])
    faces = np.array([(0, 2, 1), (0, 1, 3), (1, 2, 3), (2, 0, 3)])
    for vertices in (
        corners,
        corners @ np.array([(0.8, 0, 0.6), (0, 1, 0), (0, 0, 0)]),
    ):
        with pytest.raises(FileError, match="enclose nothing"):
            understand(vertices, faces, name="flat")
