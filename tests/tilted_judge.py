"""Whether a tilted base prints, judged on the written file by the tools of others.

trimesh (for 3MF the consortium's lib3mf) reads the file and cuts it, shapely follows it
from layer to layer.  How the base stands is worked out from tilt and front alone and
checked against the design's own cuts, so nothing of what made the file is asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import lib3mf
import numpy as np
import shapely
import trimesh

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    Parts = NDArray[np.object_]

    from tests.bases import Points

PIXEL_MM2 = 0.0025  # 50 um square: less than that is not lit, or holds nothing
HANG_MM = 1.0  # what may reach past the layer below
RAFT_MM = 0.8
LIFT_MM = 3.0
_GRID_MM = 1e-5  # single precision at 100 mm
_BESIDE_MM = 0.1
_STEP_MM = 0.25
_SHIFTS = (0.2718, 0.6180)  # no round number of a file lies on a border
_AT_ONCE = 8  # layers


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What a written base showed.

    ``islands_mm`` and ``hangs_mm``: heights of layers with a part on nothing, or one
    that reaches too far.  ``on_plate``: pieces of the lowest layer; ``clear_mm``: from
    the raft's top to the lowest point of base and lip; ``off_mm``: how far its cuts are
    from the design's; ``lip_share``: how much of the low half has the lip under it (1.0
    where none is wanted).
    """

    watertight: bool
    bodies: int
    layers: int
    islands_mm: tuple[float, ...]
    hangs_mm: tuple[float, ...]
    on_plate: int
    low_mm: float
    clear_mm: float
    off_mm: float
    lip_share: float

    @property
    def faults(self) -> tuple[str, ...]:
        """In words what is wrong."""
        holds = {
            "not watertight": self.watertight,
            f"{self.bodies} bodies": self.bodies == 1,
            f"islands at {self.islands_mm[:3]}": not self.islands_mm,
            f"hangs at {self.hangs_mm[:3]}": not self.hangs_mm,
            f"{self.on_plate} pieces on the plate": self.on_plate == 1,
            f"lowest at {self.low_mm}": self.low_mm == 0.0,
            f"{self.clear_mm:.3f} mm above the raft": self.clear_mm >= LIFT_MM - 2e-3,
            f"{1000 * self.off_mm:.1f} um off the design": self.off_mm < 1e-3,
            f"lip under {self.lip_share:.3f} of the low half": self.lip_share == 1.0,
        }
        return tuple(words for words, good in holds.items() if not good)


def read_stl(path: Path) -> trimesh.Trimesh:
    """Read an STL; trimesh joins its corners."""
    return trimesh.load_mesh(path)


