"""The only writer of files: mesh, manifest and sheet, whole or not at all."""

from __future__ import annotations

import io
import os
import tempfile
import time
import zipfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar
from xml.sax.saxutils import quoteattr

from patterns.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from patterns import Coupon

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<Types xmlns="http://schemas.'
    'openxmlformats.org/package/2006/content-types"><Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.'
    '3dmanufacturing-3dmodel+xml"/></Types>\n'
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<Relationships xmlns="http://schemas.'
    'openxmlformats.org/package/2006/relationships"><Relationship Id="rel0" '
    'Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/'
    '2013/01/3dmodel"/></Relationships>\n'
)
_ROWS = 200_000
_HALF = (".rimgauge-", ".part")  # how names of half-written files begin and end
_KILLED_S = 3600.0
_FIRST_ZIP_DATE = (1980, 1, 1, 0, 0, 0)


_Number = TypeVar("_Number", "np.float64", "np.int64")


class Mesh(Protocol):
    """Anything with a closed surface."""

    @property
    def vertices_mm(self) -> NDArray[np.float64]:
        """Vertices (n, 3)."""

    @property
    def faces(self) -> NDArray[np.int64]:
        """Triangles (m, 3), counter-clockwise seen from outside."""


def write_new(path: Path, content: bytes) -> bool:
    """Write a file that is not there yet, whole or not at all.

    Returns
    -------
    bool
        False when the very same bytes were there already.

    Raises
    ------
    FileError
        Another file is there, or the folder can't be written.
    """
    if path.exists():
        if path.is_file() and path.read_bytes() == content:
            return False
        raise FileError(
            f"{path} is there already.", "Name another folder, or move it away."
        )
    replace(path, content)
    return True


def replace(path: Path, content: bytes) -> None:
    """Put a file in place in one step: a reader sees the old or the new one, whole.

    What a run that was killed left half-written is taken away an hour later: until
    then it may be another run's, still writing.

    Raises
    ------
    FileError
        The folder is missing or not writable, or the disk is full.
    """
    name = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _sweep(path.parent)
        with tempfile.NamedTemporaryFile(
            dir=path.parent, prefix=_HALF[0], suffix=_HALF[1], delete=False
        ) as part:
            name = part.name
            part.write(content)
            part.flush()
            os.fsync(part.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as err:
        raise FileError(
            f"{path} can't be written ({err.strerror or err}).",
            "Check the folder's rights and the room on the disk.",
        ) from err
    finally:
        if name is not None:
            with suppress(OSError):
                Path(name).unlink()


def _sweep(folder: Path) -> None:
    """Take away what killed runs left."""
    for left in folder.glob("*".join(_HALF)):
        with suppress(OSError):  # another run may take it away, too
            if time.time() - left.stat().st_mtime > _KILLED_S:
                left.unlink()


def stl_bytes(mesh: Mesh) -> bytes:
    """Binary STL in millimetres; as trimesh's, for a part of its memory."""
    import numpy as np
    from trimesh.triangles import normals

    row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    content = io.BytesIO()
    content.write(bytes(80) + np.uint32(len(mesh.faces)).astype("<u4").tobytes())
    for faces in _some(mesh.faces):
        corners = mesh.vertices_mm[faces]
        rows = np.zeros(len(faces), row)
        normal, valid = normals(corners)  # type: ignore[no-untyped-call]
        rows["normal"][valid] = normal
        rows["corners"] = corners
        content.write(rows.tobytes())
    return content.getvalue()


def threemf_bytes(objects: Mapping[str, Mesh]) -> bytes:
    """3MF package (core specification 1.3), unit millimetre, one object for each name.

    Written here since the package of trimesh 5.2 is turned away by lib3mf's strict
    reader and carries the hour.
    """
    package = io.BytesIO()
    with zipfile.ZipFile(package, "w") as archive:
        for name, text in (
            ("[Content_Types].xml", _TYPES.encode()),
            ("_rels/.rels", _RELATIONS.encode()),
            ("3D/3dmodel.model", b"".join(_model_xml(objects))),
        ):
            entry = zipfile.ZipInfo(name, _FIRST_ZIP_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, text, compresslevel=2)
    return package.getvalue()


def _model_xml(objects: Mapping[str, Mesh]) -> Iterator[bytes]:
    yield (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<model xmlns="{_CORE}" '
        'unit="millimeter" xml:lang="en-US"><resources>'
    ).encode()
    for number, (name, mesh) in enumerate(objects.items(), start=1):
        yield f'<object id="{number}" type="model" name={quoteattr(name)}>'.encode()
        yield from _mesh_xml(mesh)
        yield b"</object>"
    items = "".join(f'<item objectid="{i}"/>' for i in range(1, len(objects) + 1))
    yield f"</resources><build>{items}</build></model>\n".encode()


def _mesh_xml(mesh: Mesh) -> Iterator[bytes]:
    # one format for many rows at once: a third of the time of a row at a time
    row = '<vertex x="%.8g" y="%.8g" z="%.8g"/>'
    face = '<triangle v1="%d" v2="%d" v3="%d"/>'
    yield b"<mesh><vertices>"
    for some in _some(mesh.vertices_mm):
        yield (row * len(some) % tuple(some.ravel().tolist())).encode()
    yield b"</vertices><triangles>"
    for few in _some(mesh.faces):
        yield (face * len(few) % tuple(few.ravel().tolist())).encode()
    yield b"</triangles></mesh>"


def _some(rows: NDArray[_Number]) -> Iterator[NDArray[_Number]]:
    """Rows of an array, many at a time: what bounds the memory."""
    for first in range(0, len(rows), _ROWS):
        yield rows[first : first + _ROWS]


def write_coupon(coupon: Coupon, folder: Path) -> tuple[Path, ...]:
    """Write STL, 3MF, manifest and both sheets; all are made before any is written.

    Parameters
    ----------
    coupon : Coupon
    folder : Path
        Made if missing.

    Returns
    -------
    tuple of Path
        The files: STL, 3MF, manifest, A4 sheet, Letter sheet.

    Raises
    ------
    FileError
        A different file of that name is there, or the folder can't be written.
    """
    from patterns.sheet import sheet_pdf

    stem = coupon.manifest.coupon_id
    contents = {
        folder / f"{stem}.stl": stl_bytes(coupon),
        folder / f"{stem}.3mf": threemf_bytes({stem: coupon}),
        folder / f"{stem}.json": coupon.manifest.to_json().encode(),
        folder / f"{stem}-sheet-a4.pdf": sheet_pdf(coupon.manifest, "a4"),
        folder / f"{stem}-sheet-letter.pdf": sheet_pdf(coupon.manifest, "letter"),
    }
    return write_all(contents)


def write_all(contents: Mapping[Path, bytes]) -> tuple[Path, ...]:
    """Write files that are not there yet, all of them or none.

    Returns
    -------
    tuple of Path
        All of them, also those that were there with the very same bytes.

    Raises
    ------
    FileError
        A different file of that name is there, or the folder can't be written.
    """
    for path, content in contents.items():
        if path.exists() and not (path.is_file() and path.read_bytes() == content):
            raise FileError(
                f"{path} is there already.", "Name another folder, or move it away."
            )
    written: list[Path] = []
    try:
        for path, content in contents.items():
            if write_new(path, content):
                written.append(path)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return tuple(contents)
