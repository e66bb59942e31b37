"""The files of a plate of bases: one STL, and one 3MF that names every base."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from patterns.base_edges import same_rows
from patterns.export import stl_bytes, threemf_bytes
from patterns.plane_cells import GRID_MM, on_grid

if TYPE_CHECKING:
    from collections.abc import Sequence

    from patterns.export import Mesh
    from patterns.nesting import Laid


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedBase:
    """A base where it lies on the plate, under the name it has there."""

    name: str
    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int64]


def place(mesh: Mesh, name: str, laid: Laid) -> PlacedBase:
    """Turn a base about its origin and move it to its place.

    All its points come on the grid that single precision can hold, each on one of its
    own, so that a file without shared points closes all the same.
    """
    turn = np.radians(laid.turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    if laid.turn_deg % 90.0 == 0.0:
        c, s = np.round(c), np.round(s)
    plan = mesh.vertices_mm[:, :2] @ np.array([(c, s), (-s, c)])
    plan += (laid.x_mm, laid.y_mm)
    vertices = on_grid(np.column_stack([plan, mesh.vertices_mm[:, 2]]))
    return PlacedBase(name=name, vertices_mm=_apart(vertices), faces=mesh.faces)


def _apart(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Move points (n, 3) of the grid off those they coincide with, a step at a time."""
    points_mm = points_mm + 0.0  # a zero has one sign
    while True:
        first, place = same_rows(points_mm)
        double = first[place] != np.arange(len(points_mm))
        if not double.any():
            return points_mm
        points_mm[double, 0] += GRID_MM


def plate_files(stem: str, placed: Sequence[PlacedBase]) -> dict[str, bytes]:
    """Make the files of one plate: name and content, in millimetres.

    Parameters
    ----------
    stem : str
        What the files are called.
    placed : sequence of PlacedBase
        Bases that don't touch, each under a name of its own.
    """
    named = {base.name: base for base in placed}
    if len(named) != len(placed):
        raise ValueError(f"two bases of one name on a plate: {sorted(named)}")
    return {
        f"{stem}.stl": stl_bytes(_together(placed)),
        f"{stem}.3mf": threemf_bytes(named),
    }


def _together(placed: Sequence[PlacedBase]) -> PlacedBase:
    counts = [len(base.vertices_mm) for base in placed]
    first = np.cumsum([0, *counts[:-1]])
    return PlacedBase(
        name="all",
        vertices_mm=np.vstack([base.vertices_mm for base in placed]),
        faces=np.vstack(
            [base.faces + k for base, k in zip(placed, first, strict=True)]
        ),
    )