def read_3mf(path: Path) -> dict[str, trimesh.Trimesh]:
    """Read a 3MF's objects by the consortium's own reader, strictly."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)  # noqa: FBT003 its signature
    reader.ReadFromFile(str(path))
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found = {}
    meshes = model.GetMeshObjects()
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        vertices = np.array([tuple(v.Coordinates) for v in mesh.GetVertices()])
        faces = np.array([tuple(t.Indices) for t in mesh.GetTriangleIndices()])
        found[mesh.GetName()] = trimesh.Trimesh(vertices, faces, process=False)
    return found


def unlike(printed: trimesh.Trimesh, package: Path) -> tuple[str, ...]:
    """In words what the one object of a 3MF has that the STL beside it has not."""
    found = list(read_3mf(package).values())
    if len(found) != 1:
        return (f"{len(found)} objects in the 3MF",)
    (mesh,) = found
    holds = {
        "3MF not watertight": mesh.is_watertight,
        f"{mesh.body_count} bodies in the 3MF": mesh.body_count == 1,
        "3MF of another volume": math.isclose(
            mesh.volume, printed.volume, rel_tol=1e-5
        ),
        "3MF of another size": np.allclose(mesh.bounds, printed.bounds, atol=1e-4),
    }
    return tuple(words for words, good in holds.items() if not good)


def judge(
    printed: trimesh.Trimesh,
    design: trimesh.Trimesh,
    *,
    tilt_deg: float,
    front_deg: float,
    lip_depth_mm: float | None,
    layer_mm: float,
    phase: float,
) -> Judged:
    """Judge a tilted base on its supports.

    Parameters
    ----------
    printed, design : Trimesh
        As written, and as it was wanted: standing on its underside.
    tilt_deg, front_deg, lip_depth_mm, layer_mm
        As asked for.
    phase : float
        Where in a layer it is cut, 0 to 1.
    """
    turn = _turn(tilt_deg, front_deg)
    upright = trimesh.Trimesh(printed.vertices @ turn, printed.faces, process=False)
    shift, off_mm = _matched(upright, design)
    upright.apply_translation(shift)
    outline = _outline(design)
    low_half = _low_half(outline, front_deg)
    foot = np.column_stack([low_half, np.full(len(low_half), -(lip_depth_mm or 0.0))])
    lowest = np.vstack([design.vertices, foot])
    heights = (
        np.arange(math.floor(printed.bounds[1, 2] / layer_mm)) + phase
    ) * layer_mm
    islands, hangs, first = _followed(printed, heights)
    return Judged(
        watertight=printed.is_watertight,
        bodies=printed.body_count,
        layers=len(heights),
        islands_mm=islands,
        hangs_mm=hangs,
        on_plate=first,
        low_mm=float(printed.bounds[0, 2]),
        clear_mm=float(((lowest - shift) @ turn.T)[:, 2].min()) - RAFT_MM,
        off_mm=off_mm,
        lip_share=_lip_share(upright, low_half, lip_depth_mm),
    )


def _turn(tilt_deg: float, front_deg: float) -> NDArray[np.float64]:
    """From the base's frame to the print's: the side away from the front low, at +y."""
    tilt, front = math.radians(tilt_deg), math.radians(front_deg)
    low, up = np.array([-math.cos(front), -math.sin(front), 0]), np.array([0, 0, 1.0])
    to_low = np.array([0, math.cos(tilt), -math.sin(tilt)])
    to_up = np.array([0, math.sin(tilt), math.cos(tilt)])
    before = np.column_stack([low, up, np.cross(low, up)])
    after = np.column_stack([to_low, to_up, np.cross(to_low, to_up)])
    return np.asarray(after @ before.T)


def _matched(
    upright: trimesh.Trimesh, design: trimesh.Trimesh
) -> tuple[NDArray[np.float64], float]:
    """Shift that brings a printed base over its design, and how far off it is then."""
    top = design.bounds[1, 2]
    up = top - upright.bounds[1, 2]
    heights = top * np.array([0.25, 0.43, 0.61])
    wanted = list(cuts(design, heights))
    found = list(cuts(upright, heights - up))
    largest = max(shapely.get_parts(found[1]), key=lambda part: part.area)
    aim = max(shapely.get_parts(wanted[1]), key=lambda part: part.area)
    there, here = (shapely.Polygon(p.exterior).centroid for p in (aim, largest))
    shift = np.array([there.x - here.x, there.y - here.y, up])
    off = [
        _differs(shapely.transform(one, lambda p: p + shift[:2]), other)
        for one, other in zip(found, wanted, strict=True)
    ]
    return shift, max(off)


def _differs(found: shapely.Geometry, wanted: shapely.Geometry) -> float:
    """Area by which the outlines differ to the outline's length, supports left out.

    Supports stand beside the base, or within its recesses.
    """
    outer = [shapely.Polygon(part.exterior) for part in shapely.get_parts(wanted)]
    inner = [part for part in shapely.get_parts(found) if part.intersects(wanted)]
    without = shapely.union_all([shapely.Polygon(part.exterior) for part in inner])
    apart = without.symmetric_difference(shapely.union_all(outer))
    return float(apart.area / wanted.length)


def _outline(design: trimesh.Trimesh) -> shapely.Polygon:
    """Outside of the underside."""
    (cut,) = cuts(design, np.array([design.bounds[0, 2] + 0.01]))
    return shapely.union_all(
        [shapely.Polygon(p.exterior) for p in shapely.get_parts(cut)]
    )


def _low_half(outline: shapely.Polygon, front_deg: float) -> Points:
    """Points (n, 2) just within the outline's half that will be low."""
    inner = outline.buffer(-_BESIDE_MM, join_style="mitre").boundary
    points = shapely.line_interpolate_point(
        inner, np.arange(0.0, inner.length, _STEP_MM)
    )
    front = math.radians(front_deg)
    away = np.array([-math.cos(front), -math.sin(front)])
    reach = shapely.get_coordinates(outline) @ away
    level = shapely.get_coordinates(points)
    return np.asarray(level[level @ away > (reach.min() + reach.max()) / 2])


