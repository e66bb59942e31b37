"""Where things begin in mid air: no layer that matters is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold, OpType

from patterns.base_islands import suspects
from patterns.base_reading import understand
from patterns.base_starts import starts_mm
from patterns.rim_checks import beyond, in_mid_air
from patterns.solids import mesh_arrays
from patterns.tilted_part import STEEP, Part, part_of, turned
from patterns.tilted_spec import TiltedSpec

if TYPE_CHECKING:
    from collections.abc import Callable

LAYER_MM = 0.1
HANG_MM = 1.0


def starts(body: Manifold) -> set[float]:
    found = starts_mm(*mesh_arrays(body), STEEP)
    return {round(float(low), 3) for low, _ in found}


def cone() -> Manifold:
    return Manifold.cylinder(3.0, 0.0, 2.0, circular_segments=24)


def block(*taken: Manifold) -> Manifold:
    whole = Manifold.cube((4.0, 4.0, 4.0))
    return Manifold.batch_boolean([whole, *taken], OpType.Subtract)


def shut_slot() -> Manifold:
    """A wedge with its edge downhill: what is above it stands on what is beside it."""
    wedge = CrossSection([[(-1, 0), (2, 1), (-1, 2)]]).extrude(6.0)
    return block(wedge.rotate((90, 0, 0)).translate((0, 5, 1)))


def blind_hole() -> Manifold:
    return block(Manifold.cube((1.0, 1.0, 1.0)).translate((1, 1, -0.5)))


@pytest.mark.parametrize(
    ("made", "heights"),
    [
        (cone, {0.0}),
        (block, {0.0}),
        (lambda: Manifold.cube((2.0, 2.0, 2.0)).rotate((0, 30, 0)), {-1.0}),
        (lambda: block(cone().translate((2, 2, 2))), {0.0}),  # a pit is no beginning
        (blind_hole, {0.0, 0.5}),
        (shut_slot, {0.0}),
    ],
)
def test_it_begins_where_no_steep_way_leads_down(
    made: Callable[[], Manifold], heights: set[float]
) -> None:
    assert starts(made()) == heights


def heap(sizes: list[float], turns: list[float], places: list[float]) -> Manifold:
    """Blocks and balls upon a slab, some of them in mid air."""
    slab = Manifold.cube((20.0, 20.0, 2.0)).translate((-10.0, -10.0, 0.0))
    blocks = [
        (
            Manifold.cube((size, 1.4 * size, 0.5 * size), center=True)
            if count % 2
            else Manifold.sphere(size / 2, 16)
        )
        .rotate((turn, 2 * turn, 3 * turn))
        .translate((place, -place / 2, 1.5 + size / 2))
        for count, (size, turn, place) in enumerate(
            zip(sizes, turns, places, strict=True)
        )
    ]
    whole = Manifold.batch_boolean([slab, *blocks], OpType.Add)
    return max(whole.decompose(), key=lambda part: part.volume())


def standing(body: Manifold, tilt_deg: float) -> Part:
    base = understand(*mesh_arrays(body), name="heap", underside="-z")
    spec = TiltedSpec(layer_mm=LAYER_MM, tilt_deg=tilt_deg)
    return part_of(turned(base, spec), Manifold(), 0.0, 3.8)


@settings(max_examples=6, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    st.lists(st.floats(0.6, 5.0), min_size=4, max_size=4),
    st.lists(st.floats(0.0, 90.0), min_size=4, max_size=4),
    st.lists(st.floats(-8.0, 8.0), min_size=4, max_size=4),
    st.floats(20.0, 75.0),
)
def test_every_layer_with_a_fault_is_looked_at(
    sizes: list[float], turns: list[float], places: list[float], tilt: float
) -> None:
    """Against all layers one by one."""
    part = standing(heap(sizes, turns, places), tilt)
    looked = {round(z_mm, 6) for _, z_mm, _, _ in suspects(part, LAYER_MM, 0.5)}
    low, high = part.heights_mm
    heights = (np.arange(int(low / LAYER_MM), int(high / LAYER_MM)) + 0.5) * LAYER_MM
    below = part.slice(heights[0] - LAYER_MM)
    faults = set()
    for z_mm in heights.tolist():
        layer = part.slice(z_mm)
        if in_mid_air(layer, below) or beyond(layer, below, HANG_MM).area() > 1e-4:
            faults.add(round(z_mm, 6))
        below = layer
    assert faults  # the low rim at least
    assert faults <= looked
    assert len(looked) < len(heights) / 2
