"""Which triangles of a mesh meet where: points made one, edges counted, shells told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)  # Fibonacci hashing (Knuth, vol. 3, 6.4)


@dataclass(frozen=True, slots=True)
class Edges:
    """Edges of a mesh, in the order of its triangles' sides.

    ``face`` (3 m) and ``forward`` (3 m) of each side, sorted so that the sides of one
    edge follow each other; ``start`` of each edge among them and ``uses`` by triangles;
    ``ends`` (e, 2) lower point first.
    """

    face: Ints
    forward: NDArray[np.bool_]
    start: Ints
    uses: Ints
    ends: Ints

    @property
    def open(self) -> NDArray[np.bool_]:
        """Edges of one triangle alone."""
        return np.asarray(self.uses == 1)

    @property
    def pairs(self) -> Ints:
        """First sides of the edges that two triangles share."""
        return np.asarray(self.start[self.uses == 2])

    @property
    def sound(self) -> bool:
        """Two triangles at each edge, one each way."""
        return bool(
            (self.uses == 2).all() and (self.forward[::2] != self.forward[1::2]).all()
        )


def _in_order(keys: Ints, most: int) -> tuple[Ints, Ints]:
    """Sort numbers from 0 to below ``most``; also where each was, equal ones in turn.

    A number and its place are sorted as one where 63 bits hold both: a tenth of the
    time of sorting places by their numbers.
    """
    bits = len(keys).bit_length()
    if most > 1 << (63 - bits):
        order = np.argsort(keys, kind="stable")
        return keys[order], order
    both = keys << bits
    both |= np.arange(len(keys))
    both.sort()
    return both >> bits, both & ((1 << bits) - 1)


def _begins(keys: Ints) -> NDArray[np.bool_]:
    """Which of some sorted numbers are the first of their kind."""
    new = np.empty(len(keys), bool)
    new[:1] = True
    np.not_equal(keys[1:], keys[:-1], out=new[1:])
    return new


def edges_of(faces: Ints, points: int) -> Edges:
    """Sort the sides of triangles (m, 3) into edges."""
    a = faces.ravel()
    b = faces[:, [1, 2, 0]].ravel()
    key = np.minimum(a, b) * points + np.maximum(a, b)
    key, order = _in_order(key, points * points)
    start = np.flatnonzero(_begins(key))
    lower, upper = np.divmod(key[start], points)
    return Edges(
        face=order // 3,
        forward=(a < b)[order],
        start=start,
        uses=np.diff(np.append(start, len(key))),
        ends=np.column_stack([lower, upper]),
    )


def is_one_shell(faces: Ints, points: int) -> bool:
    """Whether every edge has a triangle on each side, and all hang together there.

    The quick answer for a sound mesh.
    """
    a = faces.ravel()
    b = faces[:, [1, 2, 0]].ravel()
    up = a < b
    there, one = _in_order((a * points + b)[up], points * points)
    back, two = _in_order((b * points + a)[~up], points * points)
    if not np.array_equal(there, back) or not _begins(there).all():
        return False
    one, two = np.flatnonzero(up)[one] // 3, np.flatnonzero(~up)[two] // 3
    return _groups(one, two, len(faces))[0] == 1


def _groups(one: Ints, two: Ints, count: int) -> tuple[int, Ints]:
    """Join things pair by pair: how many groups are left, and the group of each."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    joined = coo_array((np.ones(len(one), np.int8), (one, two)), shape=(count, count))
    groups, group = connected_components(joined, directed=False)
    return int(groups), group.astype(np.int64)