def _lip_share(
    upright: trimesh.Trimesh, low_half: Points, depth_mm: float | None
) -> float:
    """Share of the low half that has the lip at nearly its full depth under it."""
    if depth_mm is None:
        return 1.0
    (cut,) = cuts(upright, np.array([0.02 - depth_mm]))
    return float(shapely.contains_xy(cut, low_half).mean())


def _followed(
    mesh: trimesh.Trimesh, heights_mm: NDArray[np.float64]
) -> tuple[tuple[float, ...], tuple[float, ...], int]:
    """Heights of islands and of hangs, and the number of pieces of the first layer."""
    layers = cuts(mesh, heights_mm)
    below = next(layers)
    first = len(shapely.get_parts(below))
    islands, hangs = [], []
    for z_mm, layer in zip(heights_mm[1:].tolist(), layers, strict=True):
        parts, under = shapely.get_parts(layer), shapely.get_parts(below)
        new = _new(parts, under)
        area = shapely.area(parts)
        held = area - shapely.area(new)
        if np.any((area > PIXEL_MM2) & (held < np.minimum(PIXEL_MM2, area / 2))):
            islands.append(z_mm)
        if _too_far(new, under):
            hangs.append(z_mm)
        below = layer
    return tuple(islands), tuple(hangs), first


def _new(parts: Parts, under: Parts) -> Parts:
    """What of each part has nothing below it."""
    part, footing = shapely.STRtree(under).query(parts)
    feet = np.bincount(part, minlength=len(parts))
    lone = feet[part] == 1
    new = parts.copy()
    new[part[lone]] = shapely.difference(parts[part[lone]], under[footing[lone]])
    for one in np.flatnonzero(feet > 1):
        new[one] = parts[one].difference(_one(under[footing[part == one]]))
    return new


def _too_far(new: Parts, under: Parts) -> bool:
    """Whether something of it reaches past all that is below."""
    new = shapely.get_parts(new)
    new = new[shapely.area(new) > PIXEL_MM2]
    _, near = shapely.STRtree(under).query(new, "dwithin", HANG_MM)
    reached = _one(under[np.unique(near)]).buffer(HANG_MM, quad_segs=6)
    rest = shapely.difference(new, reached)
    return bool(np.any(shapely.area(rest) > PIXEL_MM2))


def _one(parts: Parts) -> shapely.Geometry:
    """Parts of one layer: they don't touch."""
    return parts[0] if len(parts) == 1 else shapely.multipolygons(parts)


def cuts(
    mesh: trimesh.Trimesh, heights_mm: NDArray[np.float64]
) -> Iterator[shapely.Geometry]:
    """Regions at some heights, from below, cut by trimesh."""
    for some, part in _by_height(mesh, heights_mm):
        lines, _, _ = trimesh.intersections.mesh_multiplane(  # type: ignore[no-untyped-call]
            part, (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), some
        )
        yield from map(_enclosed, lines)


