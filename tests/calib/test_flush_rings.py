"""Many rings at once: the same as one by one, whatever point they start at."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.flush_outline import complex_of, drawn_in, mitred, shape_of
from calib.flush_press import compensated
from calib.flush_rings import Judged, plain_rings, stacks
from patterns.base import Section
from tests.calib.flat_samples import SETTING, model

SQUARE = np.array([(-5.0, -5.0), (5.0, -5.0), (5.0, 5.0), (-5.0, 5.0)])
ELL = np.array([(0.0, 0.0), (9.0, 0.0), (9.0, 4.0), (4.0, 4.0), (4.0, 9.0), (0.0, 9.0)])
HOLE = 0.5 * SQUARE[::-1]
MODEL = model()


def circle(sides: int, radius_mm: float = 8.0) -> np.ndarray:
    turn = np.linspace(0.0, 2.0 * np.pi, sides, endpoint=False)
    return radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])


def with_points_on_sides(ring: np.ndarray, shares: list[float]) -> np.ndarray:
    side = np.roll(ring, -1, axis=0) - ring
    rows = [
        ring[i] + share * side[i]
        for i in range(len(ring))
        for share in (0.0, *sorted(shares))
    ]
    return np.array(rows)


@given(
    shares=st.lists(st.floats(0.05, 0.95), max_size=3, unique=True),
    start=st.integers(0, 30),
)
@settings(max_examples=40, deadline=None)
def test_points_on_straight_lines_and_the_start_make_no_difference(
    shares: list[float], start: int
) -> None:
    rings = [
        np.roll(with_points_on_sides(ring, shares), start, axis=0)
        for ring in (SQUARE, ELL, HOLE, circle(36))
    ]
    plain = (SQUARE, ELL, HOLE, circle(36))
    for found, ring in zip(plain_rings(rings), plain, strict=True):
        (alone,) = plain_rings([ring])
        assert len(found.points_mm) == len(ring)
        assert found.points_mm == pytest.approx(alone.points_mm, abs=1e-9)
        assert found.area_mm2 == pytest.approx(alone.area_mm2)
        assert found.around_mm == pytest.approx(shapely.LinearRing(ring).length)


@pytest.mark.parametrize("turn_deg", [12.0, 45.0, 90.0, -90.0])
@pytest.mark.parametrize("steps", [1, 3])
def test_a_bevel_narrower_than_a_pixel_is_a_corner(turn_deg: float, steps: int) -> None:
    turn = np.radians(turn_deg)
    tip = np.array([3.0, 1.0])
    first, second = np.array([1.0, 0.0]), np.array([np.cos(turn), np.sin(turn)])
    share = np.linspace(0.0, 1.0, steps + 1)[:, None]
    bevel = tip - 0.008 * (1.0 - share) ** 2 * first + 0.008 * share**2 * second
    ends = [tip - 6.0 * first, tip + 6.0 * second]
    behind = tip + 20.0 * (second - first) * np.sign(turn_deg)
    ring = np.vstack([ends[0], bevel, ends[1], behind])
    (found,) = plain_rings([ring if turn_deg > 0.0 else ring[::-1]])
    assert len(found.points_mm) == 4
    assert np.hypot(*(found.points_mm - tip).T).min() < 1e-6


def test_short_sides_of_a_curve_are_no_bevel() -> None:
    arc = 0.2 * circle(40, 1.0)[:11] + 4.8  # a rounding of 0.2 mm, sides of 31 um
    fine = 0.05 * circle(40, 1.0)[:11] + 4.95
    for rounding in (arc, fine):
        ring = np.vstack([SQUARE[:2], rounding, SQUARE[3:]])
        (found,) = plain_rings([ring])
        assert len(found.points_mm) == len(ring)


@pytest.mark.parametrize("sides", [96, 5_000, 300_000])
def test_a_fine_circle_stays_one(sides: int) -> None:
    (found,) = plain_rings([circle(sides)])
    away = np.abs(np.hypot(*found.points_mm.T) - 8.0)
    assert away.max() < 1e-9
    assert found.area_mm2 == pytest.approx(np.pi * 64.0, rel=2e-3)
    assert len(found.points_mm) == sides


def test_areas_and_needles_of_rings() -> None:
    needle = np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (5.0, 2.001), (0.0, 2.002)])
    rings = [SQUARE, HOLE, needle, ELL]
    areas = [shapely.Polygon(ring).area for ring in rings]
    areas[1] *= -1.0
    for numbers, stack in stacks(rings):
        found = Judged.of(stack)
        assert found.area_mm2 == pytest.approx([areas[k] for k in numbers])
        assert found.sharp.tolist() == [k == 2 for k in numbers]


@given(
    radii=st.lists(st.floats(-1.0, 4.0), min_size=5, max_size=12),
    turns=st.integers(1, 2),
    sense=st.sampled_from([1, -1]),
)
@settings(max_examples=80, deadline=None)
def test_rings_that_cross_themselves_are_told(
    radii: list[float], turns: int, sense: int
) -> None:
    turn = 2.0 * np.pi * turns * np.arange(len(radii)) / len(radii)
    direction = np.column_stack([np.cos(turn), np.sin(turn)])
    ring = (3.0 + np.array(radii))[::sense, None] * direction[::sense]
    ((_, stack),) = stacks([ring])
    assert Judged.of(stack).simple[0] == shapely.LinearRing(ring).is_simple


def test_simple_rings_of_any_shape() -> None:
    u_shape = np.array([(0, 0), (9, 0), (9, 9), (8, 9), (8, 1), (1, 1), (1, 9), (0, 9)])
    eight = np.array([(-5.0, -5.0), (5.0, 5.0), (5.0, -5.0), (-5.0, 5.0)])
    for ring in (SQUARE, HOLE, circle(90), u_shape.astype(float), eight):
        wanted = ring is not eight
        assert Judged.of(complex_of(ring)[None]).simple.tolist() == [wanted]


@given(shrink=st.lists(st.floats(0.97, 1.0), min_size=2, max_size=4))
@settings(max_examples=15, deadline=None)
@pytest.mark.parametrize("ring", [SQUARE, ELL, circle(60)], ids=["square", "L", "disc"])
def test_layers_drawn_in_at_once_are_those_drawn_in_alone(
    ring: np.ndarray, shrink: list[float]
) -> None:
    points = np.array([scale * ring for scale in shrink])
    rng = np.random.default_rng(3)
    inset = rng.uniform(0.0, 0.2, (len(points), len(ring)))
    corners = int(shape_of(ring).corner.sum())
    profiles = rng.uniform(-0.1, 0.1, (len(points), corners, 12))
    together = drawn_in(shape_of(points), inset, profiles)
    plain = mitred(shape_of(points), inset)
    for layer, ours in enumerate(points):
        alone = drawn_in(shape_of(ours), inset[layer], profiles[layer])
        assert together[layer] == pytest.approx(alone, abs=1e-9)
        alone = mitred(shape_of(ours), inset[layer])
        assert plain[layer] == pytest.approx(alone, abs=1e-9)


def test_layers_are_the_same_together_and_alone() -> None:
    cuts = tuple(
        Section(z_mm=0.05 * j, outer=(scale * 2.0 * ELL,), openings=())
        for j, scale in enumerate(np.linspace(1.0, 0.99, len(SETTING.raised_s) + 1))
    )
    together = compensated(cuts, MODEL)
    # a layer's insets depend on its number: those before it are needed, not after
    some = compensated(cuts[:4], MODEL)
    for ours, theirs in zip(together, some, strict=False):
        assert ours.outer[0] == pytest.approx(theirs.outer[0], abs=1e-6)
