"""A base's file, read, checked and understood."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from patterns.base import Base, Recess, Rim
from patterns.base_sections import polygons, sections, signed_area_mm2
from patterns.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


def read_base(
    path: Path,
    *,
    units: str | None = None,
    underside: str | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Base:
    import trimesh

    del units, underside, progress
    mesh = trimesh.load_mesh(path)
    if not mesh.is_watertight:
        raise FileError(f"{path.name} is open.", "Close it.")
    return understand(
        np.asarray(mesh.vertices),
        np.asarray(mesh.faces),
        name=path.stem,
        source=path.name,
    )


def understand(
    vertices_mm: NDArray[np.float64],
    faces: NDArray[np.int64],
    *,
    name: str,
    source: str = "",
) -> Base:
    import trimesh

    mesh = trimesh.Trimesh(vertices_mm, faces, process=False)
    low, high = mesh.bounds
    vertices = vertices_mm - [*(low + high)[:2] / 2, low[2]]
    placed = trimesh.Trimesh(vertices, faces, process=False)
    (cut,) = sections(_Mesh(vertices, faces), [1e-4])
    (outer,) = polygons(cut)
    ring = np.asarray(outer.exterior.coords)[:-1]
    recesses = tuple(
        Recess(
            ring=np.asarray(o.coords)[:-1],
            area_mm2=abs(signed_area_mm2(np.asarray(o.coords)[:-1])),
            depth_mm=math.inf,
            volume_mm3=0.0,
            vented=False,
            roof_span_mm=0.0,
        )
        for o in outer.interiors
    )
    return Base(
        name=name,
        source=source,
        vertices_mm=vertices,
        faces=faces,
        height_mm=float(np.ptp(vertices[:, 2])),
        volume_mm3=float(placed.volume),
        flatness_mm=0.0,
        rim=Rim(
            outline=ring,
            corners=(),
            runs=(),
            draft_deg=0.0,
            thinnest_wall_mm=math.inf,
            thinnest_at_mm=(0.0, 0.0),
        ),
        recesses=recesses,
        faults=(),
    )


class _Mesh:
    def __init__(self, vertices_mm, faces):
        self.vertices_mm, self.faces = vertices_mm, faces
