"""Single rows of the comparison, of bases and plans whose numbers are plain.

INVENTED: no such bottle was ever printed; see tests/calib/base_ways.py.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from manifold3d import Manifold
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from calib.flat_plan import FlatPlan
from calib.prediction import Interval
from calib.suction import Liquid, find_suction
from calib.wall import Setting
from calib.way_compare import compare
from calib.way_drawings import LIP, RESIN, flat_section, subject_of
from calib.way_made import Made
from calib.way_risks import flat_risks
from calib.way_rows import flat_row
from calib.way_setup import Setup
from calib.way_words import length_words, way_lines
from calib.ways import Told, Way
from patterns.base_reading import understand
from patterns.base_sections import solid
from patterns.errors import SpecError
from patterns.solids import mesh_arrays
from tests.bases import ready
from tests.calib.base_ways import PRINTER, flat_advice

if TYPE_CHECKING:
    from patterns.base import Base

SETTING = Setting(layer_mm=0.05, normal_s=2.5, raised_s=(30.0,) * 4, bottom_layers=4)
CRISP = {"halo_share": 0.01, "halo_mm": 0.1, "depth_mm": 0.06, "core_mm": 0.03}
DISC_MM2 = math.pi * 10.0**2  # of disc_20_coarse, whose corners take 2 % off


def step(value_mm: float, u_mm: float = 0.01) -> Interval:
    reach = 1.96 * u_mm
    return Interval(
        value_mm=value_mm, u_mm=u_mm, low_mm=value_mm - reach, high_mm=value_mm + reach
    )


def planned(*left: Interval, allowance_mm: float = 0.0) -> FlatPlan:
    return FlatPlan(
        setting=SETTING,
        pixel_x_mm=0.05,
        pixel_y_mm=0.05,
        layers=(),
        insets=(),
        left=left,
        bare=tuple(step(0.3) for _ in left),
        sanding_allowance_mm=allowance_mm,
        scallop_mm=step(0.01),
        realisable=1.0,
        guess=False,
        cautions=(),
    )


def flat(plan: FlatPlan | None, base: Base | None = None) -> Way:
    base = base or ready("disc_20_coarse")
    setup = Setup(printer=PRINTER, setting=SETTING)
    return flat_row(base, solid(base), plan, flat_advice(**CRISP), setup)


def of_body(body: Manifold) -> Base:
    return understand(*mesh_arrays(body), name="mine")


def test_what_is_added_for_sanding_counts_in_height_layers_and_resin() -> None:
    plain, raised = flat(planned(step(0.0))), flat(planned(step(0.0), allowance_mm=0.2))
    assert raised.height_mm == pytest.approx(plain.height_mm + 0.2)
    assert plain.layers is not None
    assert raised.layers == plain.layers + 4
    assert plain.resin.extra_ml == 0.0
    assert raised.resin.extra_ml == pytest.approx(0.2 * DISC_MM2 / 1000, rel=0.03)
    assert dict(way_lines(raised))["resin"].endswith("of it waste")


def test_sanding_has_the_interval_that_the_steps_give_it() -> None:
    """Over the tolerance of 0.05 mm: one layer surely, two likely, three perhaps."""
    left = (step(0.12), step(0.06), step(0.04), step(0.0))
    found = flat(planned(*left, allowance_mm=0.1)).sanding
    assert found.interval is not None
    assert found.depth_mm == found.interval.value_mm == 0.1
    assert found.interval.low_mm == pytest.approx(0.05)
    assert found.interval.high_mm == pytest.approx(0.15)
    row = flat(planned(*left, allowance_mm=0.1))
    assert dict(way_lines(row))["sanding"] == "0.10 mm (0.05 to 0.15)"


def test_sanding_that_may_be_wanted_is_told_beside_none() -> None:
    assert dict(way_lines(flat(planned(step(0.0)))))["sanding"] == "none"
    perhaps = flat(planned(step(0.04)))
    assert dict(way_lines(perhaps))["sanding"] == "none (0.00 to 0.05)"


def bent(by_mm: float) -> Base:
    """A slab of 40 x 20 x 3 mm, whose underside is a vault along its length."""
    x = np.linspace(-20.0, 20.0, 41)
    low = by_mm * (1.0 - (x / 20.0) ** 2)
    rows = [*zip(x, low, strict=True), (20.0, 3.0), (-20.0, 3.0)]
    plan = np.array(rows)
    count = len(plan)
    points = np.vstack([np.insert(plan, 1, y, axis=1) for y in (-10.0, 10.0)])
    around = np.arange(count)
    after = np.roll(around, -1)
    sides = [(around, after, after + count), (around, after + count, around + count)]
    fan = [(count - 1, k, k + 1) for k in range(count - 2)]
    far = [(count + a, count + c, count + b) for a, b, c in fan]
    faces = [np.column_stack(side) for side in sides]
    return understand(points, np.vstack([*faces, fan, far])[:, ::-1], name="bent")


@pytest.mark.parametrize("by_mm", [0.03, 0.1])
def test_a_bent_underside_is_not_offered_flat(by_mm: float) -> None:
    base = bent(by_mm)
    assert base.flatness_mm == pytest.approx(by_mm, rel=0.02)
    row = flat(planned(step(0.0)), base)
    assert row.offered == (by_mm < 0.05)
    if not row.offered:
        assert "bent by 0.10 mm" in row.refused
        assert "mesh editor" in row.refused


def test_what_liquid_stays_shut_in_is_told_but_of_a_vented_recess() -> None:
    slab = Manifold.cube((30.0, 20.0, 4.0))
    pocket = Manifold.cylinder(3.0, 3.0, circular_segments=64).translate((15, 10, -1))
    hole = Manifold.cylinder(20.0, 0.5, circular_segments=32)
    vent = hole.rotate((90.0, 0.0, 0.0)).translate((15.0, 20.0, 1.0))
    nothing = find_suction([], on_plate=True, wall_mm=2.0, liquid=Liquid())
    bases = [of_body(body) for body in (slab - pocket, slab - pocket - vent)]
    assert [len(base.recesses) for base in bases] == [1, 1]
    closed, opened = (flat_risks(base, nothing, None) for base in bases)
    assert any("56 mm3 of liquid resin" in words for words in closed)  # pi 3^2 2
    assert not any("liquid resin" in words for words in opened)


def test_without_exposures_layers_are_counted_all_the_same() -> None:
    base = ready("disc_20_coarse")
    why = SpecError("Not tried here.")
    of = Made(flat=None, tilted=why, lipped=why)
    bare = Setup(printer=PRINTER, setting=None, layer_mm=0.04, bottle="of mine")
    found = compare(base, of, None, bare)
    row = found.way("flat")
    assert row.time is None
    assert row.layers == math.ceil(base.height_mm / 0.04)
    assert dict(way_lines(row))["layers"] == str(row.layers)
    assert any("0.04 mm" in note for note in found.notes)
    assert found.bottle == "of mine"
    assert "bottle of mine" in found.recommendation.reason
    assert dict(way_lines(found.way("tilted")))["layers"] == "-"


def test_a_large_recess_has_a_vent_a_small_or_shallow_one_none() -> None:
    slab = Manifold.cube((40.0, 40.0, 5.0))
    said = []
    for radius, deep in ((2.0, 2.5), (6.0, 2.5), (6.0, 0.5)):
        drill = Manifold.cylinder(1.0 + deep, radius, circular_segments=96)
        row = flat(None, of_body(slab - drill.translate((20.0, 20.0, -1.0))))
        said.append(dict(way_lines(row))["suction"])
    # 101325 Pa on pi r^2: 1.3 and 11.5 N
    large = "up to 11 N on 113 mm2"
    assert said == ["up to 1 N on 13 mm2", f"{large}, vent 2 mm", large]


def test_a_size_is_told_from_zero_on_and_a_step_as_it_is() -> None:
    told = Told(interval=step(0.01), words="invented")
    assert length_words(told, size=True) == "0.010 mm (0.000 to 0.030)"
    assert length_words(told) == "0.010 mm (-0.010 to 0.030)"


def test_departures_are_drawn_no_larger_than_the_base_bears() -> None:
    """The plain flare of 0.3 mm is drawn beside the step of 1 um that insets leave."""
    base = ready("disc_20_coarse")
    row = flat(planned(step(0.001)))
    found = subject_of(base, solid(base), np.array([1.0, 0.0]), [row])
    assert 1 < found.below_factor <= 0.06 * 20.0 / 0.3


def test_what_is_sanded_off_is_drawn_below_the_base() -> None:
    base = ready("disc_20_coarse")
    row = flat(planned(step(0.1), allowance_mm=0.2))
    subject = subject_of(base, solid(base), np.array([1.0, 0.0]), [row])
    axes = Figure().add_subplot()
    flat_section(axes, subject, row)
    of = {to_hex(patch.get_facecolor()): patch.get_path() for patch in axes.patches}
    low, high = of[LIP].get_extents().get_points()
    assert (low[1], high[1]) == pytest.approx((0.0, 0.2))
    assert high[0] - low[0] == pytest.approx(20.0, abs=0.3)  # of 20 mm, with corners
    assert of[RESIN].get_extents().y0 == pytest.approx(0.2)
