"""Compensated lowest layers and the rest of a base, made one watertight body.

The lowest layers are prisms, one for each outline, standing on z = 0; the base above
them is its own mesh, cut off level where they end.  Heights where two parts meet are
equal to the last bit, and outlines that meet there lie on one grid that single
precision can hold, so that neither the union nor the file opens a seam.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_checks import one_body
from patterns.base_sections import polygons, solid
from patterns.errors import SpecError
from patterns.plane_cells import GRID_MM, cut_cells, on_grid, rim_of
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import shapely  # noqa: TC004 names alone

    from patterns.base import Base, Section
    from patterns.plane_cells import Cells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LONGEST_WAY = 4096
_MOST_WAYS = 8
_TOO_THIN = (
    "Its walls are too thin at the plate for this bottle's flare: print it tilted, or "
    "with a shorter bottom exposure."
)
_REPORT = "Please report it with the base's file."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shell:
    """A mesh on its own."""

    vertices_mm: Floats
    faces: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rest:
    """A base above a level cut: open there, the cut's rim and region beside it."""

    shell: _Shell
    rim: Ints
    region: shapely.Geometry


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingBase:
    """A base on the plate, ready to print: one closed body from z = 0 upwards.

    ``vertices_mm`` (n, 3) and ``faces`` (m, 3).  ``layers`` prisms of ``layer_mm`` are
    its compensated zone, ``zone_mm`` high; ``lift_mm`` is the sanding allowance: the
    design's underside lies at that height.
    """

    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]
    layers: int
    layer_mm: float
    lift_mm: float

    @property
    def zone_mm(self) -> float:
        """Height up to which the outlines are the plan's, not the mesh's."""
        return self.layers * self.layer_mm


def stand(
    base: Base,
    layers: Sequence[Section],
    layer_mm: float,
    lift_mm: float = 0.0,
    tell: Callable[[str], None] | None = None,
) -> StandingBase:
    """Put a base on compensated layers.

    Parameters
    ----------
    base : Base
    layers : sequence of Section
        Outline of each layer from the plate up, each one layer thick; their ``z_mm``
        isn't used.
    layer_mm : float
        Height of a layer.
    lift_mm : float
        How far the base is raised for what will be sanded off; the lowest layers reach
        down to the plate.
    tell : callable or None
        Hears what is being done.

    Raises
    ------
    SpecError
        No layer, a base no higher than they are, or layers that come apart.
    """
    import shapely

    _check(base, len(layers), layer_mm, lift_mm)
    say = tell or _silent
    heights = np.array([level * layer_mm for level in range(len(layers) + 1)])
    say("cutting the base off above the compensated layers ...")
    rest = _cut_off(base, float(heights[-1]), lift_mm)
    say("joining the layers to it ...")
    outlines = [shapely.union_all(polygons(section)) for section in layers]
    cells = cut_cells([*outlines, rest.region])
    vertices, faces = _stacked(cells, heights)
    vertices, faces = _joined(cells, vertices, faces, rest)
    whole = one_body(
        solid(_Shell(vertices_mm=vertices, faces=faces)),
        base.name,
        "its lowest layers set back",
        _TOO_THIN,
    )
    vertices_mm, faces = mesh_arrays(whole)
    return StandingBase(
        vertices_mm=vertices_mm,
        faces=faces,
        layers=len(layers),
        layer_mm=layer_mm,
        lift_mm=lift_mm,
    )


def _check(base: Base, count: int, layer_mm: float, lift_mm: float) -> None:
    if count < 1:
        raise SpecError("A base needs at least one layer to stand on.")
    if not 0.0 <= lift_mm < np.inf:
        raise SpecError(f"A sanding allowance of {lift_mm} mm can't be made.")
    room_mm = count * layer_mm - lift_mm
    if room_mm <= 0.0:
        raise SpecError(
            f"All {count} compensated layers of {base.name} would have to be sanded "
            "off: no inset mends a flare as wide as this.",
            "Print it tilted, or with a shorter bottom exposure.",
        )
    if room_mm >= base.height_mm:
        raise SpecError(
            f"{base.name} is {base.height_mm:.2f} mm high, its {count} compensated "
            f"layers end {room_mm:.2f} mm above its underside.",
            "Print it with fewer bottom and transition layers.",
        )


