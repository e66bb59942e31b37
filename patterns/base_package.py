"""Meshes in a 3MF package: objects, their parts, and where the build puts them."""

from __future__ import annotations

import zipfile
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from patterns.base_raw import (
    MOST_TRIANGLES,
    RawMesh,
    Told,
    Unit,
    damaged,
    too_many,
    whole,
)
from patterns.base_rows import AXES, CORNERS, Sieve
from patterns.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import IO

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02 "
_PART = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06 path"
_UNITS: dict[str, Unit] = {
    "micron": "um",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "inch",
    "foot": "ft",
    "meter": "m",
}
_MOST_BYTES = 800_000_000
_MOST_RATIO = 200
_MOST_MEMBERS = 10_000
_MOST_DEPTH = 32
_MOST_ITEMS = 200
_BLOCK = 1 << 20
_LONGEST_TOKEN = 1 << 24

Key = tuple[str, str]
Matrix = NDArray[np.float64]


@dataclass(slots=True)
class _Object:
    """An object of the package: a mesh, or parts that stand in their places."""

    name: str
    vertices: list[NDArray[np.float64]] = field(default_factory=list)
    faces: list[NDArray[np.int64]] = field(default_factory=list)
    parts: list[tuple[Key, Matrix]] = field(default_factory=list)


