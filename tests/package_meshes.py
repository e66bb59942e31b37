"""Six meshes that a registry package carries, cut level so that they can be bases.

Parts of robots from gymnasium-robotics (MIT licence): scanned, drawn and simplified by
others.  The package is never imported; its files are read where it lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_reading import understand
from patterns.base_sections import solid
from patterns.solids import mesh_arrays
from tests.bases import Faces, Mesh, Points

if TYPE_CHECKING:
    from patterns.base import Base


@dataclass(frozen=True, slots=True)
class Part:
    """A file of the package, its unit in mm, and how much of its height is cut off."""

    file: str
    unit_mm: float
    cut: float


PARTS = {
    "gripper": Part("stls/fetch/gripper_link.stl", 1000, 0.35),
    "wheel": Part("stls/fetch/r_wheel_link_collision.stl", 1000, 0.5),
    "wrist": Part("stls/fetch/wrist_roll_link_collision.stl", 1000, 0.5),
    "link": Part("kitchen_franka/franka_assets/meshes/collision/link7.stl", 1000, 0.3),
    "shoulder": Part("kitchen_franka/franka_assets/meshes/visual/link1.stl", 600, 0.6),
    "thumb": Part("adroit_hand/resources/meshes/TH2_z.stl", 1, 0.3),
}
NAMES = tuple(PARTS)


def folder() -> Path:
    """Where the package's meshes are."""
    spec = find_spec("gymnasium_robotics")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "envs" / "assets"


@cache
def mesh(name: str) -> tuple[Points, Faces]:
    """Vertices (n, 3) in mm and faces (m, 3): the largest piece above the cut."""
    import trimesh

    part = PARTS[name]
    drawn = trimesh.load_mesh(folder() / part.file)
    body = solid(Mesh(np.asarray(drawn.vertices) * part.unit_mm, drawn.faces))
    _, _, low, _, _, high = body.bounding_box()
    above = body.trim_by_plane((0.0, 0.0, 1.0), low + part.cut * (high - low))
    return mesh_arrays(max(above.decompose(), key=lambda piece: piece.volume()))


@cache
def ready(name: str) -> Base:
    """It as the program reads it."""
    return understand(*mesh(name), name=name)
