"""Bases laid out on a plate, with shapely as the judge of what overlaps."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from patterns.errors import SpecError
from patterns.nesting import Nest, fill, nest

if TYPE_CHECKING:
    from collections.abc import Callable

PLATE_MM = (143.0, 89.0)
Plate = tuple[float, float]


def disc(radius_mm: float, corners: int = 96) -> shapely.Polygon:
    turn = 2.0 * np.pi * np.arange(corners) / corners
    return shapely.Polygon(radius_mm * np.column_stack([np.cos(turn), np.sin(turn)]))


def wavy(radius_mm: float = 20.0) -> shapely.Polygon:
    turn = 2.0 * np.pi * np.arange(240) / 240
    away = radius_mm + 2.0 * np.cos(7.0 * turn)
    return shapely.Polygon(np.column_stack([away * np.cos(turn), away * np.sin(turn)]))


ELL = shapely.Polygon([(0, 0), (40, 0), (40, 15), (15, 15), (15, 40), (0, 40)])
OVAL = affinity.scale(disc(1.0), 30.0, 17.5)
HEXAGON = disc(15.0, 6)
RECTANGLE = shapely.box(0.0, 0.0, 50.0, 25.0)
TRIANGLE = shapely.Polygon([(0, 0), (40, 0), (20, 30)])


def judge(
    outlines: list[shapely.Polygon], found: Nest, plate_mm: Plate, gap_mm: float
) -> None:
    """All on the plate, and nowhere nearer than the gap, a hair of 0.01 um aside."""
    placed = np.array(
        [laid.placed(outlines[laid.piece]) for laid in found.laid], dtype=object
    )
    half_x, half_y = plate_mm[0] / 2.0 + 1e-5, plate_mm[1] / 2.0 + 1e-5
    plate = shapely.box(-half_x, -half_y, half_x, half_y)
    assert all(plate.contains(piece) for piece in placed)
    tree = shapely.STRtree(placed)
    first, second = tree.query(placed, "dwithin", gap_mm - 1e-5)
    assert (first == second).all()


def plain_grid(radius_mm: float, plate_mm: Plate, gap_mm: float) -> int:
    pitch = 2.0 * radius_mm + gap_mm
    across, up = (math.floor((s - 2.0 * radius_mm) / pitch) + 1 for s in plate_mm)
    return max(across, 0) * max(up, 0)


def plain_hexagons(radius_mm: float, plate_mm: Plate, gap_mm: float) -> int:
    """Rows half a pitch apart, started at the corner."""
    pitch = 2.0 * radius_mm + gap_mm
    room = [size - 2.0 * radius_mm for size in plate_mm]
    if min(room) < 0.0:
        return 0
    rows = math.floor(room[1] / (pitch * math.sqrt(0.75))) + 1
    even = math.floor(room[0] / pitch) + 1
    odd = math.floor((room[0] - pitch / 2.0) / pitch) + 1
    return (rows + 1) // 2 * even + rows // 2 * max(odd, 0)


@given(
    radius_mm=st.floats(5.0, 45.0),
    across_mm=st.floats(60.0, 220.0),
    up_mm=st.floats(40.0, 130.0),
    gap_mm=st.floats(0.5, 5.0),
)
@settings(max_examples=15, deadline=None)
def test_discs_fill_a_plate_at_least_like_plain_lattices(
    radius_mm: float, across_mm: float, up_mm: float, gap_mm: float
) -> None:
    plate = (across_mm, up_mm)
    found = fill(disc(radius_mm), plate, gap_mm=gap_mm)
    judge([disc(radius_mm)] * len(found.laid), found, plate, gap_mm)
    plain = (
        plain_grid(radius_mm, plate, gap_mm),
        plain_hexagons(radius_mm, plate, gap_mm),
        plain_hexagons(radius_mm, plate[::-1], gap_mm),
    )
    assert len(found.laid) >= max(plain)


@pytest.mark.parametrize("outline", [ELL, OVAL, HEXAGON, RECTANGLE, TRIANGLE, wavy()])
def test_any_outline_fills_a_plate(outline: shapely.Polygon) -> None:
    found = fill(outline, PLATE_MM)
    judge([outline] * len(found.laid), found, PLATE_MM, 2.0)
    low_x, low_y, high_x, high_y = outline.bounds
    size = high_x - low_x, high_y - low_y
    boxes = max(
        math.floor((PLATE_MM[0] + 2.0) / (w + 2.0))
        * math.floor((PLATE_MM[1] + 2.0) / (h + 2.0))
        for w, h in (size, size[::-1])
    )
    assert len(found.laid) >= boxes


def test_an_ell_lies_in_the_crook_of_another() -> None:
    found = fill(ELL, (70.0, 57.0))  # two boxes of 40 mm would want 82 mm
    assert len(found.laid) == 2


@pytest.mark.parametrize(("wide_mm", "count"), [(143.0, 7), (129.0, 7), (128.9, 6)])
def test_what_one_turn_leaves_suits_another(wide_mm: float, count: int) -> None:
    """Two columns of three lying take 102 mm, and one that stands another 27 mm."""
    plate = (wide_mm, 89.0)
    found = fill(RECTANGLE, plate)
    judge([RECTANGLE] * len(found.laid), found, plate, 2.0)
    assert len(found.laid) == count
    upright = fill(RECTANGLE, plate[::-1])
    judge([RECTANGLE] * len(upright.laid), upright, plate[::-1], 2.0)
    assert len(upright.laid) == count


def test_two_clasps_lie_in_each_other() -> None:
    """Jaws 7 mm thick, 22 mm deep and 16 mm apart: 40 x 39 mm hold two of them."""
    jaws = shapely.box(0, 0, 30, 30).difference(shapely.box(8, 7, 30, 23))
    found = fill(jaws, (40.5, 39.5))
    judge([jaws] * len(found.laid), found, (40.5, 39.5), 2.0)
    assert len(found.laid) == 2


def test_several_bases_lie_together() -> None:
    outlines = [disc(16.0), ELL, OVAL, wavy(), HEXAGON, disc(12.5), disc(12.5)]
    found = nest(outlines, (200.0, 125.0))
    judge(outlines, found, (200.0, 125.0), 2.0)
    assert found.left == ()
    assert [laid.piece for laid in found.laid] == list(range(len(outlines)))


def test_what_finds_no_room_is_told() -> None:
    found = nest([disc(60.0), disc(12.5)], PLATE_MM)
    assert found.left == (0,)
    assert [laid.piece for laid in found.laid] == [1]
    assert fill(disc(60.0), PLATE_MM).laid == ()


def test_a_piece_as_large_as_the_plate_fits() -> None:
    assert len(fill(shapely.box(0, 0, *PLATE_MM), PLATE_MM).laid) == 1
    exact = fill(shapely.box(0, 0, 20.0, 20.0), (42.0, 42.0))
    assert len(exact.laid) == 4


def test_turns_can_be_forbidden() -> None:
    assert len(fill(shapely.box(0, 0, 50, 100), (110.0, 60.0)).laid) == 1
    assert fill(shapely.box(0, 0, 50, 100), (110.0, 60.0), turns_deg=(0.0,)).laid == ()


def test_the_same_pieces_lie_the_same() -> None:
    outlines = [ELL, disc(14.0), OVAL]
    assert nest(outlines, PLATE_MM) == nest(outlines, PLATE_MM)


def equal(_: int) -> float:
    return 10.0


def unlike(i: int) -> float:
    return 5.0 + 0.05 * ((i * 77) % 200)


@pytest.mark.slow
@pytest.mark.parametrize("radius_mm", [equal, unlike])
def test_200_discs_take_no_time(radius_mm: Callable[[int], float]) -> None:
    outlines = [disc(radius_mm(i)) for i in range(200)]
    start = time.process_time()
    found = nest(outlines, (400.0, 200.0))
    assert time.process_time() - start < 5.0  # the limit
    judge(outlines, found, (400.0, 200.0), 2.0)
    assert len(found.laid) + len(found.left) == 200


BOW_TIE = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])


@pytest.mark.parametrize(
    ("outline", "plate_mm", "gap_mm", "told"),
    [
        (BOW_TIE, PLATE_MM, 2.0, "crosses itself"),
        (disc(5.0), (0.0, 89.0), 2.0, "plate"),
        (disc(5.0), (math.nan, 89.0), 2.0, "plate"),
        (disc(5.0), PLATE_MM, 0.0, "gap"),
    ],
)
def test_nonsense_is_refused(
    outline: shapely.Polygon, plate_mm: Plate, gap_mm: float, told: str
) -> None:
    with pytest.raises(SpecError, match=told):
        nest([outline], plate_mm, gap_mm=gap_mm)


def test_no_pieces_and_no_turns_are_refused() -> None:
    with pytest.raises(SpecError, match="pieces"):
        nest([], PLATE_MM)
    with pytest.raises(SpecError, match="turn"):
        nest([disc(5.0)], PLATE_MM, turns_deg=())