def _cut_off(base: Base, zone_mm: float, lift_mm: float) -> _Rest:
    """Cut the base off level, raised, and leave the cut open, its rim on the grid."""
    import shapely

    whole = solid(base).translate((0.0, 0.0, lift_mm))
    vertices, faces = mesh_arrays(whole.trim_by_plane((0.0, 0.0, 1.0), zone_mm))
    vertices = vertices.copy()
    cut = np.abs(vertices[:, 2] - zone_mm) < GRID_MM
    vertices[cut] = np.column_stack(
        [on_grid(vertices[cut, :2]), np.full(int(cut.sum()), zone_mm)]
    )
    flat = cut[faces].all(axis=1)
    beside = faces[cut[faces].sum(axis=1) == 2]  # the few that can have a rim
    rim = rim_of(beside)
    rim = rim[cut[rim].all(axis=1)]
    lines = shapely.linestrings(vertices[rim, :2])
    region = shapely.build_area(shapely.multilinestrings(lines))
    shell = _Shell(vertices_mm=vertices, faces=faces[~flat])
    return _Rest(shell=shell, rim=rim, region=region)


def _stacked(cells: Cells, heights_mm: NDArray[np.float64]) -> tuple[Floats, Ints]:
    """Plate face, walls and steps of the layers, up to the cut, which stays open.

    Vertices are the cells' nodes at every height, from the plate up.
    """
    count, levels = len(cells.nodes_mm), len(heights_mm)
    vertices = np.column_stack(
        [np.tile(cells.nodes_mm, (levels, 1)), np.repeat(heights_mm, count)]
    )
    below = np.column_stack([np.zeros(len(cells.inside), bool), cells.inside[:, :-1]])
    above = cells.inside
    faces = []
    for level in range(levels):
        steps_up = cells.of(below[:, level] & ~above[:, level])
        steps_down = cells.of(above[:, level] & ~below[:, level])[:, ::-1]
        faces += [level * count + steps_up, level * count + steps_down]
        if level + 1 < levels:
            left, right = (level * count + cells.rim(level)).T
            faces.append(np.column_stack([left, right, right + count]))
            faces.append(np.column_stack([left, right + count, left + count]))
    return vertices, np.vstack(faces)


def _joined(
    cells: Cells, vertices_mm: Floats, faces: Ints, rest: _Rest
) -> tuple[Floats, Ints]:
    """Sew the rest of the base onto the open cut: they share the cells' nodes there."""
    from scipy.spatial import cKDTree

    first = len(vertices_mm) - len(cells.nodes_mm)
    own = np.arange(len(rest.shell.vertices_mm)) + len(vertices_mm)
    at_cut = np.unique(rest.rim)
    _, node = cKDTree(cells.nodes_mm).query(rest.shell.vertices_mm[at_cut, :2])
    own[at_cut] = first + node
    rim = first + cells.rim(cells.inside.shape[1] - 1)
    shell = _split(own[rest.shell.faces], own[rest.rim], rim)
    kept = (shell != np.roll(shell, 1, axis=1)).all(axis=1)
    together = np.vstack([vertices_mm, rest.shell.vertices_mm])
    return together, np.vstack([faces, shell[kept]])


def _split(shell: Ints, rim: Ints, wanted: Ints) -> Ints:
    """Split faces along the cut's rim at the nodes that others brought into it.

    Parameters
    ----------
    shell : (m, 3) array
        Faces.
    rim, wanted : (k, 2) array
        Directed edges of their rim, as it is and as the cells have it.
    """
    follows: dict[int, list[int]] = {}
    for start, end in wanted.tolist():
        follows.setdefault(start, []).append(end)
    missing = _pairs(rim[rim[:, 0] != rim[:, 1]]) - _pairs(wanted)
    if not missing:
        return shell
    hit = np.isin(shell, [end for edge in missing for end in edge]).sum(axis=1) > 1
    whole: list[list[int]] = shell[hit].tolist()
    done = []
    while whole:
        face = whole.pop()
        turns = [face[k:] + face[:k] for k in range(3)]
        torn = [turn for turn in turns if (turn[0], turn[1]) in missing]
        if not torn:
            done.append(face)
            continue
        start, end, apex = torn[0]
        chain = [start, *_way(follows, start, end), end]
        missing.discard((start, end))
        whole += [[u, v, apex] for u, v in pairwise(chain)]
    return np.vstack([shell[~hit], np.array(done, np.int64)])


def _way(follows: dict[int, list[int]], start: int, end: int) -> list[int]:
    """Nodes between two others along a rim, by the shorter way where it touches itself.

    Raises
    ------
    SpecError
        The rim doesn't lead there.
    """
    ways = [[node] for node in follows.get(start, [])]
    for _ in range(_LONGEST_WAY):
        for way in ways:
            if way[-1] == end:
                return way[:-1]
        ways = [[*way, node] for way in ways for node in follows.get(way[-1], [])]
        ways = ways[:_MOST_WAYS]
    raise SpecError("The base's wall can't be joined to its layers.", _REPORT)


def _pairs(edges: Ints) -> set[tuple[int, int]]:
    return {(start, end) for start, end in edges.tolist()}


def _silent(_text: str) -> None:
    """Tell nobody."""
