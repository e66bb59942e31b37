"""The flat side a base stands on: found, measured, and turned down to z = 0."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.errors import FileError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DIRECTIONS = {
    "-z": (0.0, 0.0, -1.0),
    "-y": (0.0, -1.0, 0.0),
    "+z": (0.0, 0.0, 1.0),
    "+y": (0.0, 1.0, 0.0),
    "-x": (-1.0, 0.0, 0.0),
    "+x": (1.0, 0.0, 0.0),
}
"""Ways an underside may look in the file, as the option names them."""
_UNEVEN_MM = 0.5  # warped undersides still count as one region, to be told off later
_ASLANT = math.cos(math.radians(5))
_BINS = 8  # of normals: 1 / 8 is 7 degrees
_MOST_CANDIDATES = 12
_LEAST_SHARE = 0.1
_PREFERRED = (
    0.8  # a face that looks down in the file wins unless it is this much smaller
)
_SNAP_DEG = 0.05
_SNAP_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Underside:
    """A flat side: its outward normal, its points, and its departure from flat."""

    normal: Floats
    points: Ints
    outline_mm2: float
    flatness_mm: float


def find_underside(
    vertices_mm: Floats, faces: Ints, source: str, direction: str | None = None
) -> Underside:
    """Find the largest flat side that the whole body lies above.

    A side's size is that of its outline, hollows included, so that the rim of a hollow
    base counts like a full bottom.  Of sides about as large, the one that looks down
    (-z, then -y) in the file is taken.

    Parameters
    ----------
    vertices_mm, faces : ndarray
    source : str
        The file's name, for errors.
    direction : str or None
        Where the underside looks in the file (``DIRECTIONS``), instead of searching.

    Raises
    ------
    FileError
        None is flat, or not the one asked for; or no such direction.
    """
    normals, areas = _normals(vertices_mm, faces)
    if direction is not None:
        if direction not in DIRECTIONS:
            raise FileError(
                f"{direction} is no direction for an underside.",
                f"Name one of {', '.join(DIRECTIONS)}.",
            )
        ways = np.array([DIRECTIONS[direction]])
    else:
        ways = _candidates(normals, areas)
    found = [_side(vertices_mm, faces, normals, way) for way in ways]
    sides = [side for side in found if side is not None]
    shadow = max((s.outline_mm2 for s in sides), default=0.0)
    if not shadow or shadow < _LEAST_SHARE * _hull_mm2(_level(vertices_mm, sides[0])):
        raise _nothing_flat(source, direction)
    return _preferred(sides)


def _nothing_flat(source: str, direction: str | None) -> FileError:
    if direction is None:
        return FileError(
            f"{source} has no flat side to stand on.",
            "Cut it level in a mesh editor, or name the side with --underside.",
        )
    return FileError(
        f"{source} has no flat side that looks towards {direction}.",
        "Name another one, or leave --underside out: the largest flat side is taken.",
    )


def _preferred(sides: list[Underside]) -> Underside:
    largest = max(side.outline_mm2 for side in sides)
    about = [side for side in sides if side.outline_mm2 >= _PREFERRED * largest]
    for way in ("-z", "-y"):
        for side in about:
            if side.normal @ DIRECTIONS[way] > _ASLANT:
                return side
    return max(sides, key=lambda side: side.outline_mm2)


def _normals(vertices: Floats, faces: Ints) -> tuple[Floats, Floats]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    (px, py, pz), (qx, qy, qz) = (b - a).T, (c - a).T
    normals = np.column_stack([py * qz - pz * qy, pz * qx - px * qz, px * qy - py * qx])
    twice = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    normals /= np.where(twice == 0, 1.0, twice)[:, None]
    return normals, twice / 2


def _candidates(normals: Floats, areas: Floats) -> Floats:
    """Mean normals of the directions that have most area, (k, 3)."""
    side = 2 * _BINS + 1
    cell = np.rint(normals * _BINS).astype(np.int64) + _BINS
    bins = (cell[:, 0] * side + cell[:, 1]) * side + cell[:, 2]
    area = np.bincount(bins, areas, side**3)
    best = np.argsort(area)[::-1][:_MOST_CANDIDATES]
    best = best[area[best] > 0]
    sums = np.column_stack([np.bincount(bins, areas * n, side**3) for n in normals.T])
    means = sums[best]
    size = np.linalg.norm(means, axis=1)
    return np.asarray(means[size > 0] / size[size > 0, None])


def _side(
    vertices: Floats, faces: Ints, normals: Floats, way: Floats
) -> Underside | None:
    """Measure the flat side that looks one way, if there is one."""
    points = _flat_points(vertices, faces, normals, way)
    if len(points) < 3:
        return None
    own, _ = _plane(vertices[points], way)
    if own @ way < 1 - 1e-9:
        points = _flat_points(vertices, faces, normals, own)
        if len(points) < 3:
            return None
    way, flatness = _plane(vertices[points], own)
    level = vertices[points] @ _across(way).T
    return Underside(way, points, _hull_mm2(level), flatness)


def _flat_points(vertices: Floats, faces: Ints, normals: Floats, way: Floats) -> Ints:
    """Points of the triangles that lie farthest out one way, and look that way."""
    reach = vertices @ way
    near = reach > reach.max() - _UNEVEN_MM
    if np.count_nonzero(near) < 3:
        return np.zeros(0, np.int64)
    some = np.flatnonzero(near[faces[:, 0]])
    some = some[near[faces[some, 1]] & near[faces[some, 2]]]
    return np.unique(faces[some[normals[some] @ way > _ASLANT]])


def _plane(points: Floats, way: Floats) -> tuple[Floats, float]:
    """Fit a least-squares plane (ISO 12781-1): normal, peak-to-valley about it."""
    from_middle = points - points.mean(axis=0)
    *_, axes = np.linalg.svd(from_middle, full_matrices=False)
    normal = axes[-1] * np.sign(axes[-1] @ way)
    if normal @ way < _ASLANT:  # a line of points: no plane of its own
        normal = way
    axis = np.eye(3)[np.argmax(np.abs(normal))] * np.sign(
        normal[np.abs(normal).argmax()]
    )
    if normal @ axis > math.cos(math.radians(_SNAP_DEG)):
        along = from_middle @ axis
        if np.ptp(along) <= np.ptp(from_middle @ normal) + _SNAP_MM:
            normal = axis
    return normal, float(np.ptp(from_middle @ normal))


def _across(normal: Floats) -> Floats:
    """Two directions (2, 3) in the plane, right-handed with the normal upwards."""
    return turn_down(normal)[:2]


def _level(vertices: Floats, side: Underside) -> Floats:
    return np.asarray(vertices @ _across(side.normal).T)


def _hull_mm2(points: Floats) -> float:
    from scipy.spatial import ConvexHull, QhullError

    try:
        return float(ConvexHull(points).volume)
    except QhullError:  # a line
        return 0.0


def turn_down(normal: Floats) -> Floats:
    """Rotation (3, 3) that takes a direction to -z by the least turn; +z about x."""
    if normal[2] > 1 - 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    x, y, z = normal
    cross = np.array([[0.0, 0.0, x], [0.0, 0.0, y], [-x, -y, 0.0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1 - z))


def set_down(vertices_mm: Floats, side: Underside) -> Floats:
    """Points in the base's frame: underside in z = 0, its box centred on x = y = 0.

    An underside that is flat to a micrometre is made wholly so: what a file's single
    precision left is taken off.
    """
    turned = vertices_mm @ turn_down(side.normal).T
    if side.normal[2] == -1.0:
        turned = vertices_mm.copy()
    bottom = turned[side.points]
    turned -= [*(bottom[:, :2].min(axis=0) + bottom[:, :2].max(axis=0)) / 2, 0.0]
    if side.flatness_mm <= _SNAP_MM:
        turned[:, 2] -= bottom[:, 2].mean()
        turned[side.points, 2] = 0.0
        turned[:, 2] = turned[:, 2].clip(0.0)
    else:
        turned[:, 2] -= turned[:, 2].min()
    return turned
