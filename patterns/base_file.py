"""Files of bases: what is in them, before anything is made of it.

A header's counts, a package's sizes and the numbers already seen are checked before
memory is spent on what follows.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import numpy as np

from patterns.base_raw import (
    MOST_TRIANGLES,
    RawMesh,
    Told,
    damaged,
    too_many,
)
from patterns.errors import FileError

if TYPE_CHECKING:
    from pathlib import Path

_STL_HEADER = 84
_LIKELY = 1000  # times the triangles there: a count of more is no count
_STL_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("x", "<u2")])


def load(path: Path, told: Told) -> tuple[RawMesh, ...]:
    """Read a file's meshes as they are: STL (binary, ASCII) and OBJ one, 3MF several.

    Raises
    ------
    FileError
        No such file, not a mesh, cut off, damaged, empty or too large.
    """
    kind = path.suffix.lower()
    if kind not in {".stl", ".obj", ".3mf"}:
        raise FileError(
            f"{path} is no STL, 3MF or OBJ file.", "Export the base as one."
        )
    try:
        if path.stat().st_size == 0:
            raise FileError(f"{path.name} is empty.", "Export it again.")
        meshes = _load(path, kind, told)
    except OSError as err:
        raise FileError(f"{path} can't be read ({err.strerror or err}).") from err
    for mesh in meshes:
        _check_numbers(path, mesh)
    return meshes


def _load(path: Path, kind: str, told: Told) -> tuple[RawMesh, ...]:
    if kind == ".stl":
        return (_load_stl(path, told),)
    if kind == ".obj":
        from patterns.base_text import load_obj

        return (load_obj(path, told),)
    from patterns.base_package import load_3mf

    return load_3mf(path, told)


def _check_numbers(path: Path, mesh: RawMesh) -> None:
    if not len(mesh.faces):
        raise FileError(f"{path.name} holds no triangles.", "Export the base again.")
    if mesh.faces.min() < 0 or mesh.faces.max() >= len(mesh.vertices):
        raise damaged(path, "a triangle names a point that isn't there")
    bad = np.count_nonzero(~np.isfinite(mesh.vertices).all(axis=1))
    if bad:
        raise damaged(path, f"{bad} of its points are not numbers")


def _load_stl(path: Path, told: Told) -> RawMesh:
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(_STL_HEADER)
    count = struct.unpack("<I", head[80:])[0] if len(head) == _STL_HEADER else -1
    if size != _STL_HEADER + _STL_FACET.itemsize * count:
        if head.lstrip()[:5].lower() == b"solid":
            from patterns.base_text import load_ascii_stl

            return load_ascii_stl(path, told)
        raise _no_binary(path, size, count)
    if count > MOST_TRIANGLES:
        raise too_many(path, count)
    told("reading", 0.0)
    facets = np.fromfile(path, _STL_FACET, offset=_STL_HEADER)
    corners = np.ascontiguousarray(facets["corners"]).reshape(-1, 3)
    return RawMesh.soup(path.stem, corners)


def _no_binary(path: Path, size: int, count: int) -> FileError:
    held = max(0, size - _STL_HEADER) // _STL_FACET.itemsize
    if 0 < held < count <= _LIKELY * held:
        return damaged(path, f"it is cut off: {held} of {count} triangles are there")
    return damaged(path, "it is not a mesh")