def weld(vertices: NDArray[np.floating], faces: Ints) -> tuple[Floats, Ints]:
    """Make points with the very same coordinates one; drop those no triangle uses."""
    exact = np.ascontiguousarray(vertices) + vertices.dtype.type(0)  # no minus zero
    first, place = same_rows(exact)
    faces = place[faces]
    used = np.zeros(len(first), bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return exact[first[used]].astype(np.float64), number[faces]


def same_rows(rows: NDArray[np.floating]) -> tuple[Ints, Ints]:
    """First of each set of equal rows, in their order, and the set of each row."""
    key = np.zeros(len(rows), np.uint64)
    for column in rows.view(np.uint32 if rows.itemsize == 4 else np.uint64).T:
        key ^= column
        key *= _GOLDEN
        key ^= key >> np.uint64(29)
    bits = len(rows).bit_length()
    short = (key >> np.uint64(bits + 1)).astype(np.int64)
    short, order = _in_order(short, 1 << (63 - bits))
    new = _begins(short)
    leads = np.empty(len(rows), np.int64)  # the first row with the same key
    leads[order] = order[new][np.cumsum(new) - 1]
    other = (rows[leads] != rows).any(axis=1)  # another row with the same key
    if other.any():
        alone = np.flatnonzero(other)
        _, first, place = np.unique(
            rows[alone], axis=0, return_index=True, return_inverse=True
        )
        leads[alone] = alone[first][place.ravel()]
    is_first = leads == np.arange(len(rows))
    return np.flatnonzero(is_first), (np.cumsum(is_first) - 1)[leads]


def weld_close(
    vertices: Floats, faces: Ints, loose: Ints, within_mm: float
) -> tuple[Floats, Ints]:
    """Make points one that lie within a distance of each other, of ``loose`` ones."""
    from scipy.spatial import cKDTree

    pairs = cKDTree(vertices[loose]).query_pairs(within_mm, output_type="ndarray")
    _, group = _groups(pairs[:, 0], pairs[:, 1], len(loose))
    _, first = np.unique(group, return_index=True)
    target = np.arange(len(vertices))
    target[loose] = loose[first[group]]
    return vertices, target[faces]


def drop_flat(faces: Ints) -> tuple[Ints, int, Ints]:
    """Leave out triangles two of whose corners are one point.

    Returns the rest, how many went, and where one of them is (a point, or empty).
    """
    a, b, c = faces.T
    flat = (a == b) | (b == c) | (c == a)
    if not flat.any():
        return faces, 0, faces[:0, 0]
    return faces[~flat], int(flat.sum()), faces[flat][:1, 0]


def drop_doubles(faces: Ints) -> tuple[Ints, int, Ints]:
    """Leave out triangles that are there twice; both where they face each other."""
    a, b, c = faces.T
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    middle = a + b + c - low - high
    key = (low * (high.max() + 1) + middle).astype(np.uint64)
    key = key * _GOLDEN + high.astype(np.uint64)
    key.sort()
    if (key[1:] != key[:-1]).all():
        return faces, 0, faces[:0, 0]
    return _without_doubles(faces, np.column_stack([low, middle, high]))


def _without_doubles(faces: Ints, low: Ints) -> tuple[Ints, int, Ints]:
    _, first, group = np.unique(low, axis=0, return_index=True, return_inverse=True)
    group = group.ravel()
    lowest = faces.argmin(axis=1)[:, None]
    _, second, third = np.take_along_axis(faces, (lowest + np.arange(3)) % 3, axis=1).T
    ahead = second < third
    turns = np.bincount(group, np.where(ahead, 1, -1), len(first)).astype(np.int64)
    keep = np.zeros(len(faces), bool)
    for way in (1, -1):
        members = np.flatnonzero((ahead == (way > 0)) & (turns[group] * way > 0))
        _, at = np.unique(group[members], return_index=True)
        keep[members[at]] = True
    return faces[keep], int((~keep).sum()), faces[~keep][:1, 0]


def shells(edges: Edges, faces: int) -> tuple[int, Ints]:
    """Count the shells, and tell the shell of each face; joined at edges of two."""
    return _groups(edges.face[edges.pairs], edges.face[edges.pairs + 1], faces)


def turned(faces: Ints, edges: Edges) -> tuple[Ints, NDArray[np.bool_]] | None:
    """Turn triangles so that neighbours go round the same way, or None: impossible.

    Each triangle stands twice in a graph, as it is and turned; neighbours that agree
    join like with like, others crosswise.  A surface with two sides falls into pairs
    of mirrored halves.

    Returns
    -------
    faces, flipped
        ``flipped`` (m,): the smaller half of each shell.
    """
    m = len(faces)
    one, two = edges.face[edges.pairs], edges.face[edges.pairs + 1]
    agree = edges.forward[edges.pairs] != edges.forward[edges.pairs + 1]
    shift = np.where(agree, 0, m)
    rows = np.concatenate([one, one + m])
    columns = np.concatenate([two + shift, two + m - shift])
    _, half = _groups(rows, columns, 2 * m)
    if (half[:m] == half[m:]).any():
        return None
    as_is, mirrored = half[:m], half[m:]
    sizes = np.bincount(as_is, minlength=half.max() + 1)
    flip = sizes[as_is] < sizes[mirrored]
    tie = (sizes[as_is] == sizes[mirrored]) & (as_is > mirrored)
    flip |= tie
    faces = faces.copy()
    faces[flip] = faces[flip][:, ::-1]
    return faces, flip


def volumes_mm3(vertices: Floats, faces: Ints, shell: Ints, count: int) -> Floats:
    """Add up the signed volume of each shell: prisms between its faces and a level."""
    x, y, z = (vertices - vertices.mean(axis=0)).T
    a, b, c = faces.T
    across = (x[b] - x[a]) * (y[c] - y[a]) - (x[c] - x[a]) * (y[b] - y[a])
    return np.bincount(shell, across * (z[a] + z[b] + z[c]), count) / 6
