"""A file's triangles made one closed body, where that can't change its shape."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_edges import (
    Edges,
    drop_doubles,
    drop_flat,
    edges_of,
    is_one_shell,
    shells,
    turned,
    volumes_mm3,
    weld,
    weld_close,
)
from patterns.base_overlap import Crossing, find_crossings, goes_through
from patterns.errors import FileError

if TYPE_CHECKING:
    from patterns.base_faults import Findings
    from patterns.base_raw import Told

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAME_POINT_MM = 1e-3
"""Open edges nearer than a micrometre to each other are one edge."""
TINY_HOLE_MM = 5.0
_NOTHING_MM3 = 1e-3


def mend(
    vertices_mm: NDArray[np.floating], faces: Ints, findings: Findings, told: Told
) -> tuple[Floats, Ints]:
    """Weld, close, turn and join triangles to one closed, outward body.

    Parameters
    ----------
    vertices_mm : ndarray, shape (n, 3)
    faces : ndarray of int64, shape (m, 3)
    findings : Findings
        Takes what was put right.
    told : callable
        Hears of progress.

    Raises
    ------
    FileError
        Open, one-sided, running through itself, or in pieces.
    """
    told("welding", 0.2)
    shared = len(np.unique(faces)) if faces.size > len(vertices_mm) else 0
    vertices, faces = weld(vertices_mm, faces)
    if shared > len(vertices):  # a file that numbers its points should share them
        findings.mended("unwelded", shared - len(vertices), vertices[0])
    faces = _dropped(vertices, faces, findings)
    told("checking edges", 0.3)
    if is_one_shell(faces, len(vertices)):
        return _one_body(
            vertices, faces, np.zeros(len(faces), np.int64), findings, told
        )
    edges = edges_of(faces, len(vertices))
    if edges.open.any():
        faces, edges = _closed(vertices, faces, edges, findings)
    if (edges.uses > 2).any():
        vertices, faces, edges = _parted(vertices, faces, edges, findings)
    if not edges.sound:
        faces, edges = _one_way(vertices, faces, edges, findings)
    _, shell = shells(edges, len(faces))
    return _one_body(vertices, faces, shell, findings, told)


def _dropped(vertices: Floats, faces: Ints, findings: Findings) -> Ints:
    """Leave out what has no area or is there twice."""
    faces, count, where = drop_flat(faces)
    if not len(faces):
        raise FileError(
            f"No triangle of {findings.source} has an area.", "Export the base again."
        )
    if count:
        findings.mended("zero_area", count, vertices[where])
    faces, count, where = drop_doubles(faces)
    if not len(faces):
        raise _hollow(findings)
    if count:
        findings.mended("double_shell", count, vertices[where])
    return faces


def _hollow(findings: Findings) -> FileError:
    return FileError(
        f"The triangles of {findings.source} lie on each other and enclose nothing.",
        "Export the base again.",
    )


def _closed(
    vertices: Floats, faces: Ints, edges: Edges, findings: Findings
) -> tuple[Ints, Edges]:
    """Close gaps of less than a micrometre, and tiny holes in a flat face."""
    loose = np.unique(edges.ends[edges.open])
    _, faces = weld_close(vertices, faces, loose, SAME_POINT_MM)
    closer = edges_of(drop_flat(faces)[0], len(vertices))
    gone = len(loose) - len(np.unique(closer.ends[closer.open]))
    findings.mended("unwelded", gone, vertices[loose[0]])
    faces = drop_flat(faces)[0]
    if not closer.open.any():
        return faces, closer
    patches = [
        _patch(vertices, faces, ring) for ring in _rings(vertices, closer, findings)
    ]
    if any(patch is None for patch in patches):
        raise _open(vertices, closer, findings)
    first = vertices[closer.ends[closer.open][0, 0]]
    findings.mended("hole_in_bottom", len(patches), first)
    faces = np.vstack([faces, *(patch for patch in patches if patch is not None)])
    return faces, edges_of(faces, len(vertices))


def _open(vertices: Floats, edges: Edges, findings: Findings) -> FileError:
    ends = edges.ends[edges.open]
    return findings.refused("open_edges", len(ends), vertices[ends[0]].mean(axis=0))


def _rings(vertices: Floats, edges: Edges, findings: Findings) -> list[Ints]:
    """Rings of open edges, the way round that closes them."""
    sides = edges.start[edges.open]
    ends = edges.ends[edges.open]
    ends = np.where(edges.forward[sides][:, None], ends[:, ::-1], ends)
    after = dict(zip(ends[:, 0].tolist(), ends[:, 1].tolist(), strict=True))
    if len(after) < len(ends) or set(after) != set(after.values()):
        raise _open(vertices, edges, findings)
    rings = []
    while after:
        ring = [next(iter(after))]
        while ring[-1] in after:
            ring.append(after.pop(ring[-1]))
        rings.append(np.array(ring[:-1]))
    return rings


def _patch(vertices: Floats, faces: Ints, ring: Ints) -> Ints | None:
    """Triangles over a tiny hole in a flat outer face, or None if it isn't one."""
    from manifold3d import triangulate

    points = vertices[ring]
    middle = points.mean(axis=0)
    if np.linalg.norm(points - middle, axis=1).max() > TINY_HOLE_MM / 2:
        return None
    around = faces[np.isin(faces, ring).any(axis=1)]
    a, b, c = (vertices[around[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a).sum(axis=0)
    size = np.linalg.norm(normal)
    if size == 0:
        return None
    normal /= size
    # its neighbours lie in its plane, and all of the body on one side
    flat = np.abs((vertices[around.ravel()] - middle) @ normal).max() < SAME_POINT_MM
    outer = ((vertices - middle) @ normal).max() < SAME_POINT_MM
    if not (flat and outer):
        return None
    across = np.linalg.svd(normal[None])[2][1:]
    plane = (points - middle) @ across.T
    if np.cross(across[0], across[1]) @ normal < 0:
        plane = plane[:, ::-1]
    return ring[np.asarray(triangulate([plane]), np.int64)]


def _parted(
    vertices: Floats, faces: Ints, edges: Edges, findings: Findings
) -> tuple[Floats, Ints, Edges]:
    """Give shells that touch along an edge points of their own."""
    crowded = edges.ends[edges.uses > 2]
    count, shell = shells(edges, len(faces))
    owner = np.unique(np.column_stack([faces.ravel(), np.repeat(shell, 3)]), axis=0)
    key = faces.ravel() * count + np.repeat(shell, 3)
    faces = np.searchsorted(owner[:, 0] * count + owner[:, 1], key).reshape(-1, 3)
    vertices_apart = vertices[owner[:, 0]]
    edges = edges_of(faces, len(vertices_apart))
    if (edges.uses != 2).any():
        raise findings.refused(
            "self_intersection", len(crowded), vertices[crowded[0]].mean(axis=0)
        )
    return vertices_apart, faces, edges


def _one_way(
    vertices: Floats, faces: Ints, edges: Edges, findings: Findings
) -> tuple[Ints, Edges]:
    """Turn triangles the way their neighbours go."""
    result = turned(faces, edges)
    if result is None:
        wrong = edges.pairs[
            edges.forward[edges.pairs] == edges.forward[edges.pairs + 1]
        ]
        where = vertices[faces[edges.face[wrong[0]]]].mean(axis=0)
        raise findings.refused("flipped", len(wrong), where)
    turned_faces, flipped = result
    where = vertices[faces[flipped][0]].mean(axis=0)
    findings.mended("flipped", int(flipped.sum()), where)
    return turned_faces, edges_of(turned_faces, len(vertices))


def _one_body(
    vertices: Floats, faces: Ints, shell: Ints, findings: Findings, told: Told
) -> tuple[Floats, Ints]:
    """Turn shells outwards, join those that touch or overlap, refuse what crosses."""
    count = int(shell.max()) + 1
    faces = _outwards(vertices, faces, shell, count, findings)
    told("looking for crossings", 0.4)
    crossing = find_crossings(vertices, faces)
    if count == 1:
        if crossing:
            raise _crossed(crossing, findings)
        return vertices, faces
    told("joining shells", 0.6)
    vertices, faces, pieces = _joined(vertices, faces, shell, count)
    if len(pieces) > 1:
        raise findings.refused("double_shell", len(pieces), pieces[-1])
    if crossing:
        findings.mended("double_shell", crossing.places, crossing.where_mm)
        crossing = find_crossings(vertices, faces)
        if crossing:
            raise _crossed(crossing, findings)
    return vertices, faces


def _crossed(crossing: Crossing, findings: Findings) -> FileError:
    return findings.refused("self_intersection", crossing.places, crossing.where_mm)


def _outwards(
    vertices: Floats, faces: Ints, shell: Ints, count: int, findings: Findings
) -> Ints:
    """Turn shells that are inside out; one inside another may be: it is a cavity."""
    volumes = volumes_mm3(vertices, faces, shell, count)
    if np.abs(volumes).max() < _NOTHING_MM3:
        raise _hollow(findings)
    inside_out = [
        k
        for k in np.flatnonzero(volumes < 0).tolist()
        if count == 1 or not goes_through(vertices, faces, shell, k) % 2
    ]
    wrong = np.isin(shell, inside_out)
    if wrong.any():
        where = vertices[faces[wrong][0]].mean(axis=0)
        findings.mended("flipped", int(wrong.sum()), where)
        faces = faces.copy()
        faces[wrong] = faces[wrong][:, ::-1]
    return faces


def _joined(
    vertices: Floats, faces: Ints, shell: Ints, count: int
) -> tuple[Floats, Ints, list[Floats]]:
    """Union of shells, less their cavities, and a point of each piece of it."""
    from manifold3d import Manifold, Mesh64, OpType

    from patterns.solids import mesh_arrays

    parts = []
    for k in range(count):
        number, mine = np.unique(faces[shell == k], return_inverse=True)
        parts.append((vertices[number], mine.reshape(-1, 3)))
    signs = volumes_mm3(vertices, faces, shell, count)
    solids = [
        Manifold(
            Mesh64(v, np.ascontiguousarray(f[:, :: 1 if sign > 0 else -1], np.uint64))
        )
        for (v, f), sign in zip(parts, signs, strict=True)
    ]
    outer = [s for s, sign in zip(solids, signs, strict=True) if sign > 0]
    hollow = [s for s, sign in zip(solids, signs, strict=True) if sign <= 0]
    whole = Manifold.batch_boolean(outer, OpType.Add)
    pieces = sorted(whole.decompose(), key=lambda piece: -piece.volume())
    if hollow:
        whole = Manifold.batch_boolean([whole, *hollow], OpType.Subtract)
    points = [np.asarray(p.to_mesh64().vert_properties)[0, :3] for p in pieces]
    return *mesh_arrays(whole), points
