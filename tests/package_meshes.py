"""Six meshes that a registry package carries.

Parts of robots from airo-models (MIT licence), drawn by others and most of them printed
by them.  The package is never imported; its files are read where it lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_reading import understand

if TYPE_CHECKING:
    from patterns.base import Base
    from tests.bases import Faces, Points

_TURNS = {"-z": (0, 1, 2), "-y": (2, 0, 1)}
"""Which coordinates become x, y, z."""


@dataclass(frozen=True, slots=True)
class Part:
    """A file of the package, its unit in mm, and where its underside looks in it."""

    file: str
    unit_mm: float
    underside: str


PARTS = {
    "coupling": Part(
        "grippers/robotiq_2f_85/meshes/visual/robotiq_gripper_coupling.stl", 1, "-z"
    ),
    "backing": Part("grippers/fingertips/originals/backing.stl", 1, "-z"),
    "adapter": Part("grippers/fingertips/originals/robotiq_adapter.stl", 1, "-y"),
    "wrist": Part("arms/ur3e/collision/wrist3.obj", 1000, "-y"),
    "foot": Part("arms/ur3e/collision/base.obj", 1000, "-z"),
    "lid": Part("mobile_platforms/kelo_robile/meshes/lid.obj", 600, "-z"),
}
NAMES = tuple(PARTS)


def folder() -> Path:
    """Where the package's meshes are."""
    spec = find_spec("airo_models")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent


@cache
def mesh(name: str) -> tuple[Points, Faces]:
    """Vertices (n, 3) in mm, the underside looking to -z, and faces (m, 3)."""
    import trimesh

    part = PARTS[name]
    drawn = trimesh.load_mesh(folder() / part.file)
    vertices = np.asarray(drawn.vertices)[:, _TURNS[part.underside]]
    return vertices * part.unit_mm, np.asarray(drawn.faces, np.int64)


@cache
def ready(name: str) -> Base:
    """It as the program reads it."""
    return understand(*mesh(name), name=name)
