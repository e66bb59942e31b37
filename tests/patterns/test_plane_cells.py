"""Outlines that all but coincide, cut into cells and stacked."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shapely
import trimesh

from patterns.plane_cells import cut_cells, without_slivers
from tests.patterns.base_stacks import OUTLINE_UM

if TYPE_CHECKING:
    from patterns.plane_cells import Cells

LAYERS = 4
RADIUS_MM = 20.0
# slivers of 0.1 um vanish on the grid, those of 1 um are all but wide enough to stay
UNLIKE_MM = (1e-4, 1e-3)


def nearly_alike(seed: int, unlike_mm: float) -> list[shapely.Polygon]:
    """Outlines that cross each other again and again, a hair apart."""
    rng = np.random.default_rng(seed)
    regions = []
    for count in rng.integers(60, 240, LAYERS):
        turn = np.sort(rng.uniform(0.0, 2 * np.pi, count))
        wave = RADIUS_MM + 0.3 * np.round(np.sin(9 * turn))  # steps, so corners too
        radius = wave + rng.normal(0.0, unlike_mm, count)
        corners = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
        regions.append(shapely.Polygon(corners))
    design = regions[0]
    noise = [rng.normal(0.0, unlike_mm, (1, 2)) for _ in regions]
    moved = [
        shapely.transform(design.segmentize(2.0), lambda at, by=by: at + by)
        for by in noise
    ]
    return [*moved, regions[1], design]


def farthest_um(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """How far a corner of either outline lies from the other outline."""
    ways = ((one.boundary, other.boundary), (other.boundary, one.boundary))
    return 1e3 * max(
        float(shapely.distance(to, shapely.points(shapely.get_coordinates(at))).max())
        for at, to in ways
    )


@pytest.mark.parametrize("unlike_mm", UNLIKE_MM)
def test_no_layers_hang_together_by_a_line_and_no_outline_moves(
    unlike_mm: float,
) -> None:
    regions = nearly_alike(1, unlike_mm)
    cells = cut_cells(regions)
    _, uses = np.unique(stacked(cells).edges_sorted, axis=0, return_counts=True)
    assert uses.max() == 2  # and one where it is open, along the design's cut
    for place, region in enumerate(regions):
        assert farthest_um(cells.area(place), region) < OUTLINE_UM


def stacked(cells: Cells) -> trimesh.Trimesh:
    """Prisms of all regions but the last, which stays open; heights don't matter."""
    nodes = len(cells.nodes_mm)
    nothing = np.zeros(len(cells.inside), bool)
    faces = []
    for level, (below, above) in enumerate(pairwise([nothing, *cells.inside.T])):
        faces += [cells.of(below & ~above) + level * nodes]
        faces += [cells.of(above & ~below)[:, ::-1] + level * nodes]
    for level in range(cells.inside.shape[1] - 1):
        left, right = cells.rim(level).T + level * nodes
        faces += [np.column_stack([left, right, right + nodes])]
        faces += [np.column_stack([left, right + nodes, left + nodes])]
    return trimesh.Trimesh(np.zeros((0, 3)), np.vstack(faces), process=False)


def test_what_is_all_but_the_same_becomes_the_same() -> None:
    design = shapely.box(0.0, 0.0, 10.0, 10.0)
    near = shapely.box(-1e-4, 2e-4, 10.0003, 9.0)  # 1 mm short at one end
    made, kept = without_slivers([near, design])
    assert kept.equals(design)
    assert made.symmetric_difference(shapely.box(0.0, 0.0, 10.0, 9.0)).area < 1e-9
