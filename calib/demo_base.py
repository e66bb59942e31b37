"""The demo's invented base: an oval with cobbles on top and a recess for a magnet.

Everything here is invented data; reading, comparing and writing are the real command's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from manifold3d import Manifold, Mesh64
from numpy.typing import NDArray

from patterns.export import stl_bytes, write_new
from patterns.solids import mesh_arrays

if TYPE_CHECKING:
    from pathlib import Path

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LENGTH_MM, WIDTH_MM, HEIGHT_MM = 35.0, 25.0, 4.0
SHRUNK = 0.95  # the top, against the underside
RECESS_MM = (5.2, 1.6)  # diameter and depth
SIDES, RINGS = 120, 30
_COBBLES = 46
_COBBLE_MM = 0.7
_SEED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mesh:
    vertices_mm: Floats
    faces: Ints


def write_base(path: Path) -> None:
    """Write the base as STL.

    Parameters
    ----------
    path : Path
        A file that isn't there yet.
    """
    vertices, faces = _oval()
    body = Manifold(Mesh64(vertices, faces.astype(np.uint64)))
    across, deep = RECESS_MM
    magnet = Manifold.cylinder(2 * deep, across / 2, circular_segments=96)
    vertices, faces = mesh_arrays(body - magnet.translate((0.0, 0.0, -deep)))
    write_new(path, stl_bytes(_Mesh(vertices_mm=vertices, faces=faces)))


def _oval() -> tuple[Floats, Ints]:
    """Make a closed mesh: underside, leaning wall, rings to the middle of the top."""
    turn = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    rim = np.column_stack([LENGTH_MM / 2 * np.cos(turn), WIDTH_MM / 2 * np.sin(turn)])
    share = np.linspace(1.0, 0.0, RINGS, endpoint=False)
    plan = SHRUNK * share[:, None, None] * rim
    top = np.concatenate([plan, _height(plan)[..., None]], axis=2)
    floor = np.column_stack([rim, np.zeros(SIDES)])
    middle = np.array([(0.0, 0.0, 0.0), (0.0, 0.0, float(_height(np.zeros(2))))])
    vertices = np.vstack([floor, top.reshape(-1, 3), middle])
    here = np.arange(SIDES)
    after = np.roll(here, -1)
    last = SIDES * RINGS
    low, high = len(vertices) - 2, len(vertices) - 1
    faces = [np.column_stack([after, here, np.full(SIDES, low)])]
    for below in range(0, last, SIDES):
        above = below + SIDES
        faces.append(np.column_stack([below + here, below + after, above + after]))
        faces.append(np.column_stack([below + here, above + after, above + here]))
    faces.append(np.column_stack([last + here, last + after, np.full(SIDES, high)]))
    return vertices, np.vstack(faces).astype(np.int64)


def _height(plan_mm: Floats) -> Floats:
    """Height of the top over places (..., 2): cobbles, none at its edge."""
    rng = np.random.default_rng(_SEED)
    radius, turn = np.sqrt(rng.uniform(0, 0.8, _COBBLES)), rng.uniform(0, 7, _COBBLES)
    half = SHRUNK * np.array([LENGTH_MM, WIDTH_MM]) / 2
    places = half * np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    far_mm = np.linalg.norm(plan_mm[..., None, :] - places, axis=-1).min(axis=-1)
    cobble = np.sqrt(np.maximum(1.0 - (far_mm / 2.4) ** 2, 0.0))
    edge = np.linalg.norm(plan_mm / half, axis=-1)
    height: Floats = HEIGHT_MM + _COBBLE_MM * cobble * np.minimum(1, 5 * (1 - edge))
    return height