def load_3mf(path: Path, told: Told) -> tuple[RawMesh, ...]:
    """Read a package: a mesh for each item of its build, placed, in its own unit.

    Core specification 1.3, and parts in other files of the package (production
    extension).  Support objects and other extensions are left out.

    Raises
    ------
    FileError
        No package, damaged, too large, or written to fill the memory.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _Package(path, archive, told).meshes()
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as err:
        raise damaged(path, "it is no 3MF package, or cut off") from err
    except (RuntimeError, KeyError) as err:  # encrypted; a part that isn't there
        raise damaged(path, "a part of the package can't be read") from err


class _Package:
    """What has been read of a package so far."""

    def __init__(self, path: Path, archive: zipfile.ZipFile, told: Told) -> None:
        self.path, self.archive, self.told = path, archive, told
        self.objects: dict[Key, _Object] = {}
        self.models: set[str] = set()
        self.triangles = 0
        _check_sizes(path, archive)

    def meshes(self) -> tuple[RawMesh, ...]:
        """One mesh for each item of the build."""
        main = self._main()
        model = self._read(main)
        if not model.items:
            raise damaged(self.path, "its build holds nothing")
        if len(model.items) > _MOST_ITEMS:
            raise damaged(self.path, f"its build holds {len(model.items)} items")
        return tuple(self._placed(key, pose, model.unit) for key, pose in model.items)

    def _main(self) -> str:
        names = [n for n in self.archive.namelist() if n.lower().endswith(".model")]
        if not names:
            raise damaged(self.path, "it is no 3MF package: there is no model in it")
        return min(names, key=lambda name: (name.lower() != "3d/3dmodel.model", name))

    def _read(self, name: str) -> _Model:
        self.models.add(name)
        model = _Model(self, name)
        with self.archive.open(name) as stream:
            model.parse(stream, self.archive.getinfo(name).file_size)
        return model

    def add_triangles(self, count: int) -> None:
        """Count triangles as they come."""
        self.triangles += count
        if self.triangles > MOST_TRIANGLES:
            raise too_many(self.path)

    def _placed(self, key: Key, pose: Matrix, unit: Unit) -> RawMesh:
        vertices: list[NDArray[np.float64]] = []
        faces: list[NDArray[np.int64]] = []
        self._collect(key, pose, (vertices, faces), 0)
        name = self.objects[key].name or self.path.stem
        return RawMesh(name, np.concatenate(vertices), np.concatenate(faces), unit)

    def _collect(
        self,
        key: Key,
        pose: Matrix,
        into: tuple[list[NDArray[np.float64]], list[NDArray[np.int64]]],
        depth: int,
    ) -> None:
        if key[0] not in self.models:
            self._read(key[0])
        if key not in self.objects or depth > _MOST_DEPTH:
            raise damaged(self.path, f"object {key[1]} isn't there, or holds itself")
        shape = self.objects[key]
        vertices, faces = into
        if shape.vertices and shape.faces:
            first = sum(map(len, vertices))
            vertices.append(np.concatenate(shape.vertices) @ pose[:3] + pose[3])
            mesh = np.concatenate(shape.faces) + first
            if np.linalg.det(pose[:3]) < 0:  # mirrored
                mesh = mesh[:, ::-1]
            faces.append(mesh)
            if sum(map(len, faces)) > MOST_TRIANGLES:
                raise too_many(self.path)
        for part, place in shape.parts:
            self._collect(part, _after(place, pose), into, depth + 1)
        if not depth and not faces:
            raise damaged(self.path, f"object {key[1]} is empty")


def _check_sizes(path: Path, archive: zipfile.ZipFile) -> None:
    """Check what the package says it unpacks to, before it does."""
    members = archive.infolist()
    whole = sum(member.file_size for member in members)
    steep = any(
        member.file_size > _BLOCK
        and member.file_size > _MOST_RATIO * max(1, member.compress_size)
        for member in members
    )
    if len(members) > _MOST_MEMBERS or whole > _MOST_BYTES or steep:
        raise FileError(
            f"{path.name} would unpack to {whole / 1e6:,.0f} MB in {len(members)} "
            "parts: too much for a base.",
            "Export the base again, with at most "
            f"{MOST_TRIANGLES:,} triangles and without attachments.",
        )


class _Model:
    """One model part of a package, as its tags go by."""

    def __init__(self, package: _Package, part: str) -> None:
        self.package, self.part = package, part
        self.unit: Unit = "mm"
        self.items: list[tuple[Key, Matrix]] = []
        self._object: _Object | None = None
        self._points: list[str] = []
        self._corners: list[str] = []
        self._depth = 0
        self._at: dict[str, Callable[[dict[str, str]], None]] = {
            _CORE + "model": self._on_model,
            _CORE + "object": self._on_object,
            _CORE + "component": self._on_component,
            _CORE + "item": self._on_item,
        }

    def parse(self, stream: IO[bytes], size: int) -> None:
        """Read the tags; document types, and so entities, are not allowed."""
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.ordered_attributes = True
        parser.StartElementHandler = self._starts
        parser.EndElementHandler = self._ends
        parser.StartDoctypeDeclHandler = self._refuse_doctype
        if hasattr(parser, "SetReparseDeferralEnabled"):
            parser.SetReparseDeferralEnabled(False)  # noqa: FBT003  # tags at once
        rows = Sieve(self._rows)
        done = 0
        try:
            while block := stream.read(_BLOCK):
                done += len(block)
                if (
                    done > size
                    or rows.passed - parser.CurrentByteIndex > _LONGEST_TOKEN
                ):
                    raise damaged(self.package.path, "its model is no mesh")
                self.package.told("reading", done / size)
                for text in rows.sift(block):
                    parser.Parse(text, False)  # noqa: FBT003  # no keywords in C
            parser.Parse(rows.rest(), True)  # noqa: FBT003
        except (expat.ExpatError, ValueError) as err:
            raise damaged(
                self.package.path, f"its model can't be read ({err})"
            ) from err

    def _refuse_doctype(self, *_: object) -> None:
        raise damaged(
            self.package.path, "its model defines entities, which 3MF forbids"
        )

    def _starts(self, tag: str, attributes: list[str]) -> None:
        self._depth += 1
        if tag == _VERTEX:
            if attributes[::2] != _IN_ORDER:
                attributes = _ordered(attributes, AXES)
            self._points += attributes
        elif tag == _TRIANGLE:
            if len(attributes) != 6 or attributes[::2] != _CORNERS_IN_ORDER:
                attributes = _ordered(attributes, CORNERS)
            self._corners += attributes
            if len(self._corners) > _FLUSH:
                self._flush()
        elif tag in self._at:
            self._at[tag](dict(zip(attributes[::2], attributes[1::2], strict=True)))
        if self._depth > _MOST_DEPTH:
            raise damaged(self.package.path, "its model is nested without end")
        if len(self._points) > _FLUSH:
            self._flush()

    def _ends(self, tag: str) -> None:
        self._depth -= 1
        if tag == _CORE + "object":
            self._flush()
            self._object = None

    def _flush(self) -> None:
        shape = self._object or _Object("")
        if self._points:
            numbers = np.fromiter(map(float, self._points[1::2]), np.float64)
            shape.vertices.append(numbers.reshape(-1, 3))
        if self._corners:
            index = whole(np.fromiter(map(float, self._corners[1::2]), np.float64))
            shape.faces.append(index.reshape(-1, 3))
            self.package.add_triangles(len(shape.faces[-1]))
        self._points, self._corners = [], []

    def _rows(self, names: tuple[str, ...], numbers: NDArray[np.float64]) -> None:
        """Take rows that were read without the parser."""
        self._flush()
        shape = self._object or _Object("")
        if names == AXES:
            shape.vertices.append(numbers)
        else:
            shape.faces.append(whole(numbers))
            self.package.add_triangles(len(numbers))

    def _on_model(self, attributes: dict[str, str]) -> None:
        unit = attributes.get("unit", "millimeter")
        if unit not in _UNITS:
            raise damaged(self.package.path, f"its unit, {unit[:20]!r}, is unknown")
        self.unit = _UNITS[unit]

    def _on_object(self, attributes: dict[str, str]) -> None:
        self._object = _Object(attributes.get("name", ""))
        key = self.part, attributes.get("id", "")
        self.package.objects[key] = self._object

    def _on_component(self, attributes: dict[str, str]) -> None:
        if self._object is not None:
            self._object.parts.append(self._placement(attributes))

    def _on_item(self, attributes: dict[str, str]) -> None:
        self.items.append(self._placement(attributes))

    def _placement(self, attributes: dict[str, str]) -> tuple[Key, Matrix]:
        part = attributes.get(_PART, self.part).lstrip("/")
        numbers = attributes.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split()
        pose = np.array([float(number) for number in numbers]).reshape(4, 3)
        if not np.isfinite(pose).all() or abs(np.linalg.det(pose[:3])) < 1e-12:
            raise damaged(self.package.path, "an object's place is not a number")
        return (part, attributes.get("objectid", "")), pose


def _ordered(attributes: list[str], names: tuple[str, ...]) -> list[str]:
    """Three attributes in order, whatever else is there."""
    given = dict(zip(attributes[::2], attributes[1::2], strict=True))
    if any(name not in given for name in names):
        msg = f"{names[0]}, {names[1]} or {names[2]} is missing"
        raise ValueError(msg)
    return [text for name in names for text in (name, given[name])]


def _after(first: Matrix, then: Matrix) -> Matrix:
    """Pose of a part in a whole that has its own pose (row vectors)."""
    turn = first[:3] @ then[:3]
    return np.vstack([turn, first[3] @ then[:3] + then[3]])


_VERTEX, _TRIANGLE = _CORE + "vertex", _CORE + "triangle"
_IN_ORDER, _CORNERS_IN_ORDER = list(AXES), list(CORNERS)
_FLUSH = 600_000