def _by_height(
    mesh: trimesh.Trimesh, heights_mm: NDArray[np.float64]
) -> Iterator[tuple[NDArray[np.float64], trimesh.Trimesh]]:
    """A few heights at a time, and of the mesh what they meet."""
    low, high = (
        mesh.vertices[mesh.faces, 2].min(1),
        mesh.vertices[mesh.faces, 2].max(1),
    )
    for first in range(0, len(heights_mm), _AT_ONCE):
        some = heights_mm[first : first + _AT_ONCE]
        faces = mesh.faces[(low <= some[-1]) & (high >= some[0])]
        kept, faces = np.unique(faces, return_inverse=True)
        yield (
            some,
            trimesh.Trimesh(
                mesh.vertices[kept], faces.reshape(-1, 3), process=False, validate=False
            ),
        )


def _enclosed(lines: NDArray[np.float64]) -> shapely.Geometry:
    """What lines (n, 2, 2) enclose, as a valid region.

    Two lines that meet give their end to the last bits only: on the border of two
    cells of the grid it may go to either, so then the grid is shifted.
    """
    ends = _on_grid(lines, _SHIFTS[0])
    rings = _rings(ends)
    if rings is None:
        ends = _on_grid(lines, _SHIFTS[1])
        rings = _rings(ends)
    region = _region(ends, rings)
    if region.is_valid:
        return region
    # single precision bends a straight edge back on itself
    whole = shapely.get_parts(shapely.make_valid(region))
    return shapely.union_all(whole[shapely.area(whole) > 0])


def _on_grid(lines: NDArray[np.float64], shift: float) -> NDArray[np.float64]:
    ends = (np.round(lines / _GRID_MM + shift) - shift) * _GRID_MM
    return np.asarray(ends[(ends[:, 0] != ends[:, 1]).any(axis=1)])


def _region(ends: NDArray[np.float64], rings: Parts | None) -> shapely.Geometry:
    """What lines (n, 2, 2) enclose an odd number of times; slowly where they cross."""
    if rings is None:
        return shapely.build_area(shapely.multilinestrings(shapely.linestrings(ends)))
    filled = shapely.polygons(rings)
    starts = shapely.get_point(rings, 0)
    ring, around = shapely.STRtree(filled).query(starts, predicate="within")
    depth = np.bincount(ring, minlength=len(rings))
    hole = depth % 2
    itself = np.flatnonzero(hole == 0)
    opens = (hole[ring] == 1) & (depth[around] == depth[ring] - 1)
    ring = np.concatenate([itself, ring[opens]])
    around = np.concatenate([itself, around[opens]])
    order = np.lexsort((hole[ring], around))
    _, part = np.unique(around[order], return_inverse=True)
    return shapely.multipolygons(shapely.polygons(rings[ring[order]], indices=part))


def _rings(ends: NDArray[np.float64]) -> Parts | None:
    """Closed rings of lines, each line end shared by two; None where more meet."""
    places, at = np.unique(ends @ np.array([1, 1j]), return_inverse=True)
    both = np.vstack([at, at[:, ::-1]])
    if (np.bincount(both[:, 0]) != 2).any():
        return None
    beside = both[np.argsort(both[:, 0]), 1].reshape(-1, 2).tolist()
    order: list[int] = []
    firsts: list[int] = []
    seen = [False] * len(places)
    for start in range(len(places)):
        if seen[start]:
            continue
        firsts.append(len(order))
        here = start
        while not seen[here]:
            seen[here] = True
            order.append(here)
            one, other = beside[here]
            here = other if seen[one] else one
    points = places[order]
    of = np.repeat(np.arange(len(firsts)), np.diff([*firsts, len(order)]))
    large = np.bincount(of)[of] > 2
    points, of = points[large], np.unique(of[large], return_inverse=True)[1]
    return np.asarray(shapely.linearrings(points.real, points.imag, indices=of))
