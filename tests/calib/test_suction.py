"""What closes against the film, by cuts of bodies whose answer is plain."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from manifold3d import Manifold
from shapely import affinity

from calib.suction import (
    Level,
    Liquid,
    closed_openings,
    find_suction,
    force_cap_n,
    vent_for,
    vent_pressure_pa,
)
from patterns.base_sections import polygons, sections

SYRUP = Liquid(viscosity_pa_s=0.3, lift_mm_per_s=1.0)


def test_force_is_capped_at_one_atmosphere() -> None:
    """Reference: science notes 5d and 5b, worked out there by hand."""
    area = math.pi * 10.5**2
    assert area == pytest.approx(346.3606, abs=1e-4)
    assert force_cap_n(area) == pytest.approx(35.0950, abs=1e-4)
    assert force_cap_n(math.pi * 12.5**2) == pytest.approx(49.7378, abs=1e-4)


def test_a_vent_of_2_mm_ends_a_recess_of_21_mm() -> None:
    """Reference: science notes 5d: 529.2 Pa, 0.1833 N."""
    area = math.pi * 10.5**2
    pressure = vent_pressure_pa(area, 1.0, 2.0, 0.3, 1.0)
    assert pressure == pytest.approx(529.2, abs=0.05)
    assert pressure * area * 1e-6 == pytest.approx(0.1833, abs=5e-5)
    vent = vent_for(area, 2.0, SYRUP)
    assert vent.diameter_mm == 2.0
    assert vent.rest_n == pytest.approx(0.1833, abs=5e-5)
    assert vent.assumed == ()


def test_a_large_recess_wants_a_wider_vent() -> None:
    """A^2 / r^4: ten times the area wants some sqrt(10) of the width."""
    vent = vent_for(3463.6, 2.0, SYRUP)
    assert vent.diameter_mm == 4.5
    assert vent.rest_n == pytest.approx(18.33 / 2.25**4, rel=1e-3)


def test_what_was_taken_is_named() -> None:
    assert vent_for(300.0, 2.0, Liquid()).assumed == (
        "viscosity 0.3 Pa s",
        "lift 1 mm/s",
    )


def cup(wall_mm: float = 2.0, depth_mm: float = 3.0) -> Manifold:
    """Hollow from below: a disc of 30 mm, 5 mm high."""
    inside = Manifold.cylinder(depth_mm + 1.0, 15.0 - wall_mm, circular_segments=96)
    body = Manifold.cylinder(5.0, 15.0, circular_segments=96)
    return body - inside.translate((0.0, 0.0, -1.0))


def levels(body: Manifold, step_mm: float = 0.25) -> list[Level]:
    low, high = body.bounding_box()[2], body.bounding_box()[5]
    heights = np.arange(low + step_mm / 2.0, high, step_mm)
    return [
        Level(z_mm=cut.z_mm - low, material=shapely.union_all(polygons(cut)))
        for cut in sections(body, heights)
    ]


def test_flat_a_recess_of_the_underside_closes_between_plate_and_film() -> None:
    found = find_suction(levels(cup()), on_plate=True, wall_mm=2.0, liquid=SYRUP)
    area = math.pi * 13.0**2
    assert found.area_mm2 == pytest.approx(area, rel=2e-3)  # 96 corners
    assert found.force_cap_n == pytest.approx(force_cap_n(area), rel=2e-3)
    assert found.recesses == 1
    assert found.from_mm < 0.3
    assert 2.7 < found.to_mm < 3.1
    assert "between plate and film" in found.words


@pytest.mark.parametrize("tilt_deg", [5.0, 30.0, 60.0])
def test_tilted_the_same_recess_is_open_behind(tilt_deg: float) -> None:
    tilted = cup().rotate((0.0, tilt_deg, 0.0)).translate((0.0, 0.0, 40.0))
    found = find_suction(levels(tilted), on_plate=False, wall_mm=2.0, liquid=SYRUP)
    assert found.area_mm2 == 0.0
    assert found.vent is None


def test_a_hollow_in_the_top_closes_flat_and_hardly_tilted() -> None:
    """A crater 2 mm deep; tilted by 45 degrees its lower side is always open."""
    crater = cup(depth_mm=2.0).rotate((180.0, 0.0, 0.0)).translate((0.0, 0.0, 5.0))
    flat = find_suction(levels(crater), on_plate=True, wall_mm=2.0, liquid=SYRUP)
    assert flat.area_mm2 == pytest.approx(math.pi * 13.0**2, rel=2e-3)
    assert flat.from_mm > 2.9
    assert "against the film" in flat.words
    turned = crater.rotate((0.0, 45.0, 0.0))
    tilted = find_suction(levels(turned), on_plate=False, wall_mm=2.0, liquid=SYRUP)
    assert tilted.area_mm2 < 0.2 * flat.area_mm2


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0])
def test_valleys_between_cobbles_pull_no_more_than_the_layers_before(
    tilt_deg: float,
) -> None:
    """Four dents 1.5 mm deep in a slab; as deep as 3 mm they would count."""

    def found(depth_mm: float) -> float:
        dent = Manifold.cylinder(depth_mm + 1.0, 5.0, circular_segments=48)
        places = [(x, y, 6.0 - depth_mm) for x in (-7, 7) for y in (-7, 7)]
        dents = [dent.translate(place) for place in places]
        slab = Manifold.cube((30.0, 30.0, 6.0)).translate((-15.0, -15.0, 0.0))
        body = (slab - Manifold.compose(dents)).rotate((0.0, tilt_deg, 0.0))
        flat = tilt_deg == 0.0
        return find_suction(
            levels(body), on_plate=flat, wall_mm=2.0, liquid=SYRUP
        ).area_mm2

    assert found(1.5) == 0.0
    assert found(3.0) > 50.0


def test_a_larger_hollow_of_the_top_is_not_taken_for_the_recess_below_it() -> None:
    pocket = Manifold.cylinder(3.0, 2.5, circular_segments=48).translate((0, 0, -1))
    crater = Manifold.cylinder(5.0, 8.0, circular_segments=96).translate((0, 0, 4))
    body = Manifold.cylinder(6.0, 15.0, circular_segments=96) - pocket - crater
    found = find_suction(levels(body), on_plate=True, wall_mm=2.0, liquid=SYRUP)
    assert found.area_mm2 == pytest.approx(math.pi * 8.0**2, rel=2e-3)
    assert "hollow of the top" in found.words
    assert "plate" not in found.words


def test_a_hole_right_through_is_closed_by_the_plate_only() -> None:
    drill = Manifold.cylinder(7.0, 1.5, circular_segments=96).translate((0, 0, -1))
    drilled = Manifold.cylinder(5.0, 15.0, circular_segments=96) - drill
    flat = find_suction(levels(drilled), on_plate=True, wall_mm=2.0, liquid=SYRUP)
    assert flat.area_mm2 == pytest.approx(math.pi * 1.5**2, rel=2e-3)
    assert flat.to_mm > 4.7
    away = find_suction(levels(drilled), on_plate=False, wall_mm=2.0, liquid=SYRUP)
    assert away.area_mm2 == 0.0


def test_a_vent_through_the_wall_opens_all_that_comes_after_it() -> None:
    pipe = Manifold.cylinder(20.0, 1.0, circular_segments=48)
    vent = pipe.rotate((0.0, 90.0, 0.0)).translate((0.0, 0.0, 1.0))
    found = find_suction(levels(cup() - vent), on_plate=True, wall_mm=2.0, liquid=SYRUP)
    assert found.to_mm < 0.5  # closed only in the 0.1 mm below the vent, one cut


def test_what_stands_in_a_recess_is_no_opening() -> None:
    ring = shapely.Point(0, 0).buffer(10.0).difference(shapely.Point(0, 0).buffer(8.0))
    pillar = shapely.Point(0, 0).buffer(2.0)
    cut = Level(z_mm=0.1, material=shapely.union_all([ring, pillar]))
    (closed,) = closed_openings([cut], on_plate=True)
    hollow = shapely.Point(0, 0).buffer(8.0).area - pillar.area
    assert sum(opening.area for opening in closed) == pytest.approx(hollow)


def test_nothing_to_close() -> None:
    square = shapely.box(0.0, 0.0, 10.0, 10.0)
    cuts = [
        Level(z_mm=0.1, material=square),
        Level(z_mm=0.2, material=affinity.translate(square, 20.0)),
        Level(z_mm=0.3, material=shapely.Polygon()),
    ]
    found = find_suction(cuts, on_plate=True, wall_mm=2.0, liquid=SYRUP)
    assert found.words == "Nothing closes against the film."
    assert find_suction([], on_plate=True, wall_mm=2.0, liquid=SYRUP).area_mm2 == 0.0
