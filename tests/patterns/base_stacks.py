"""Every test base on compensated layers, judged from outside by trimesh's sections.

    python -m tests.patterns.base_stacks [NAME...]

Insets here are plain numbers, not a plan's: what is judged is the mesh.
"""

from __future__ import annotations

import io
import sys
import time
from typing import TYPE_CHECKING

import numpy as np
import shapely
import trimesh
from shapely.geometry.polygon import orient

from patterns.base import Section
from patterns.base_sections import polygons, sections
from patterns.base_stack import StandingBase, stand
from patterns.export import stl_bytes
from tests import bases

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from patterns.base import Base, Ring

LAYER_MM = 0.05
INSETS_MM = (0.2, 0.2, 0.17, 0.12, 0.1, 0.05, 0.017, 0.0)
JUDGED = (0, 3, 6, 7)
OUTLINE_UM = 2.0  # the project's own mark; the grid moves a point by 0.17 um at most
TOP_UM = 1.0
PHASES = (0.3, 0.7)  # where slicers cut a layer
CUTS_ABOVE = 5
NEAR_MM = 5e-4  # what lies farther off in the plane is looked at in space


def drawn_in(
    base: Base, insets_mm: Sequence[float], lift_mm: float
) -> tuple[Section, ...]:
    """Outlines of the lowest layers, each drawn in by its inset."""
    middles = (np.arange(len(insets_mm)) + 0.5) * LAYER_MM - lift_mm
    cuts = sections(base, np.maximum(middles, 0.5 * LAYER_MM).tolist())
    return tuple(_inside(cut, mm) for cut, mm in zip(cuts, insets_mm, strict=True))


def section_of(region: shapely.Geometry, z_mm: float = 0.0) -> Section:
    """Rings of a region."""
    parts = [orient(part) for part in shapely.get_parts(region)]
    return Section(
        z_mm=z_mm,
        outer=tuple(_ring(part.exterior) for part in parts),
        openings=tuple(_ring(hole) for part in parts for hole in part.interiors),
    )


def as_read(standing: StandingBase) -> trimesh.Trimesh:
    """The STL as an outside reader has it, in single precision."""
    return trimesh.load_mesh(io.BytesIO(stl_bytes(standing)), file_type="stl")


def outline_um(
    mesh: trimesh.Trimesh,
    layers: Sequence[Section],
    layer_mm: float = LAYER_MM,
    judged: Iterable[int] = JUDGED,
    phases: Sequence[float] = PHASES,
) -> float:
    """How far the mesh's outlines lie from the plan's, at most."""
    return max(
        _apart_um(_lines_at(mesh, (layer + phase) * layer_mm), _planned(layers[layer]))
        for layer in judged
        for phase in phases
    )


def top_um(mesh: trimesh.Trimesh, base: Base, standing: StandingBase) -> float:
    """How far the mesh's cuts above the layers lie from the design's surface, at most.

    On a face that is all but level, a little up or down is far to the side.
    """
    lifted = base.vertices_mm + np.array([0.0, 0.0, standing.lift_mm])
    design = trimesh.Trimesh(lifted, base.faces, process=False)
    low, high = standing.zone_mm + 0.01, float(mesh.bounds[1, 2]) - 0.01
    cuts = np.linspace(low, high, CUTS_ABOVE).tolist()
    ways = ((mesh, design), (design, mesh))
    return max(_off_um(one, other, z_mm) for z_mm in cuts for one, other in ways)


def _off_um(one: trimesh.Trimesh, other: trimesh.Trimesh, z_mm: float) -> float:
    """How far any corner of a cut lies from another surface."""
    corners = shapely.points(shapely.get_coordinates(_lines_at(one, z_mm)))
    off = shapely.distance(_lines_at(other, z_mm), corners)
    height = other.triangles[..., 2]
    here = (height.min(axis=1) < z_mm + NEAR_MM) & (height.max(axis=1) > z_mm - NEAR_MM)
    faces = other.triangles[here]
    for k in np.flatnonzero(off > NEAR_MM).tolist():
        corner = np.array([(corners[k].x, corners[k].y, z_mm)])
        nearest = trimesh.triangles.closest_point(  # type: ignore[no-untyped-call]
            faces, corner.repeat(len(faces), 0)
        )
        off[k] = np.linalg.norm(nearest - corner, axis=1).min()
    return 1e3 * float(off.max())


def _inside(cut: Section, inset_mm: float) -> Section:
    whole = shapely.union_all(polygons(cut))
    return section_of(whole.buffer(-inset_mm, join_style="mitre"), cut.z_mm)


def _ring(line: shapely.LinearRing) -> Ring:
    return np.asarray(line.coords, np.float64)[:-1]


def _lines_at(mesh: trimesh.Trimesh, z_mm: float) -> shapely.Geometry:
    cut = mesh.section(plane_origin=(0, 0, z_mm), plane_normal=(0, 0, 1))
    assert cut is not None, f"nothing at {z_mm} mm"
    return shapely.MultiLineString([path[:, :2] for path in cut.discrete])


def _planned(section: Section) -> shapely.Geometry:
    rings = (*section.outer, *section.openings)
    return shapely.MultiLineString([np.vstack([ring, ring[:1]]) for ring in rings])


def _apart_um(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """How far any corner of either lies from the other."""
    ways = [
        shapely.distance(there, shapely.points(shapely.get_coordinates(here))).max()
        for here, there in ((one, other), (other, one))
    ]
    return 1e3 * float(max(ways))


def _main(names: Iterable[str]) -> None:
    for name in names:
        base = bases.ready(name)
        layers = drawn_in(base, INSETS_MM, 0.1)
        started_s = time.perf_counter()
        standing = stand(base, layers, LAYER_MM, 0.1)
        seconds = time.perf_counter() - started_s
        mesh = as_read(standing)
        print(
            f"{name:26s} {len(base.faces):9,d} triangles {seconds:6.2f} s  watertight "
            f"{mesh.is_watertight}  bodies {mesh.body_count}  "
            f"outline {outline_um(mesh, layers):.2f} um  "
            f"above {top_um(mesh, base, standing):.2f} um"
        )


if __name__ == "__main__":
    _main(sys.argv[1:] or bases.NAMES)
